"""
Several profiles on one machine: the union of what they install, and which of them the robot runs.

Software, groups, services, kernel modules, rights, secrets and assets are those of all profiles
together, so that switching installs nothing. What the program loads (`wiring.json`) and the boot
settings are those of the profile that was chosen last.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from typing import TypeVar

from robokit_plan.model import InstanceName, Machine, Plan, dataclass, replace

from ._words import sh_quote

_T = TypeVar("_T")
_K = TypeVar("_K", bound=str)
_V = TypeVar("_V")


@dataclass(frozen=True, kw_only=True, slots=True)
class Locked:
    """A plan beside the name and the SHA-256 of the lock file that it was read from."""

    plan: Plan
    name: str
    sha256: str


class ProfilesDifferError(ValueError):
    """Two lock files want one machine to be two things; `differences` says what, sorted."""

    def __init__(self, differences: Iterable[str]) -> None:
        self.differences = tuple(sorted(differences))
        super().__init__("; ".join(self.differences))


def profile_word(plan: Plan) -> str:
    """Return what `--profile` calls *plan*: the robot's own name where it is of no profile."""
    return plan.profile or plan.robot


def union_of(locked: Sequence[Locked]) -> Plan:
    """
    Return what a machine must have for all of *locked*; the first says what is left.

    Boot settings of the result are those that load or block modules; the others stay with their
    profile.

    Raises:
        ProfilesDifferError: They cannot share a machine.
    """
    plans = [one.plan for one in locked]
    first = plans[0]
    if len(plans) == 1:
        return first
    machines = [one.machine for one in plans]
    differences = [*_differences(locked), *_contradictions(machines)]
    if differences:
        raise ProfilesDifferError(differences)
    return replace(
        first,
        python=_all((one.python for one in plans), lambda pin: (pin.name,)),
        build=_all((one.build for one in plans), lambda pin: (pin.name,)),
        debian=_all((one.debian for one in plans), lambda pin: (pin.name, pin.architecture)),
        debian_build=tuple(
            sorted(
                {name for one in plans for name in one.debian_build}
                - {
                    pin.name
                    for one in plans
                    for pin in one.debian
                    if pin.name not in one.debian_build
                }
            )
        ),
        indexes=_joined(one.indexes for one in plans),
        sources=_all((one.sources for one in plans), lambda source: (source.name,)),
        build_environment=_joined(one.build_environment for one in plans),
        build_room=_joined(one.build_room for one in plans),
        system_packages=any(one.system_packages for one in plans),
        assignments=_all(
            (one.assignments for one in plans),
            lambda use: (use.instance, use.section, use.claim, use.device or ""),
        ),
        boot=_all(
            ([one for one in plan.boot if one.kind.startswith("module-")] for plan in plans),
            lambda setting: (setting.kind, setting.text),
        ),
        hazards=_owners(one.hazards for one in plans),
        modules=_owners(one.modules for one in plans),
        udev_rules=tuple(sorted({rule for one in plans for rule in one.udev_rules})),
        machine=Machine(
            groups=_owners(one.groups for one in machines),
            start=_owners(one.start for one in machines),
            stop=_owners(one.stop for one in machines),
            load=_owners(one.load for one in machines),
            block=_owners(one.block for one in machines),
            permissions=_owners(one.permissions for one in machines),
            environment=_all(
                (one.environment for one in machines), lambda pair: (pair[0], pair[1].name)
            ),
            assets=_all((one.assets for one in machines), lambda one: (one.path, one.instance)),
        ),
    )


def _all(parts: Iterable[Iterable[_T]], key: Callable[[_T], tuple[str, ...]]) -> tuple[_T, ...]:
    found = {key(one): one for part in parts for one in part}
    return tuple(found[name] for name in sorted(found))


def _joined(parts: Iterable[Mapping[_K, _V]]) -> dict[_K, _V]:
    found = {name: value for part in parts for name, value in part.items()}
    return {name: found[name] for name in sorted(found)}


def _owners(
    parts: Iterable[Mapping[_K, tuple[InstanceName, ...]]],
) -> dict[_K, tuple[InstanceName, ...]]:
    found: dict[_K, set[InstanceName]] = {}
    for part in parts:
        for name, owners in part.items():
            found.setdefault(name, set()).update(owners)
    return {name: tuple(sorted(found[name])) for name in sorted(found)}


def _differences(locked: Sequence[Locked]) -> Iterator[str]:
    """Yield what two lock files say differently of one thing that a machine has once."""
    facts: dict[str, dict[Hashable, tuple[str, str]]] = {}
    names: dict[str, str] = {}
    for one in locked:
        plan, word = one.plan, profile_word(one.plan)
        if word in names:
            yield f"{names[word]} and {one.name} are both of {word}"
        names[word] = one.name
        for what, value, shown in _facts(plan):
            facts.setdefault(what, {}).setdefault(value, (one.name, shown))
    for what, values in facts.items():
        if len(values) > 1:
            said = ", ".join(f"{shown} in {name}" for name, shown in values.values())
            yield f"{what}: {said}"
    # what sees the modules of Debian was planned for it; what does not was not
    seeing = {pin.name for one in locked if one.plan.system_packages for pin in one.plan.python}
    for one in locked:
        alone = sorted({pin.name for pin in one.plan.python} - seeing)
        if seeing and not one.plan.system_packages and alone:
            yield (
                f"Python: {one.name} has {', '.join(alone)} and was planned apart from Debian's "
                "own Python modules, which another profile uses"
            )


def _facts(plan: Plan) -> Iterator[tuple[str, Hashable, str]]:
    """Yield name, value and words of each thing that a machine has once."""
    target = plan.target
    for what, value in (
        ("robot", plan.robot),
        ("board", plan.board),
        ("release", target.release),
        ("image", target.image),
        ("architecture", target.architecture),
        ("Python", target.python),
        ("program", plan.program),
        ("user of the program", plan.program_user),
        ("kept logs", str(plan.keep_logs)),
        ("Debian part", "planned" if plan.debian_known else "not planned"),
    ):
        yield what, value, value or "none"
    for pin in plan.python:
        yield f"Python package {pin.name}", (pin.version, pin.file.sha256), pin.version
    for pin in plan.build:
        yield f"build tool {pin.name}", (pin.version, pin.file.sha256), pin.version
    for deb in plan.debian:
        yield (
            f"Debian package {deb.name}:{deb.architecture}",
            (deb.version, deb.sha256),
            deb.version,
        )
    for name, address in plan.indexes.items():
        yield f"index {name}", address, address
    for source in plan.sources:
        yield f"archive {source.name}", source, source.url
    for distribution, pairs in plan.build_environment.items():
        yield f"build of {distribution}", pairs, " ".join("=".join(pair) for pair in pairs)
    for asset in plan.machine.assets:
        yield f"{asset.path} of {asset.instance}", asset.sha256, (asset.sha256 or "none")[:12]


def _contradictions(machines: Sequence[Machine]) -> Iterator[str]:
    """Yield what one profile wants to run and another not."""
    for noun, yes, no in (
        ("service", [one.start for one in machines], [one.stop for one in machines]),
        ("kernel module", [one.load for one in machines], [one.block for one in machines]),
    ):
        wanted = {name for part in yes for name in part}
        for name in sorted(wanted & {name for part in no for name in part}):
            yield f"{noun} {name}: one profile needs it, another keeps it out"


# --- the step ------------------------------------------------------------------------------------

PROFILE = r"""
# ---- profile: which of them the robot runs -------------------------------------------------------

profile_text() { printf '%s\n' "$profile"; }

step_profile() {
  placed=no
  place_text profile_text "$state/profile" 644
  say "  $profile"
}
"""

CHOICE = r"""
# The profile that was asked for, else the one of the last run, else the first.
choose_profile() {
  if [ -z "$profile" ] && [ -r "$state/profile" ]; then profile=$(cat -- "$state/profile"); fi
  case " $profiles " in
    *" $profile "*) ;;
    *) profile=${profiles%% *} ;;
  esac
}
"""


def by_profile(name: str, functions: Mapping[str, str]) -> str:
    """Return a function *name* that calls the function of the chosen profile."""
    branches = [f"    {sh_quote(word)}) {call} ;;" for word, call in functions.items()]
    return f"{name}() {{\n  case $profile in\n" + "\n".join(branches) + "\n  esac\n}\n"

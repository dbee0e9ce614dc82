"""What changes between two plans, and which plugins cause it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from enum import Enum

from robokit_plan.model import (
    Assignment,
    InstanceName,
    Load,
    Plan,
    PlannedInstance,
    current_text,
    dataclass,
    listed,
    size_text,
    sized_items,
)

from ._cautions import CAUTIONS
from ._sheet import is_wired


class Domain(Enum):
    """Part of a robot, in the order of a diff; the value is its title."""

    PLUGINS = "plugins"
    PYTHON = "Python"
    DEBIAN = "Debian"
    LINES = "lines and buses"
    BOOT = "boot"
    MACHINE = "machine"
    POWER = "power"
    SIZE = "size"


class Kind(Enum):
    """Who or what must act besides the script; the value is the word that is printed."""

    REBOOT = "reboot"
    REWIRE = "rewire"
    PERSON = "person"


@dataclass(frozen=True, kw_only=True, slots=True)
class DiffRow:
    """
    One thing that changes; `now` or `after` is None where a side has nothing.

    `because_of`: instances whose change causes it, else in words what does. `direct` False: a
    package that only others need.
    """

    domain: Domain
    item: str
    now: str | None
    after: str | None
    because_of: tuple[str, ...]
    direct: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Attention:
    """Something that the script cannot do."""

    kind: Kind
    text: str
    because_of: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class PlanDiff:
    """All that changes; rows by domain and item, `attention` by kind."""

    robot: str
    rows: tuple[DiffRow, ...]
    attention: tuple[Attention, ...]

    def __bool__(self) -> bool:
        return bool(self.rows)


def diff_plans(old: Plan | None, new: Plan) -> PlanDiff:
    """Return what changes from *old* to *new*; None: nothing is planned yet."""
    sides = _Sides(old, new)
    # What is left beside an error is no plan: shown as a change, it would read like a removal.
    open_ = {name for side in (old, new) if side is not None for name in side.undecided}
    rows = [
        *_plugins(sides),
        *(() if "python" in open_ else _python(sides)),
        *(() if "debian" in open_ else _debian(sides)),
        *_lines(sides),
        *_boot(sides),
        *_machine(sides),
        *_power(sides),
        *(() if open_ else _size(sides)),
    ]
    return PlanDiff(robot=new.robot, rows=tuple(rows), attention=tuple(_attention(sides)))


class _Sides:
    """Both plans and what makes them differ."""

    def __init__(self, old: Plan | None, new: Plan) -> None:
        self.old = old
        self.new = new
        self.before = {} if old is None else {one.name: one for one in old.instances}
        self.after = {one.name: one for one in new.instances}
        self.changed = frozenset(
            name
            for name in {*self.before, *self.after}
            if self.before.get(name) != self.after.get(name)
        )

    def cause(self, concerned: Iterable[str], *, otherwise: str) -> tuple[str, ...]:
        """
        Return which of the instances *concerned* changed.

        Where none did: the board or the system if those changed, else all instances that did,
        else *otherwise*.
        """
        direct = sorted(set(concerned) & self.changed)
        if direct:
            return tuple(direct)
        if self.old is not None:
            if self.old.board != self.new.board:
                return ("the board",)
            if self.old.target != self.new.target and _system(self.old) != _system(self.new):
                return ("the system",)
        return (otherwise,)


def _system(plan: Plan) -> tuple[str, ...]:
    """Return what the robot file says of the system; tags are not in a lock file."""
    one = plan.target
    return one.release, one.image, one.architecture, one.python


def _plugins(sides: _Sides) -> list[DiffRow]:
    rows = []
    for name in sorted(sides.changed):
        before, after = sides.before.get(name), sides.after.get(name)
        shown = _instance_text(before, after), _instance_text(after, before)
        if shown[0] != shown[1]:
            manifest = before and after and before.digest != after.digest
            whose = "its manifest" if manifest else "robot file"
            rows.append(_row(Domain.PLUGINS, name, *shown, (whose,)))
    old = {} if sides.old is None else sides.old.providers
    for capability in sorted({*old, *sides.new.providers}):
        now, then = old.get(capability), sides.new.providers.get(capability)
        if now != then:
            because = sides.cause(filter(None, (now, then)), otherwise="robot file")
            rows.append(_row(Domain.PLUGINS, capability, _by(now), _by(then), because))
    return rows


def _by(name: str | None) -> str | None:
    return None if name is None else f"from {name}"


def _instance_text(one: PlannedInstance | None, other: PlannedInstance | None) -> str | None:
    """Return what *one* is, as far as *other* differs from it."""
    if one is None:
        return None
    if other is None:
        return " ".join(filter(None, (one.version, one.variant)))
    parts: list[str] = []
    if one.plugin != other.plugin:
        parts.append(one.plugin)
    if one.version != other.version:
        parts.append(one.version)
    if one.variant != other.variant:
        parts.append(one.variant or "no variant")
    names = sorted({*one.settings, *other.settings})
    parts += [
        f"{name}: {one.settings.get(name)}"
        for name in names
        if one.settings.get(name) != other.settings.get(name)
    ]
    if not parts:
        parts.append("as its manifest was" if one.digest != other.digest else "")
    return ", ".join(parts)


def _row(
    domain: Domain,
    item: str,
    now: str | None,
    after: str | None,
    because_of: tuple[str, ...],
    *,
    direct: bool = True,
) -> DiffRow:
    return DiffRow(
        domain=domain,
        item=item,
        now=now,
        after=after,
        because_of=because_of,
        direct=direct,
    )


@dataclass(frozen=True, slots=True)
class _Package:
    version: str
    wanted_by: tuple[InstanceName, ...]
    direct: bool
    requires: tuple[str, ...] = ()


def _movers(
    sides: _Sides, old: Mapping[str, _Package], new: Mapping[str, _Package]
) -> Mapping[str, frozenset[str]]:
    """
    Return, for each package that moves, the changed instances that make it do so.

    What nobody changed asks for may have to move along: a plugin that takes an older version of
    one package also moves those that require it, or are required by it.
    """
    moved = {
        name
        for name in {*old, *new}
        if name not in old or name not in new or old[name].version != new[name].version
    }
    near: dict[str, set[str]] = {name: set() for name in moved}
    for name in moved:
        for one in (old.get(name), new.get(name)):
            for other in moved.intersection(one.requires if one is not None else ()):
                near[name].add(other)
                near[other].add(name)
    found: dict[str, frozenset[str]] = {}
    for name in moved:
        asked = {one for side in (old, new) if name in side for one in side[name].wanted_by}
        if asked & sides.changed:
            found[name] = frozenset(asked & sides.changed)
    # Outward from what changed plugins ask for, a ring at a time: who is nearest is the cause.
    ring = set(found)
    while ring:
        nearby = {other for name in ring for other in near[name]} - set(found)
        found |= {
            name: frozenset().union(*(found[one] for one in near[name] & ring)) for name in nearby
        }
        ring = nearby
    return found


def _packages(
    sides: _Sides,
    domain: Domain,
    packages: Callable[[Plan], dict[str, _Package]],
    otherwise: str,
) -> list[DiffRow]:
    old = {} if sides.old is None else packages(sides.old)
    new = packages(sides.new)
    movers = _movers(sides, old, new)
    rows = []
    for name in sorted({*old, *new}):
        now, after = old.get(name), new.get(name)
        if now is not None and after is not None and now.version == after.version:
            continue
        concerned = movers.get(name, ())
        rows.append(
            _row(
                domain,
                name,
                None if now is None else now.version,
                None if after is None else after.version,
                sides.cause(concerned, otherwise=otherwise),
                direct=any(side.direct for side in (now, after) if side),
            )
        )
    return rows


def _python(sides: _Sides) -> list[DiffRow]:
    def packages(plan: Plan) -> dict[str, _Package]:
        found = {
            f"{pin.name} (to build)": _Package(pin.version, pin.wanted_by, direct=False)
            for pin in plan.build
        }
        found |= {
            str(pin.name): _Package(
                pin.version if pin.is_wheel else f"{pin.version}, built on the board",
                pin.wanted_by,
                pin.direct,
                tuple(map(str, pin.requires)),
            )
            for pin in plan.python
        }
        found |= {
            str(one.name): _Package(
                f"{one.version}, from {one.package}", one.wanted_by, direct=False
            )
            for one in plan.carried
        }
        return found

    return _packages(sides, Domain.PYTHON, packages, "the Python index")


def _debian(sides: _Sides) -> list[DiffRow]:
    def packages(plan: Plan) -> dict[str, _Package]:
        return {
            pin.name
            if pin.architecture in {plan.target.architecture, "all"}
            else f"{pin.name}:{pin.architecture}": _Package(
                pin.version, pin.wanted_by, pin.direct, tuple(map(str, pin.requires))
            )
            for pin in plan.debian
        }

    return _packages(sides, Domain.DEBIAN, packages, "the Debian archive")


# --- hardware ---------------------------------------------------------------------------------


def _claims(plan: Plan | None) -> dict[str, Assignment]:
    rows = () if plan is None else plan.assignments
    return {f"{one.instance}.{one.claim}": one for one in rows}


def place_text(one: Assignment) -> str:
    """Return where a claim is: its resource and header positions or the companion's pins."""
    positions = [use.position for use in one.lines if use.position and is_wired(one, use)]
    parts = [str(one.resource)]
    if one.controller is not None:
        parts.append(f"on {one.controller}")
    if positions:
        noun = "position" if len(positions) == 1 else "positions"
        parts.append(f"({noun} {', '.join(positions)})")
    if one.port is not None and f"port {one.port}" != str(one.resource):
        parts.append(f"at port {one.port}")
    return " ".join(parts)


def _wires(one: Assignment) -> tuple[object, ...]:
    """
    Return what a person connects: positions, and by what signal; not how the kernel calls them.

    An address is no wire either, but often a strap that is soldered.
    """
    ends = tuple((use.signal, use.position or use.line) for use in one.lines if is_wired(one, use))
    return ends, one.port, one.controller, one.address, one.select


def _needs_wires(one: Assignment) -> bool:
    return bool(one.lines) or one.port is not None or one.controller is not None


def _line_cause(sides: _Sides, old: Assignment | None, new: Assignment | None) -> tuple[str, ...]:
    """Return who changed, or who takes the place that the claim had before."""
    own = {one.instance for one in (old, new) if one is not None}
    if own & sides.changed or old is None or new is None:
        return sides.cause(own, otherwise="robot file")
    left = {use.line for use in old.lines if not use.shared}
    takers = {
        one.instance
        for one in sides.new.assignments
        if one.instance not in own
        and (one.resource == old.resource or left & {use.line for use in one.lines})
    }
    return sides.cause(takers, otherwise="robot file")


def _lines(sides: _Sides) -> list[DiffRow]:
    old, new = _claims(sides.old), _claims(sides.new)
    rows = []
    for name in sorted({*old, *new}):
        now, after = old.get(name), new.get(name)
        texts = tuple(None if one is None else place_text(one) for one in (now, after))
        if texts[0] != texts[1]:
            because = _line_cause(sides, now, after)
            rows.append(_row(Domain.LINES, name, texts[0], texts[1], because))
    return rows


def _boot(sides: _Sides) -> list[DiffRow]:
    old = {} if sides.old is None else {one.text: one for one in sides.old.boot}
    new = {one.text: one for one in sides.new.boot}
    rows = []
    for text in sorted({*old, *new}):
        now, after = old.get(text), new.get(text)
        if now is None or after is None:
            concerned = [name for one in (now, after) if one for name in one.because_of]
            rows.append(
                _row(
                    Domain.BOOT,
                    text,
                    None if now is None else now.kind.replace("-", " "),
                    None if after is None else after.kind.replace("-", " "),
                    sides.cause(concerned, otherwise="robot file"),
                )
            )
    return rows


# --- machine ----------------------------------------------------------------------------------


def _machine_items(plan: Plan | None) -> dict[str, tuple[str, tuple[str, ...]]]:
    """Return item -> its state in words and the instances that ask for it."""
    if plan is None:
        return {}
    machine = plan.machine
    found: dict[str, tuple[str, tuple[str, ...]]] = {
        "board": (plan.board, ()),
        "release": (plan.target.release, ()),
        "image": (plan.target.image, ()),
        "architecture": (plan.target.architecture, ()),
        "Python": (plan.target.python, ()),
    }
    if plan.program is not None:
        found["program"] = (plan.program, ())
    if plan.program_user is not None:
        found["user"] = (plan.program_user, ())
    sections: list[tuple[str, str, Mapping[str, tuple[InstanceName, ...]]]] = [
        ("group", "joined", machine.groups),
        ("service", "running", machine.start),
        ("service", "kept from starting", machine.stop),
        ("kernel module", "loaded", machine.load),
        ("kernel module", "kept out", machine.block),
        ("right", "granted", machine.permissions),
    ]
    for noun, state, table in sections:
        for name in table:
            found[f"{noun} {name}"] = (state, table[name])
    for instance, variable in machine.environment:
        word = "secret" if variable.secret else "variable"
        asked = found.get(f"{word} {variable.name}", ("", ()))[1]
        found[f"{word} {variable.name}"] = ("asked for", (*asked, instance))
    for asset in machine.assets:
        size = "" if asset.size is None else f" ({size_text(asset.size)})"
        digest = (asset.sha256 or "")[:8]
        found[f"asset {asset.instance}/{asset.path}"] = (f"{digest}{size}", (asset.instance,))
    return found


def _machine(sides: _Sides) -> list[DiffRow]:
    old, new = _machine_items(sides.old), _machine_items(sides.new)
    rows = []
    for item in sorted({*old, *new}):
        now, after = old.get(item), new.get(item)
        if (now and now[0]) != (after and after[0]):
            concerned = [name for one in (now, after) if one for name in one[1]]
            rows.append(
                _row(
                    Domain.MACHINE,
                    item,
                    None if now is None else now[0],
                    None if after is None else after[0],
                    sides.cause(concerned, otherwise="robot file"),
                )
            )
    return rows


def _power(sides: _Sides) -> list[DiffRow]:
    def figures(plan: Plan | None) -> dict[str, tuple[str, frozenset[Load]]]:
        found = {}
        for rail in () if plan is None else plan.rails:
            limit = "" if rail.limit is None else f" of {current_text(rail.limit)}"
            loads = frozenset(rail.loads)
            found[f"{rail.name} typical"] = (current_text(rail.typical), loads)
            found[f"{rail.name} peak"] = (f"{current_text(rail.peak)}{limit}", loads)
        return found

    old, new = figures(sides.old), figures(sides.new)
    rows = []
    for item in sorted({*old, *new}):
        now, after = old.get(item), new.get(item)
        if (now and now[0]) != (after and after[0]):
            loads = (now[1] if now else frozenset()) ^ (after[1] if after else frozenset())
            because = sides.cause([load.instance for load in loads], otherwise="robot file")
            texts = tuple(None if side is None else side[0] for side in (now, after))
            rows.append(_row(Domain.POWER, item, texts[0], texts[1], because))
    return rows


_Amounts = Mapping[str, tuple[int, tuple[InstanceName, ...]]]
"""Name of one part of a sum -> how much it is, and for whom."""


def _size(sides: _Sides) -> list[DiffRow]:
    """Return what changes in sums: bytes, and what plugins say that they hold in use."""

    def sums(plan: Plan) -> dict[str, tuple[_Amounts, Callable[[int], str]]]:
        items = sized_items(plan)
        memory: _Amounts = {one.name: (one.memory_mb or 0, (one.name,)) for one in plan.instances}
        cpu: _Amounts = {one.name: (one.cpu_percent or 0, (one.name,)) for one in plan.instances}
        names = [f"{one.kind.value} {one.name}" for one in items]
        return {
            "to fetch": (
                {n: (one.fetch, one.wanted_by) for n, one in zip(names, items, strict=True)},
                size_text,
            ),
            "on the card": (
                {
                    n: (one.card, one.wanted_by)
                    for n, one in zip(names, items, strict=True)
                    if not one.passing
                },
                size_text,
            ),
            "memory in use": (memory, lambda size: f"{size} MB"),
            "processor in use": (cpu, lambda share: f"{share} % of a core"),
        }

    old = {} if sides.old is None else sums(sides.old)
    rows = []
    for item, (after, text) in sums(sides.new).items():
        now: _Amounts = old[item][0] if old else {}
        before, then = (sum(amount for amount, _ in side.values()) for side in (now, after))
        if before == then:
            continue
        concerned = [
            name
            for part in {*now, *after}
            if now.get(part) != after.get(part)
            for name in (now.get(part) or after[part])[1]
        ]
        because = sides.cause(concerned, otherwise="the indices")
        texts = (text(before) if now else None), text(then)
        if texts[0] != texts[1]:
            rows.append(_row(Domain.SIZE, item, *texts, because))
    return rows


# --- what the script cannot do ----------------------------------------------------------------


def _attention(sides: _Sides) -> list[Attention]:
    return [*_reboots(sides), *_rewires(sides), *_persons(sides), *_undecided(sides)]


def _undecided(sides: _Sides) -> list[Attention]:
    return [
        Attention(
            kind=Kind.PERSON,
            text=f"the {name.capitalize()} part is not planned, an error stands in its way",
            because_of=names or ("the findings",),
        )
        for name, names in sorted(sides.new.undecided.items())
    ]


def _reboots(sides: _Sides) -> list[Attention]:
    modules = [row for row in _machine(sides) if row.item.startswith("kernel module ")]
    found = []
    for words, rows in (
        ("boot settings change", _boot(sides)),
        ("kernel modules change", modules),
    ):
        if rows:
            because = tuple(sorted({name for row in rows for name in row.because_of}))
            found.append(Attention(kind=Kind.REBOOT, text=words, because_of=because))
    return found


def _rewires(sides: _Sides) -> list[Attention]:
    old, new = _claims(sides.old), _claims(sides.new)
    found = []
    for name in sorted({*old, *new}):
        now, after = old.get(name), new.get(name)
        if now is None and after is not None and _needs_wires(after):
            text = f"connect {name} to {place_text(after)}"
        elif after is None and now is not None and _needs_wires(now):
            text = f"disconnect {name} from {place_text(now)}"
        elif now is not None and after is not None and _wires(now) != _wires(after):
            if not (_needs_wires(now) or _needs_wires(after)):
                continue
            texts = place_text(now), place_text(after)
            text = f"move {name} from {texts[0]} to {texts[1]}"
            if texts[0] == texts[1]:
                # The same positions, wired to other signals: a swap of wires.
                ends = [f"{one.signal} to {one.position or one.line}" for one in after.lines]
                text = f"change wires of {name} at {texts[1]}: {', '.join(ends)}"
        else:
            continue
        found.append(
            Attention(kind=Kind.REWIRE, text=text, because_of=_line_cause(sides, now, after))
        )
    return found


def _persons(sides: _Sides) -> list[Attention]:
    found = []
    for hazard in sorted(sides.new.hazards):
        had = () if sides.old is None else sides.old.hazards.get(hazard, ())
        newly = [name for name in sides.new.hazards[hazard] if name not in had]
        if newly:
            caution = CAUTIONS.get(hazard, "see the data sheet of the part")
            found.append(
                Attention(
                    kind=Kind.PERSON, text=f"{hazard}: {caution}", because_of=tuple(sorted(newly))
                )
            )
    for row in _machine(sides):
        if row.after is None:
            continue
        noun, _, name = row.item.partition(" ")
        if noun in {"secret", "variable"} and name:
            text = f"give {name} a value; it is never planned or locked"
        elif noun == "group" and name:
            text = f"log in anew after joining the group {name}"
        elif row.item == "board" and row.now is not None:
            text = "another board: check every wire against the wiring sheet"
        elif row.item in {"release", "architecture"} and row.now is not None:
            text = f"another {row.item}: this needs a fresh card"
        else:
            continue
        found.append(Attention(kind=Kind.PERSON, text=text, because_of=row.because_of))
    return found


def because_text(because_of: tuple[str, ...]) -> str:
    """Return the causes in words."""
    return listed(because_of)

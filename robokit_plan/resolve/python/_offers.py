"""Why a project offers nothing: all its files, those the target cannot use as well."""

from __future__ import annotations

import re
from collections.abc import Iterable
from collections.abc import Set as AbstractSet
from enum import Enum

from packaging.version import Version

from robokit_plan.model import DistributionName, IndexFile, Target, dataclass, field, listed

from ._parsing import allows, find_version, normal_name, sdist_version, wheel_parts, wheel_tags
from ._releases import Project
from ._world import World


class Lack(Enum):
    """What is missing, from the whole project down to the single file."""

    PROJECT = "project"
    """No index has it."""
    VERSION = "version"
    """No release matches what is asked."""
    DATE = "date"
    """Only releases that came after the day of the plan match."""
    PYTHON = "python"
    """All matching releases are for other Pythons."""
    WHEEL = "wheel"
    """No matching release has a file that the target can use."""
    SDIST = "sdist"
    """It is to be taken as sdist, and no matching release has one."""
    YANKED = "yanked"
    """All matching releases were withdrawn."""
    AVOIDED = "avoided"
    """All matching releases are known to be of no use."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Offer:
    """All files of one version."""

    version: Version
    wheels: tuple[IndexFile, ...]
    sdists: tuple[IndexFile, ...]

    @property
    def files(self) -> tuple[IndexFile, ...]:
        """Both kinds."""
        return (*self.wheels, *self.sdists)

    @property
    def uploaded(self) -> str | None:
        """When its first file appeared, RFC 3339."""
        return min((file.upload_time for file in self.files if file.upload_time), default=None)


@dataclass(kw_only=True, slots=True)
class _Draft:
    wheels: list[IndexFile] = field(default_factory=list)
    sdists: list[IndexFile] = field(default_factory=list)


def offers_of(project: Project) -> tuple[Offer, ...]:
    """Return every version that the project's pages hold, newest first."""
    drafts: dict[Version, _Draft] = {}
    for page in project.pages:
        for file in page.files:
            if file.filename.endswith(".whl"):
                parts = wheel_parts(file.filename)
                if parts is None or normal_name(parts[0]) != project.name:
                    continue
                version = find_version(parts[1])
                if version is not None:
                    drafts.setdefault(version, _Draft()).wheels.append(file)
            else:
                text = sdist_version(file.filename, project.name)
                version = None if text is None else find_version(text)
                if version is not None:
                    drafts.setdefault(version, _Draft()).sdists.append(file)
    return tuple(
        Offer(
            version=version,
            wheels=tuple(drafts[version].wheels),
            sdists=tuple(drafts[version].sdists),
        )
        for version in sorted(drafts, reverse=True)
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Refusal:
    """
    Why nothing of a project fits one specifier.

    `matching`: versions that match, whatever the target; `known`: all versions; newest first.
    """

    name: DistributionName
    lack: Lack
    matching: tuple[Offer, ...]
    known: tuple[Offer, ...]


def refusal_of(world: World, project: Project, specifier: str) -> Refusal:
    """Return why no release of *project* fits *specifier*, which must be so."""
    known = offers_of(project)
    matching = tuple(offer for offer in known if allows(specifier, offer.version))
    return Refusal(
        name=project.name,
        lack=_lack(world, project, known, matching),
        matching=matching,
        known=known,
    )


def _lack(
    world: World, project: Project, known: tuple[Offer, ...], matching: tuple[Offer, ...]
) -> Lack:
    if not known:
        return Lack.PROJECT
    if not matching:
        return Lack.VERSION
    files = [file for offer in matching for file in offer.files]
    if all(world.is_too_late(file) for file in files):
        return Lack.DATE
    if not any(world.python_lets_in(file) for file in files):
        return Lack.PYTHON
    versions = {offer.version for offer in matching}
    wheels_only = project.name in world.wheels_only
    releases = [
        one
        for one in project.releases
        if one.version in versions and (one.is_wheel or not wheels_only)
    ]
    if not releases:
        return Lack.SDIST if project.view.sdist_only else Lack.WHEEL
    if all(one.yanked is not None for one in releases):
        return Lack.YANKED
    return Lack.AVOIDED


def wheel_targets(wheels: Iterable[IndexFile], target: Target) -> tuple[str, ...]:
    """
    Return what *wheels* are for, as in ``Python 3.12 on aarch64``.

    What keeps a wheel of the target's machine from it is said: another C library, or a newer one.
    Shape:
        by Python, then machine; Pythons with the same machines stand together; wheels for other
        systems than Linux do not count.
    """
    platforms = {tag.rpartition("-")[2] for tag in target.tags}
    machines: dict[tuple[int, str], set[str]] = {}
    for wheel in wheels:
        tags = wheel_tags(wheel.filename)
        if not tags:
            continue
        interpreters, abis, tails = tags.split("-")
        here = {_machine(one, platforms) for one in tails.split(".")} - {""}
        # The lowest C library decides where one wheel names several.
        here -= {one for one in here if one.partition(" with ")[0] in here and " with " in one}
        for one in interpreters.split(".") if here else ():
            python = _python(one, abis)
            if python is not None:
                machines.setdefault(python, set()).update(here)
    together: dict[tuple[str, ...], list[str]] = {}
    for (_, text), those in sorted(machines.items()):
        together.setdefault(tuple(sorted(those)), []).append(text)
    return tuple(
        f"Python {listed(pythons)} on {listed(those)}" for those, pythons in together.items()
    )


def _python(interpreter: str, abis: str) -> tuple[int, str] | None:
    """Return order and text of a Python tag; None: for another interpreter than CPython."""
    digits = interpreter[2:]
    if not interpreter.startswith(("cp", "py")) or not re.fullmatch("[0-9]{1,9}", digits):
        return None
    minor = int(digits[1:] or 0)
    text = f"{digits[0]}.{minor}" if digits[1:] else digits[0]
    if abis == "abi3":
        return minor, f"{text} and later"
    return minor, f"{text} without its lock" if abis.endswith("t") else text


def _machine(platform: str, platforms: AbstractSet[str]) -> str:
    if platform == "any":
        return "any machine"
    if "linux" not in platform:
        return ""
    # manylinux_2_17_aarch64, manylinux2014_x86_64, linux_armv7l
    name = "x86_64" if platform.endswith("x86_64") else platform.rsplit("_", maxsplit=1)[-1]
    if platform.startswith("musllinux"):
        return f"{name} with musl"
    own = any(one.endswith(f"_{name}") for one in platforms)
    if own and platform not in platforms and platform.startswith("manylinux_"):
        return f"{name} with glibc {'.'.join(platform.split('_')[1:3])}"
    return name

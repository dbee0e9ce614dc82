"""Standard texts parsed once: versions, specifiers, requirements, markers, file names."""

from __future__ import annotations

import re
from functools import lru_cache

from packaging.markers import Marker
from packaging.requirements import InvalidRequirement, Requirement
from packaging.specifiers import InvalidSpecifier, SpecifierSet
from packaging.utils import canonicalize_name
from packaging.version import Version

from robokit_plan.model import DistributionName, dataclass

Environment = tuple[tuple[str, str], ...]
"""Markers of a target as a sorted, hashable value."""

_SDIST_ENDINGS = (".tar.gz", ".zip")
"""PEP 625, and the one older form that packaging's parser still reads."""
_NO_NUMBER = re.compile(r"\d{4300}")
"""Python reads no longer ones (`sys.int_info.default_max_str_digits`), so no version holds them."""


@lru_cache(maxsize=65536)
def normal_name(text: str) -> DistributionName:
    """Return *text* normalised as in PEP 503."""
    return DistributionName(canonicalize_name(text))


@lru_cache(maxsize=65536)
def find_version(text: str) -> Version | None:
    """Return the PEP 440 version that *text* spells; None where it spells none."""
    try:
        return Version(text)
    except ValueError:  # InvalidVersion, or of a number in it
        return None


@lru_cache(maxsize=16384)
def find_specifier(text: str) -> SpecifierSet | None:
    """Return the specifier that *text* spells; None where it spells none."""
    try:
        return None if _NO_NUMBER.search(text) else SpecifierSet(text)
    except InvalidSpecifier:
        return None


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """
    One requirement in parts, all as text: comparing texts is far cheaper than specifiers.

    `extras` sorted and normalised; `specifier` and `marker` "" where there is none.
    """

    name: DistributionName
    extras: tuple[str, ...]
    specifier: str
    marker: str
    url: str | None


@lru_cache(maxsize=16384)
def parse_requirement(text: str) -> Line:
    """
    Return *text* as a PEP 508 requirement.

    Raises:
        InvalidRequirement: It is none.
    """
    if _NO_NUMBER.search(text):
        raise InvalidRequirement("a number in it is longer than any version's")
    found = Requirement(text)
    return Line(
        name=normal_name(found.name),
        extras=tuple(sorted({normal_name(extra) for extra in found.extras})),
        specifier=specifier_text(found.specifier),
        marker="" if found.marker is None else str(found.marker),
        url=found.url,
    )


@lru_cache(maxsize=16384)
def find_requirement(text: str) -> Line | None:
    """Return *text* as a PEP 508 requirement; None where it is none."""
    try:
        return parse_requirement(text)
    except InvalidRequirement:
        return None


def specifier_text(specifier: SpecifierSet) -> str:
    """Return *specifier* as people write it, lower bound first; the same set, the same text."""
    return ",".join(sorted((str(one) for one in specifier), key=_lower_bound_first))


def _lower_bound_first(text: str) -> tuple[bool, str]:
    return (not text.startswith((">", "=", "~")), text)


@lru_cache(maxsize=4096)
def _marker(text: str) -> Marker:
    return Marker(text)


@lru_cache(maxsize=65536)
def marker_holds(text: str, environment: Environment, extra: str) -> bool:
    """
    Return whether the marker *text* is true on the target, with *extra* ("" for none).

    A marker that compares what cannot be compared counts as false, as its author could not
    have seen it true.
    """
    try:
        return _marker(text).evaluate({**dict(environment), "extra": extra})
    except ValueError:  # of a comparison, a name, or a number
        return False


@lru_cache(maxsize=16384)
def python_allows(specifier: str, python: str) -> bool:
    """Return whether a Requires-Python text lets *python* in; an unreadable one lets all in."""
    parsed = find_specifier(specifier)
    return parsed is None or parsed.contains(python, prereleases=True)


@lru_cache(maxsize=16384)
def is_exact(specifier: str) -> bool:
    """Return whether *specifier* names one version, as PEP 592 asks for a yanked release."""
    return any(
        one.operator == "===" or (one.operator == "==" and not one.version.endswith(".*"))
        for one in find_specifier(specifier) or ()
    )


def allows(specifier: str, version: Version) -> bool:
    """
    Return whether *specifier* lets *version* in, a pre-release as well.

    What is no specifier lets nothing in.
    """
    if not specifier:
        return True
    # 1.0 and 1.0.0 are one version to all operators but this, which compares texts (PEP 440).
    return _allows(specifier, version, str(version) if "===" in specifier else "")


@lru_cache(maxsize=65536)
def _allows(specifier: str, version: Version, spelling: str) -> bool:  # noqa: ARG001  part of the key
    parsed = find_specifier(specifier)
    return parsed is not None and parsed.contains(version, prereleases=True)


@lru_cache(maxsize=16384)
def bounds(specifier: str) -> tuple[Version | None, Version | None]:
    """
    Return versions between which, themselves included, all lies that *specifier* lets in.

    None: no bound, or none that is easily told. Local version labels do not count (PEP 440).
    """
    lows, highs = [], []
    for one in find_specifier(specifier) or ():
        text = one.version.removesuffix(".*")
        version = find_version(text)
        if version is None:
            continue  # === takes any text
        version = Version(version.public)
        is_prefix = text != one.version or one.operator == "~="
        if one.operator in {"==", ">=", ">", "~="}:
            lows.append(Version(f"{version}.dev0") if text != one.version else version)
        if one.operator in {"==", "~="} and is_prefix:
            kept = version.release[:-1] if one.operator == "~=" else version.release
            after = ".".join(map(str, (*kept[:-1], kept[-1] + 1)))
            highs.append(Version(f"{version.epoch}!{after}.dev0"))
        elif one.operator in {"==", "<=", "<"}:
            highs.append(version)
    return max(lows, default=None), min(highs, default=None)


def wheel_tags(filename: str) -> str:
    """Return the joined tags at the end of a wheel's file name; "" where it is none."""
    end = filename.rfind("-")
    middle = filename.rfind("-", 0, end)
    start = filename.rfind("-", 0, middle)
    return filename[start + 1 : -4] if 0 < start < middle < end else ""


def wheel_parts(filename: str) -> tuple[str, str, str] | None:
    """
    Return project, version and build tag ("" for none) of a wheel's file name, as written.

    None: not a wheel's name in the sense of the binary distribution format.
    """
    pieces = filename.split("-")
    if len(pieces) == 5:
        return pieces[0], pieces[1], ""
    if len(pieces) == 6 and "0" <= pieces[2][:1] <= "9":  # "Must start with a digit."
        return pieces[0], pieces[1], pieces[2]
    return None


def sdist_version(filename: str, name: DistributionName) -> str | None:
    """Return the version text in the file name of an sdist of *name*; None: no sdist of it."""
    for ending in _SDIST_ENDINGS:
        if filename.endswith(ending):
            stem = filename[: -len(ending)]
            break
    else:
        return None
    # Older names may hold hyphens on both sides of the version, so the name decides.
    for place, letter in enumerate(stem):
        if letter == "-" and normal_name(stem[:place]) == name:
            return stem[place + 1 :]
    return None


_BUILD_TAG = re.compile(r"(\d{1,4000})(.*)")


@lru_cache(maxsize=4096)
def build_order(build: str) -> tuple[int, str]:
    """Return the sort key of a build tag; none at all sorts first (binary distribution format)."""
    found = _BUILD_TAG.fullmatch(build)
    return (-1, "") if found is None else (int(found[1]), found[2])

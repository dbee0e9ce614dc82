"""Relations between packages as text and as values (Debian Policy 7.1)."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

from robokit_plan.model import DebianName

from ._version import version_fits


class RelationError(ValueError):
    """A relation that Policy 7.1 does not know: the *part* that is none, and why."""

    def __init__(self, part: str, reason: str) -> None:
        self.part = part
        self.reason = reason
        super().__init__(f"{part!r}: {reason}")


class Alternative(NamedTuple):
    """One member of a group: ``name:qualifier (operator version)``."""

    name: DebianName
    qualifier: str = ""
    """Architecture qualifier: "", ``any``, ``native`` or an architecture."""
    operator: str = ""
    version: str = ""

    def __str__(self) -> str:
        name = f"{self.name}:{self.qualifier}" if self.qualifier else self.name
        return f"{name} ({self.operator} {self.version})" if self.operator else name

    def fits(self, version: str) -> bool:
        """Whether a package of that *version* satisfies the version part."""
        return version_fits(version, self.operator, self.version)


Group = tuple[Alternative, ...]
"""Alternatives, the preferred one first."""

_NAME = r"[a-z0-9][a-z0-9+.-]+"
_ALTERNATIVE = re.compile(
    rf"\s*(?P<name>{_NAME})(?::(?P<qualifier>[a-z0-9-]+))?"
    r"\s*(?:\(\s*(?P<operator><<|<=|>=|>>|=|<|>)\s*(?P<version>[A-Za-z0-9.+~:-]+)\s*\))?"
    r"\s*(?:\[(?P<arches>[^\]]*)\])?"
    r"\s*(?P<profiles>(?:<[^>]*>\s*)*)$"
)
# Fields of an index are machine-made: no restrictions, one spelling. A tenth of the time.
_PLAIN = re.compile(r"([a-z0-9][a-z0-9+.-]+)(?::([a-z0-9-]+))?(?: \(([<>=]+) ?([^)\s]+)\))?$")


def _arch_matches(pattern: str, architecture: str) -> bool:
    """Architecture wildcards as far as single-kernel targets go (Policy 11.1)."""
    if pattern in {"any", architecture, "linux-any"}:
        return True
    kernel, _, cpu = pattern.rpartition("-")
    cpu_of = {"armhf": "arm", "armel": "arm", "amd64": "amd64", "arm64": "arm64", "i386": "i386"}
    return kernel in {"any", "linux"} and cpu == cpu_of.get(architecture, architecture)


def _parse_alternative(part: str, architecture: str) -> Alternative | None:
    match = _ALTERNATIVE.match(part)
    if match is None:
        raise RelationError(part.strip(), _reason(part.strip()))
    operator = match["operator"] or ""
    if operator in {"<", ">"}:
        reason = f"{operator} is not an operator of Debian Policy 7.1"
        raise RelationError(part.strip(), reason)
    if match["arches"] is not None and not _arches_allow(match["arches"].split(), architecture):
        return None
    if match["profiles"] and not _profiles_allow(match["profiles"]):
        return None
    qualifier = match["qualifier"] or ""
    if qualifier in {architecture, "native"}:
        qualifier = ""
    return Alternative(DebianName(match["name"]), qualifier, operator, match["version"] or "")


def _arches_allow(arches: list[str], architecture: str) -> bool:
    negative = [word[1:] for word in arches if word.startswith("!")]
    if negative:
        return not any(_arch_matches(word, architecture) for word in negative)
    return any(_arch_matches(word, architecture) for word in arches)


def _profiles_allow(text: str) -> bool:
    """No build profile is active on a robot: a group of negations holds, others do not."""
    groups = re.findall(r"<([^>]*)>", text)
    return any(all(term.startswith("!") for term in group.split()) for group in groups)


def _reason(part: str) -> str:
    if not part:
        return "a name is missing"
    if not re.match(_NAME, part):
        return "package names are lower case letters, digits, plus, minus and full stop"
    if re.match(rf"{_NAME}\s*(<|>|=)", part):
        return "a version relation stands in parentheses: name (>= 1.2)"
    return "expected: name, name (>= 1.2), or alternatives name | other"


@lru_cache(maxsize=8192)
def parse_relations(text: str, architecture: str) -> tuple[Group, ...]:
    """
    Return the groups of a relation field, in the field's order.

    Members whose architecture restriction or build profile excludes the target are left out, as
    are groups that become empty so.

    Raises:
        RelationError: The text is no relation of Policy 7.1.
    """
    groups = []
    for conjunct in text.split(","):
        if not conjunct.strip():
            if text.strip(" ,\n"):
                continue  # Policy allows a trailing comma in control files; apt ignores it.
            raise RelationError(conjunct, "a name is missing")
        members = (_parse_alternative(part, architecture) for part in conjunct.split("|"))
        group = tuple(member for member in members if member is not None)
        if group:
            groups.append(group)
    return tuple(groups)


@lru_cache(maxsize=16384)
def index_relations(text: str, architecture: str) -> tuple[Group, ...]:
    """
    Return the groups of a field of a package index.

    Same shape as `parse_relations`; a malformed field of a strange archive yields what can be
    read, since apt does not stop there either.
    """
    if not text:
        return ()
    groups = []
    for conjunct in text.split(","):
        members = []
        for part in conjunct.split("|"):
            word = part.strip()
            match = _PLAIN.match(word)
            if match is not None:
                name, qualifier, operator, version = match.groups("")
                if qualifier in {architecture, "native"}:
                    qualifier = ""
                operator = {"<": "<=", ">": ">="}.get(operator, operator)
                members.append(Alternative(DebianName(name), qualifier, operator, version))
                continue
            try:
                found = _parse_alternative(word, architecture)
            except RelationError:
                continue
            if found is not None:
                members.append(found)
        if members:
            groups.append(tuple(members))
    return tuple(groups)


class Provision(NamedTuple):
    """One entry of Provides; `version` "" where it is unversioned (Policy 7.5)."""

    name: DebianName
    version: str
    qualifier: str = ""
    """The architecture that it is for; "" for the package's own."""

    def serves(self, alternative: Alternative, architecture: str, multi_arch: str) -> bool:
        """
        Whether it satisfies *alternative* on *architecture*; *multi_arch* of the package.

        Source:
            Policy 7.5 for versions. For architectures apt 2.6: what a package allows, its Provides
            allow too; one for an architecture, or for any, serves that alone.
        """
        if self.name != alternative.name:
            return False
        own = self.qualifier if self.qualifier != architecture else ""
        if own != alternative.qualifier and (
            own or alternative.qualifier != "any" or multi_arch != "allowed"
        ):
            return False
        return not alternative.operator or bool(self.version and alternative.fits(self.version))


@lru_cache(maxsize=16384)
def index_provides(text: str) -> tuple[Provision, ...]:
    """Return what a package provides."""
    return tuple(
        Provision(alternative.name, alternative.version, alternative.qualifier)
        for group in index_relations(text, "")
        for alternative in group
    )

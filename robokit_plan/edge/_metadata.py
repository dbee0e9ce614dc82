"""
Core metadata as text, and the form in which the cache keeps what was read of it.

Source:
    "Core metadata specifications" of the PyPA (PEP 314, 345, 566, 643, 639), version 2.4.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from typing import Any

from robokit_plan.model import DistributionMetadata, DistributionName, field_names

from ._pip_config import normal_name
from ._words import one_line

MAX_BYTES = 4_000_000
"""No honest METADATA comes near; the greatest on public indexes hold a long readme."""


class MetadataUnusable(ValueError):  # noqa: N818  said of the file
    """Metadata does not say what is needed; the text tells in words what is wrong."""


class MetadataInvalid(MetadataUnusable):
    """It is of another project or version than its file, or has a requirement that is none."""


def parse_metadata(
    text: bytes, *, name: DistributionName, version: str, source: str = "wheel"
) -> DistributionMetadata:
    """
    Return what *text*, a METADATA or PKG-INFO, says.

    Args:
        text: As stored in the file.
        name: Project that the file's own name promises.
        version: Version that the file's own name promises.
        source: Written into the result.

    Raises:
        MetadataUnusable: Not metadata, of another project or version, or with a requirement
            that PEP 508 does not allow.
    """
    raw = raw_metadata(text)
    check_name(raw, name=name, version=version)
    requires = tuple(one_line(one) for one in raw.get("requires_dist", ()))
    check_requirements(requires)
    return DistributionMetadata(
        name=name,
        version=version,
        requires_dist=requires,
        requires_python=one_line(raw.get("requires_python") or "") or None,
        provides_extra=extra_names(raw.get("provides_extra", ())),
        source=source,
        license=license_line(raw.get("license_expression"), raw.get("license")),
        license_classifiers=license_classifiers(raw.get("classifiers", ())),
    )


def raw_metadata(text: bytes) -> dict[str, Any]:
    """
    Return the fields of *text* by the names that `packaging.metadata` gives them.

    Raises:
        MetadataUnusable: It is not metadata at all.
    """
    from packaging.metadata import parse_email

    if len(text) > MAX_BYTES:
        raise MetadataUnusable("its metadata is too large")
    try:
        raw, _ = parse_email(text)
    except (ValueError, TypeError, LookupError, AttributeError, RecursionError):
        # `email` is not proof against every kind of garbage.
        raise MetadataUnusable("its metadata cannot be read") from None
    if not raw.get("name") or not raw.get("version"):
        raise MetadataUnusable("its metadata names no project and version")
    return dict(raw)


def check_name(raw: dict[str, Any], *, name: DistributionName, version: str) -> None:
    """Refuse metadata of another project or version than the file's own name promises."""
    from packaging.version import Version

    try:
        same = normal_name(raw["name"]) == name and Version(raw["version"]) == Version(version)
    except ValueError:  # InvalidVersion, or of a number in it
        same = False
    if not same:
        raise MetadataInvalid(
            f"its metadata is of {one_line(raw['name'], 80)} {one_line(raw['version'], 40)},"
            f" its file name says {name} {version}"
        )


def check_requirements(requirements: Iterable[str]) -> None:
    """Refuse what is not a requirement (PEP 508)."""
    from packaging.requirements import InvalidRequirement, Requirement

    for one in requirements:
        try:
            Requirement(one)
        except (InvalidRequirement, RecursionError):
            raise MetadataInvalid(f"its requirement {one_line(one, 120)!r} is not valid") from None


def unknown(
    name: DistributionName, version: str, reason: str, source: str, *, invalid: bool = False
) -> DistributionMetadata:
    """Return metadata that says only why it is not known."""
    return DistributionMetadata(
        name=name,
        version=version,
        requires_dist=None,
        source=source,
        reason=reason,
        invalid=invalid,
    )


def stored_metadata(metadata: DistributionMetadata) -> bytes:
    """Return *metadata* as the cache keeps it."""
    names = field_names(type(metadata)) or ()
    fields = {name: getattr(metadata, name) for name in names}
    return json.dumps(fields, separators=(",", ":")).encode()


def parse_stored_metadata(stored: bytes) -> DistributionMetadata | None:
    """Return what `stored_metadata` was given, None where the entry is damaged."""
    try:
        fields = json.loads(stored)
        texts = (fields["name"], fields["version"], fields["source"], fields["reason"])
        maybe = (fields["requires_python"], fields["license"])
        size = fields["installed_size"]
        found = DistributionMetadata(
            name=DistributionName(texts[0]),
            version=texts[1],
            requires_dist=_texts(fields["requires_dist"]),
            requires_python=maybe[0],
            provides_extra=_texts(fields["provides_extra"]) or (),
            source=texts[2],
            reason=texts[3],
            invalid=fields["invalid"],
            build_requires=_texts(fields["build_requires"]),
            license=maybe[1],
            license_classifiers=_texts(fields["license_classifiers"]) or (),
            modules=_texts(fields["modules"]),
            owned=_texts(fields["owned"]),
            installed_size=size,
        )
    except (ValueError, RecursionError, TypeError, KeyError):
        return None
    sound = (
        all(isinstance(one, str) for one in texts)
        and all(one is None or isinstance(one, str) for one in maybe)
        and (size is None or isinstance(size, int))
        and isinstance(found.invalid, bool)
    )
    return found if sound else None


def _texts(values: object) -> tuple[str, ...] | None:
    if values is None:
        return None
    if not isinstance(values, list) or not all(isinstance(one, str) for one in values):
        raise TypeError
    return tuple(values)


def license_line(expression: object, text: object) -> str | None:
    """Return the SPDX *expression*, else a short licence *text*."""
    for one in (expression, text):
        line = one.strip() if isinstance(one, str) else ""
        if line and "\n" not in line and len(line) <= 80:
            return one_line(line)
    return None


def license_classifiers(classifiers: object) -> tuple[str, ...]:
    """Return those of *classifiers* that name a licence, as far as they are text."""
    found = classifiers if isinstance(classifiers, list) else []
    return tuple(
        one_line(one, 120) for one in found if isinstance(one, str) and one.startswith("License ::")
    )


def extra_names(names: Iterable[str]) -> tuple[str, ...]:
    """Return those of *names* that can be the name of an extra, normalised (PEP 685)."""
    normal = (normal_name(one.strip()) for one in names)
    return tuple(one for one in normal if re.fullmatch(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?", one))

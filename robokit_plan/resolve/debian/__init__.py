"""Which Debian packages a robot needs beyond its base card; pure."""

from typing import TYPE_CHECKING, Any

from ._carried import carried_by, upstream_version
from ._problem import DebianAnswer, DebianProblem, DebianWant
from ._relation import RelationError, parse_relations
from ._version import compare_versions, version_fits, version_key

if TYPE_CHECKING:
    from ._base import base_card
    from ._resolve import resolve_debian

__all__ = [
    "DebianAnswer",
    "DebianProblem",
    "DebianWant",
    "RelationError",
    "base_card",
    "carried_by",
    "compare_versions",
    "parse_relations",
    "resolve_debian",
    "upstream_version",
    "version_fits",
    "version_key",
]


def __getattr__(name: str) -> Any:
    # The solver and what it imports are for questions whose answer is not known yet.
    if name == "base_card":
        from ._base import base_card

        return base_card
    if name == "resolve_debian":
        from ._resolve import resolve_debian

        return resolve_debian
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")

"""What a plugin's code says about itself, read as text and never run."""

from __future__ import annotations

from collections.abc import Mapping

from ._finding import LineComment
from ._origin import Origin, Text
from ._value import dataclass, field


@dataclass(frozen=True, kw_only=True, slots=True)
class PluginCode:
    """
    The Python files of one plugin's folder.

    Shape:
        `imports` top-level names of absolute imports, first use of each, sorted; `guarded` those
        that stand in a `try` which catches their absence, or are for type checkers alone;
        `modules` dotted name -> names bound at its top; `unread` files that do not parse, with
        the reason; `comments` those that speak to lint. Tests and caches are left out.
    """

    imports: tuple[Text, ...] = ()
    guarded: tuple[Text, ...] = ()
    modules: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    unread: tuple[tuple[Origin, str], ...] = ()
    comments: tuple[LineComment, ...] = ()
    complete: bool = True
    """False: there were more files than are read."""

    @property
    def own(self) -> frozenset[str]:
        """Top-level names that the plugin's folder itself provides."""
        return frozenset(name.partition(".")[0] for name in self.modules)

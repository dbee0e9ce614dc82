"""Regular expressions that are compiled when they are used first: most runs use a few of many."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

__all__ = ["late_pattern"]

if TYPE_CHECKING:
    from re import compile as late_pattern
else:

    class late_pattern:  # noqa: N801  stands for the function of the library
        """What `re.compile` returns, sooner; an attribute that was asked for stays at hand."""

        __slots__ = ("_asked", "findall", "finditer", "fullmatch", "match", "search", "sub")

        def __init__(self, pattern: str, flags: int = 0) -> None:
            self._asked = pattern, flags

        def __getattr__(self, name: str) -> Any:
            found = getattr(re.compile(*self._asked), name)
            if name in self.__slots__:
                setattr(self, name, found)
            return found

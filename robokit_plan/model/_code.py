"""What a plugin's code says about itself, read as text and never run."""

from __future__ import annotations

from collections.abc import Mapping

from ._finding import LineComment
from ._origin import Origin, Text
from ._value import dataclass, field

SECRET_MARKS = (
    "://", "-----BEGIN ", "ghp_", "gho_", "ghu_", "ghs_", "ghr_", "glpat-", "AKIA", "ASIA",
    "sk-", "sk_", "rk-", "rk_", "pk-", "pk_", "xox", "pypi-", "Bearer", "bearer", "eyJ",
)  # fmt: skip
"""Each shape of a secret that issuers publish holds one of these."""
_SECRET_WORDS = ("password", "passwd", "secret", "token", "key")


def may_hold_secret(text: str) -> bool:
    """
    Whether *text* holds a word that a secret would; most files hold none.

    >>> may_hold_secret("speed = 3"), may_hold_secret("TOKEN = ''")
    (False, True)
    """
    if any(mark in text for mark in SECRET_MARKS):
        return True
    # Folded, since a pattern that leaves case out of account takes other letters for these too.
    small = text.casefold()
    return any(word in small for word in _SECRET_WORDS)


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
    doubtful: tuple[tuple[str, str], ...] = ()
    """File -> its text, of those that hold a word which a secret would."""
    complete: bool = True
    """False: there were more files than are read."""

    @property
    def own(self) -> frozenset[str]:
        """Top-level names that the plugin's folder itself provides."""
        return frozenset(name.partition(".")[0] for name in self.modules)

"""Names and commands as a person writes them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence


def in_words(names: Sequence[str], last: str = "and") -> str:
    """
    Return *names* as a person lists them.

    >>> in_words(["helm", "sonar", "mast"])
    'helm, sonar and mast'
    """
    return "".join(names) if len(names) < 2 else f"{', '.join(names[:-1])} {last} {names[-1]}"


def disabling(names: Sequence[str]) -> str:
    """Return the one command that disables all of *names*."""
    return f"robokit-plan disable {' '.join(names)}"


def find_near(word: str, words: Iterable[str]) -> str | None:
    """Return the one of *words* that *word* was perhaps meant to be."""
    from difflib import get_close_matches

    found = get_close_matches(word, sorted(words), n=1, cutoff=0.7)
    return found[0] if found else None

"""The known word nearest to a misspelt one."""

from __future__ import annotations

from collections.abc import Iterable


def distance(left: str, right: str, limit: int = 3) -> int:
    """
    Return how many letters must be added, dropped, changed or swapped; *limit* + 1 if more.

    Optimal string alignment distance, the usual measure of typing slips.

    >>> distance("gipo", "gpio"), distance("adress", "address"), distance("pin", "signals")
    (1, 1, 4)
    """
    if abs(len(left) - len(right)) > limit:
        return limit + 1
    before: list[int] = []
    above = list(range(len(right) + 1))
    for i, a in enumerate(left, 1):
        row = [i]
        for j, b in enumerate(right, 1):
            cost = min(above[j] + 1, row[j - 1] + 1, above[j - 1] + (a != b))
            if i > 1 and j > 1 and a == right[j - 2] and left[i - 2] == b:
                cost = min(cost, before[j - 2] + 1)
            row.append(cost)
        if min(row) > limit:
            return limit + 1
        before, above = above, row
    return min(above[-1], limit + 1)


def find_nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word that *word* is most likely a slip of; None where none is near."""
    known = sorted(set(known))
    folded = _folded(word)
    longer = [one for one in known if len(folded) > 2 and one.startswith(folded)]
    if len(longer) == 1:
        return longer[0]
    best: tuple[int, str] | None = None
    for candidate in known:
        other = _folded(candidate)
        near = distance(folded[:64], other)
        allowed = 1 if len(other) <= 4 else 2 if len(other) <= 8 else 3
        # Half of a word in common is the least: `c` is no slip of `a`.
        if near <= allowed and 2 * near <= len(folded) and (best is None or near < best[0]):
            best = (near, candidate)
    return best[1] if best else None


def _folded(word: str) -> str:
    return word.lower().replace("_", "-").replace(" ", "-").strip("-")

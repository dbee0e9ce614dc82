"""The largest sets that keep a list of rules: a small exact search over bit masks."""

from __future__ import annotations

from robokit_plan.model import dataclass, field


class OutOfEffort(Exception):  # noqa: N818  control flow within this package
    """The search was stopped before it could tell."""


@dataclass(slots=True)
class Rules:
    """
    Rules over members 0 to `size` - 1, and the search for sets that keep them.

    Shape:
        each rule (`all_of`, `one_of`): a set that holds all of the first holds one of the second;
        nothing in the first: every set does; nothing in the second: no set holds all of the first.
    """

    size: int
    effort: int
    """Steps that may still be taken, over all calls; a measure that is the same everywhere."""
    rules: list[tuple[int, int]] = field(default_factory=list)
    _removed: int = 0

    def add(self, all_of: int, one_of: int = 0) -> None:
        """Add a rule."""
        if (all_of, one_of) not in self.rules:
            self.rules.append((all_of, one_of))

    def forbid_parts_of(self, found: int) -> None:
        """Let only sets through that are no part of *found*."""
        self.add(0, self.everyone & ~found)

    @property
    def everyone(self) -> int:
        """All members."""
        return (1 << self.size) - 1

    def largest(self) -> int | None:
        """
        Return a largest set that keeps all rules; None: there is none.

        Rules are only ever added, so no later answer is larger than an earlier one.

        Raises:
            OutOfEffort: It was not found within the effort.
        """
        while self._removed <= self.size:
            found = self._within(0, 0, self._removed)
            if found is not None:
                return found
            self._removed += 1
        return None

    def _within(self, inside: int, outside: int, room: int) -> int | None:
        """
        Return a set with at most *room* members left out; *inside* and *outside* are decided.

        Everything that is not outside is taken until a rule speaks against it; one of the
        members that the rule names has to go then, and each is tried once.
        """
        self.effort -= 1
        if self.effort < 0:
            raise OutOfEffort
        left = room - outside.bit_count()
        if left < 0:
            return None
        worst = -1
        fewest = self.size + 1
        apart = 0
        groups = 0
        for all_of, one_of in self.rules:
            if all_of & outside or one_of & ~outside:
                continue
            choices = all_of & ~inside
            count = choices.bit_count()
            if not count:
                return None
            if count < fewest:
                worst, fewest = choices, count
            if not choices & apart:
                # Broken rules without a common member cost a member each.
                apart |= choices
                groups += 1
        if worst < 0:
            return self.everyone & ~outside
        if groups > left:
            return None
        while worst:
            # The last by name goes first, so that earlier names stay where nothing else decides.
            highest = 1 << (worst.bit_length() - 1)
            worst ^= highest
            found = self._within(inside, outside | highest, room)
            if found is not None:
                return found
            inside |= highest
        return None

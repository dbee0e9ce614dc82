"""A call that cannot be carried out as it was made."""

from __future__ import annotations


class WrongUse(Exception):  # noqa: N818  named after what happened
    """The call cannot be carried out as typed (exit status 2)."""

    def __init__(self, message: str, *, why: str = "", repair: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.message = message
        self.why = why
        self.repair = repair

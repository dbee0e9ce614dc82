"""Rules about the lines of a header that signals are bound to."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from robokit_plan.model import (
    Backend,
    BoardId,
    Finding,
    Function,
    Manifest,
    OneWireClaim,
    Severity,
    SignalClaim,
    finding,
)

from ._hardware import claims

_ANYWHERE = frozenset({Function.INPUT, Function.OUTPUT, Function.IR_IN})
"""What every line of a header can do."""


def check_fixed_lines(manifest: Manifest) -> Iterator[Finding]:
    """A signal that any line can carry is not bound to one; the robot file binds it."""
    for claim in claims(manifest):
        if not isinstance(claim, SignalClaim) or claim.controller is not None:
            continue
        free = claim.function in _ANYWHERE or (
            claim.function is Function.SERVO and claim.backend is not Backend.KERNEL
        )
        if not free or claim.lines.any or len(claim.lines.options) != 1:
            continue
        name, line = claim.key.name, claim.lines.options[0]
        yield finding(
            "line-fixed",
            Severity.NOTE,
            f"{name} is bound to {line}, and any line can carry it",
            places=[claim.key.origin],
            why="two plugins that want one line go together only where one of them can move",
            repair=f"hardware: {{signals: {{{name}: {{gpio: any}}}}}}   in the manifest of "
            f"{manifest.plugin}; the robot file says wiring: {{{manifest.plugin}.{name}: {line}}}",
            plugins=[manifest.plugin],
            resource=line,
        )


def check_known_lines(
    manifest: Manifest, headers: Mapping[BoardId, frozenset[str]]
) -> Iterator[Finding]:
    """
    Some board that the plugin may run on has one of the lines that a claim may use.

    Args:
        manifest: The plugin.
        headers: Every known board -> its header's lines, in small letters.
    """
    boards = [one for one in manifest.boards if one in headers] or (
        list(headers) if not manifest.boards else []
    )
    if not boards:
        return  # boards that nobody here knows
    for claim in claims(manifest):
        if not isinstance(claim, (SignalClaim, OneWireClaim)):
            continue
        if claim.lines.any or not claim.lines.options:
            continue
        wanted = {one.casefold() for one in claim.lines.options}
        if any(not wanted.isdisjoint(headers[board]) for board in boards):
            continue
        names = ", ".join(claim.lines.options)
        section = "signals" if isinstance(claim, SignalClaim) else "one-wire"
        yield finding(
            "line-nowhere",
            Severity.ERROR,
            f"{claim.key.name} wants {names}, which "
            + (f"{boards[0]} has" if len(boards) == 1 else "no board has")
            + (" not on its header" if len(boards) == 1 else " on its header"),
            places=[claim.key.origin],
            why="lines are named as the SoC's documents name them, and header positions are not"
            " lines",
            repair=f"hardware: {{{section}: {{{claim.key.name}: {{gpio: any}}}}}}   in the "
            f"manifest of {manifest.plugin}",
            plugins=[manifest.plugin],
            resource=claim.lines.options[0],
        )

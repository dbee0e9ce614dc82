"""What a change does to each robot of a repository, in the form of a review comment."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

from robokit_plan.model import Finding, Plan, Severity, counted, dataclass, listed

from ._diff import Domain, Kind, PlanDiff, diff_plans
from ._diff_text import attention_markdown, folded, row_markdown
from ._findings import is_draft
from ._moved import findings_moved, gone_markdown, new_markdown
from ._plain import markdown

MAX_BYTES = 60_000
"""Of one comment; code hosts take 65,536 characters (from memory), and a job may add some."""

TOLD_ROBOTS = 60
"""More robots than this have no line of their own."""

_LEFT_OUT_BYTES = 600
"""Kept free, for every robot, for the words that say what was left out."""

_RANK = (
    "attention",
    "new findings",
    "findings gone",
    Domain.PLUGINS.value,
    Domain.LINES.value,
    Domain.BOOT.value,
    Domain.MACHINE.value,
    Domain.POWER.value,
    Domain.SIZE.value,
    Domain.PYTHON.value,
    Domain.DEBIAN.value,
)
"""What is kept first where not all fits."""


@dataclass(frozen=True, kw_only=True, slots=True)
class RobotReview:
    """
    One robot, or one profile of it, on both sides of a change.

    `folder` from the top of the repository, "" there; `touched` names its plugins that the change
    touches. A side is None where there is no such robot; `unread` says why the new one cannot be
    planned. `calls` shows the whole: what to type.
    """

    robot: str
    profile: str | None
    folder: str
    touched: tuple[str, ...]
    before: Plan | None
    after: Plan | None
    unread: tuple[Finding, ...] = ()
    call: str

    @property
    def ok(self) -> bool:
        """Whether the new side can be built, or is meant to be none."""
        return not self.unread and (self.after is None or self.after.ok)

    @property
    def title(self) -> str:
        """The robot's name, with the profile."""
        return self.robot if self.profile is None else f"{self.robot} ({self.profile})"


def render_review_markdown(
    reviews: Sequence[RobotReview], *, looked_at: int, limit: int = MAX_BYTES
) -> str:
    """
    Return the comment: a line for each robot, then what changes for it.

    Args:
        reviews: The robots that the change touches, in the order of the comment.
        looked_at: How many robots the repository has.
        limit: Of the comment in bytes of UTF-8; what does not fit is counted, and the call that
            shows it is named.
    """
    if not reviews:
        return (
            f"**This change touches no robot.** {counted(looked_at, 'robot').capitalize()} of "
            "this repository looked at.\n"
        )
    head = "\n".join(_overview(reviews, looked_at)) + "\n"
    shown = reviews[:TOLD_ROBOTS]
    sections = [_Section(one) for one in shown]
    free = limit - _size(head) - sum(_size(one.head) + _LEFT_OUT_BYTES for one in sections)
    for rank in _RANK:
        for section in sections:
            free = section.take(rank, free)
    return "\n".join([head, *(one.text() for one in sections)])


def _overview(reviews: Sequence[RobotReview], looked_at: int) -> Iterator[str]:
    touched = len({one.folder for one in reviews})
    yield f"**This change touches {touched} of {counted(looked_at, 'robot')}**"
    yield ""
    yield "| robot | before | after | errors | warnings | needs |"
    yield "|---|---|---|---|---|---|"
    for one in reviews[:TOLD_ROBOTS]:
        kinds = dict.fromkeys(each.kind.value for each in _diff(one).attention)
        cells = (
            markdown(one.title),
            _verdict(one.before, ()),
            _verdict(one.after, one.unread),
            _counts(one, Severity.ERROR),
            _counts(one, Severity.WARNING),
            listed([kind.value for kind in Kind if kind.value in kinds]) or "nothing",
        )
        yield f"| {' | '.join(cells)} |"
    if len(reviews) > TOLD_ROBOTS:
        yield ""
        yield f"{counted(len(reviews) - TOLD_ROBOTS, 'robot')} more left out for length."


def _verdict(plan: Plan | None, unread: tuple[Finding, ...]) -> str:
    if plan is None:
        return "**cannot be read**" if unread else "none"
    if is_draft(plan):
        return "**a draft**, levels to measure"
    return "can be built" if plan.ok else "**cannot be built**"


def _counts(one: RobotReview, severity: Severity) -> str:
    sides = [
        str(sum(each.severity is severity for each in findings))
        for findings in (_findings(one.before), _findings(one.after) or one.unread)
    ]
    return sides[0] if sides[0] == sides[1] else f"{sides[0]} → {sides[1]}"


def _findings(plan: Plan | None) -> tuple[Finding, ...]:
    return () if plan is None else plan.findings


def _diff(one: RobotReview) -> PlanDiff:
    if one.after is None:
        return PlanDiff(robot=one.robot, rows=(), attention=())
    return diff_plans(one.before, one.after)


@dataclass(slots=True)
class _Block:
    """A table or a list: `head` stands before its rows, and only with one of them at least."""

    head: str
    rows: list[str]
    kept: int = 0

    def text(self) -> str:
        return self.head + "".join(f"{row}\n" for row in self.rows[: self.kept])


class _Section:
    """One robot's part of the comment."""

    def __init__(self, review: RobotReview) -> None:
        where = f" in {markdown(review.folder)}" if review.folder else ""
        touched = ", ".join(map(markdown, review.touched[:TOLD_ROBOTS])) or "its robot file"
        self.head = f"### {markdown(review.title)}{where}\n\ntouched: {touched}\n"
        self._call = review.call
        self._blocks = dict(_blocks(review))

    def take(self, name: str, free: int) -> int:
        """Keep as many rows of the block *name* as *free* bytes hold; return what is left."""
        block = self._blocks.get(name)
        if block is None:
            return free
        cost = _size(block.head) + 1
        for row in block.rows:
            if free - cost - _size(row) - 1 < 0:
                break
            cost += _size(row) + 1
            block.kept += 1
        return free - cost if block.kept else free

    def text(self) -> str:
        parts = [self.head]
        parts += [block.text() for block in self._blocks.values() if block.kept]
        lacking = [
            f"{counted(len(block.rows) - block.kept, 'row')} of {name}"
            for name, block in self._blocks.items()
            if block.kept < len(block.rows)
        ]
        if not self._blocks:
            parts.append("Nothing changes.\n")
        if lacking:
            parts.append(f"Left out for length: {listed(lacking)}; {markdown(self._call)}\n")
        return "\n".join(parts)


def _blocks(review: RobotReview) -> Iterator[tuple[str, _Block]]:
    """Yield what there is to say, in the order of a comment."""
    diff = _diff(review)
    if diff.attention:
        yield "attention", _Block("", [attention_markdown(one) for one in diff.attention])
    new, gone = findings_moved(_findings(review.before), review.unread or _findings(review.after))
    prefix = f"{review.folder}/" if review.folder else ""
    if new:
        yield "new findings", _Block(*new_markdown(new, prefix))
    if gone and not review.unread:
        yield "findings gone", _Block(*gone_markdown(gone))
    for domain, rows in groupby(folded(diff.rows), key=lambda row: row.domain):
        head = f"**{domain.value}**\n\n| item | now | after | because of |\n|---|---|---|---|\n"
        yield domain.value, _Block(head, [row_markdown(row) for row in rows])


def _size(text: str) -> int:
    return len(text.encode("utf-8", "surrogatepass"))

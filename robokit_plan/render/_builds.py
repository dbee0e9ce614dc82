"""What a robot builds itself, and what of it a card brings built, in a sentence."""

from __future__ import annotations

from collections.abc import Mapping

from robokit_plan.model import (
    DistributionName,
    SourceBuild,
    counted,
    dataclass,
    field,
    listed,
    span_text,
)

from ._plain import plain


@dataclass(frozen=True, kw_only=True, slots=True)
class CarriedBuilds:
    """
    The source archives of a plan, and which of them a card brings built.

    `carried` keys of `builds`; `minutes` distribution -> about how long a small board builds it,
    where that is known.
    """

    builds: tuple[SourceBuild, ...] = ()
    carried: frozenset[str] = frozenset()
    minutes: Mapping[DistributionName, int] = field(default_factory=dict)

    @property
    def left(self) -> tuple[SourceBuild, ...]:
        """What the board builds."""
        return tuple(one for one in self.builds if one.key not in self.carried)


def render_builds(carried: CarriedBuilds) -> str:
    """
    Return what the board builds, as one sentence without a line break.

    >>> from robokit_plan.model import DistributionName
    >>> spidev = SourceBuild(name=DistributionName("spidev"), version="3.8", filename="", key="a")
    >>> render_builds(CarriedBuilds(builds=(spidev,)))
    'the board builds spidev 3.8'
    >>> render_builds(CarriedBuilds(builds=(spidev,), carried=frozenset("a")))
    'nothing is built on the board: 1 source archive comes built'
    """
    total, left = len(carried.builds), carried.left
    if not total:
        return "nothing is built on the board"
    if not left:
        come = "comes" if total == 1 else "come"
        return f"nothing is built on the board: {counted(total, 'source archive')} {come} built"
    names = listed([_named(one, carried.minutes.get(one.name)) for one in left])
    told = f"the board builds {names}"
    if not carried.carried:
        return told
    come = "comes" if total - len(left) == 1 else "come"
    return f"{total - len(left)} of {counted(total, 'source archive')} {come} built; {told}"


def _named(build: SourceBuild, minutes: int | None) -> str:
    name = plain(f"{build.name} {build.version}")
    return name if minutes is None else f"{name} (about {span_text(minutes)} on a small board)"

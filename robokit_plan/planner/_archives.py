"""Which archives the card knows, and what is known of its image."""

from __future__ import annotations

import re
from collections.abc import Iterator

from robokit_plan.model import (
    Finding,
    Place,
    PlannedSource,
    Robot,
    Severity,
    finding,
    is_archive_address,
    is_keyring,
)
from robokit_plan.resolve.debian import DebianAnswer

from ._problem import Problem

PLAIN_IMAGE, MAKERS_IMAGE = "debian", "vendor"
"""Words of `system.image` (schemas/robot.schema.json); any other names a status file."""


DEBIAN_COMPONENTS = ("main", "contrib", "non-free", "non-free-firmware")


DEBIAN_KEYRING = "/usr/share/keyrings/debian-archive-keyring.gpg"
"""Of the package debian-archive-keyring, Debian 12 and 13."""


def knows_base(robot: Robot) -> bool:
    """Whether it is known what the fresh card carries."""
    return robot.system.base is not None or robot.system.image == PLAIN_IMAGE


def image_findings(problem: Problem) -> Iterator[Finding]:
    """Say what is not known of the image that the card gets."""
    robot, board = problem.robot, problem.board
    image = robot.system.image
    place = robot.system.places.get("image") or robot.places.get("system", robot.origin)
    if image == MAKERS_IMAGE and image not in board.boot:
        yield finding(
            "image-unknown",
            Severity.WARNING,
            f"no image of the maker of {board.id} is known",
            places=[Place(origin=place)],
            why="how it names buses and switches them on, and what its card carries, is not known",
            repair="system: {image: debian}   in robot.yaml",
        )
    elif not knows_base(robot):
        yield finding(
            "image-unknown",
            Severity.NOTE,
            f"what the image {image} carries is not known; the plan adds to plain Debian's card",
            places=[Place(origin=place)],
            why=[
                "what the card has besides is not seen: neither what need not be fetched, nor what "
                "conflicts with the plan",
                "packages that only its maker's archive has come from `sources` of `system`",
            ],
            repair="system: {base: card.status}   in robot.yaml, after "
            "scp ROBOT:/var/lib/dpkg/status card.status",
        )


def key_findings(problem: Problem) -> Iterator[Finding]:
    """
    Say which archives the robot's apt would refuse, since their key cannot be carried to it.

    Source:
        sources.list(5), Signed-By; apt-secure(8).
    """
    for one in problem.robot.system.sources:
        key = one.signed_by
        if key is None or is_keyring(key) or one.name in problem.source_keys:
            continue
        yield finding(
            "source-key-missing",
            Severity.ERROR,
            f"{key}, the key of archive {one.name}, is no file in the robot's folder",
            places=[Place(origin=one.origin)],
            why="the script carries the key from there, and apt refuses an archive whose key it "
            "does not know",
            repair=f"put the key that the archive's makers publish at {key}, beside the robot file",
            resource=one.name,
        )


def suites_of(debian: DebianAnswer | None) -> tuple[str, ...]:
    """Return the suites of Debian itself that something is taken from."""
    return tuple(sorted({pin.suite for pin in debian.pins if not pin.source} if debian else ()))


def sources_of(problem: Problem, suites: tuple[str, ...]) -> tuple[PlannedSource, ...]:
    """Return the archives that the robot's apt must know: declared ones, and a dated one."""
    system = problem.robot.system
    found = [
        PlannedSource(
            name=one.name,
            url=one.url,
            suites=one.suites,
            components=one.components,
            key=problem.source_keys.get(one.name, ""),
            keyring=one.signed_by if one.signed_by and is_keyring(one.signed_by) else None,
            priority=one.priority,
            only=one.only,
        )
        for one in system.sources
        if is_archive_address(one.url)
    ]
    dated = system.dated_archive
    if dated is not None and is_archive_address(dated):
        security = [one for one in suites if one.endswith("-security")]
        main = [one for one in suites if one not in security]
        beside = re.sub(r"/debian(?=/\d{8}T\d{6}Z/?$|/?$)", "/debian-security", dated)
        found += [
            PlannedSource(
                name=name,
                url=url,
                suites=tuple(some),
                components=DEBIAN_COMPONENTS,
                keyring=DEBIAN_KEYRING,
                dated=True,
            )
            for name, url, some in (
                ("debian-snapshot", dated, main),
                ("debian-snapshot-security", beside, security),
            )
            if some
        ]
    return tuple(sorted(found, key=lambda one: one.name))

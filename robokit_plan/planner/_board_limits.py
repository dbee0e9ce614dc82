"""What the robot file says of a machine that this board cannot be."""

from __future__ import annotations

from collections.abc import Iterator

from robokit_plan.model import Finding, Place, Severity, finding, listed

from ._archives import MAKERS_IMAGE, PLAIN_IMAGE
from ._problem import Problem

_WORDS = {"armv6": "ARMv6", "armv7": "ARMv7", "armv8": "ARMv8"}


def board_limit_findings(problem: Problem) -> Iterator[Finding]:
    """Yield what keeps the board from running the system at all, or from having its memory."""
    yield from _architecture(problem)
    yield from _kernel(problem)
    yield from _memory(problem)


def _architecture(problem: Problem) -> Iterator[Finding]:
    """
    Yield that the cores do not run the packages' instructions.

    Source:
        Debian's ports: arm64 needs ARMv8-A in its 64-bit state, armhf ARMv7-A with VFPv3-D16
        (Debian 13 release notes, chapter "Supported architectures"; wiki.debian.org,
        ArmHardFloatPort). A maker's rebuild of armhf for ARMv6 comes from a mirror of its own.
    """
    robot, board = problem.robot, problem.board
    system = robot.system
    place = Place(origin=system.places.get("architecture", robot.places.get("board", robot.origin)))
    if board.isa is None or board.isa == "armv8":
        return
    core = f"the cores of {board.id} are {_WORDS[board.isa]}"
    if system.architecture == "arm64":
        yield finding(
            "architecture-unfit",
            Severity.ERROR,
            f"{board.id} does not run arm64",
            places=[place],
            why=f"{core}, with 32 bits; arm64 needs 64-bit ARMv8 cores",
            repair="system: {architecture: armhf}   in robot.yaml"
            if board.isa == "armv7"
            else 'system: {architecture: armhf, image: vendor, mirror: "https://mirror.example/armv6"}'
            "   in robot.yaml, with the archive of the maker's 32-bit image",
            resource="architecture",
        )
    elif board.isa == "armv6" and (system.image != MAKERS_IMAGE or system.mirror is None):
        yield finding(
            "architecture-unfit",
            Severity.ERROR,
            f"{board.id} does not run Debian's armhf",
            places=[place],
            why=f"{core}; Debian builds armhf for ARMv7 and newer, so its programs stop at an "
            "illegal instruction",
            repair='system: {image: vendor, mirror: "https://mirror.example/armv6"}'
            "   in robot.yaml, with the archive of the maker's 32-bit image",
            resource="architecture",
        )


def _kernel(problem: Problem) -> Iterator[Finding]:
    """
    Yield that plain Debian's kernel of the release does not know the board.

    A kernel from backports may: where the robot reads them nothing is said.
    """
    robot, board = problem.robot, problem.board
    system = robot.system
    trees = board.kernel_trees
    if system.image != PLAIN_IMAGE or system.release not in trees:
        return
    if any(suite.endswith("-backports") for suite in system.suites):
        return
    if system.architecture in trees[system.release]:
        return
    others = sorted(
        (release, architecture)
        for release, known in trees.items()
        for architecture in known
        if release != system.release or architecture != system.architecture
    )
    others.sort(key=lambda one: (one[1] != system.architecture, one[0]))
    choices = [
        f"system: {{release: {release}, architecture: {architecture}}}   in robot.yaml"
        for release, architecture in others
    ]
    if MAKERS_IMAGE in board.boot:
        choices.append(f"system: {{image: {MAKERS_IMAGE}}}   in robot.yaml, with the maker's image")
    yield finding(
        "kernel-tree-missing",
        Severity.ERROR,
        f"the kernel of plain {system.release} for {system.architecture} does not know {board.id}",
        places=[
            Place(origin=system.places.get("release", robot.places.get("board", robot.origin)))
        ],
        why="it has no device tree for the board, without which the board does not start"
        + (
            f"; {listed([f'{release} for {architecture}' for release, architecture in others])} "
            f"{'has' if len(others) == 1 else 'have'} one"
            if others
            else ", nor has that of another release"
        ),
        repair=choices,
        resource="kernel",
    )


def _memory(problem: Problem) -> Iterator[Finding]:
    robot, sizes = problem.robot, problem.board.memory_sizes_mb
    said = robot.system.memory_mb
    if said is None or not sizes or said <= sizes[-1]:
        return
    sold = " or ".join(part for part in (", ".join(map(str, sizes[:-1])), str(sizes[-1])) if part)
    yield finding(
        "memory-impossible",
        Severity.ERROR,
        f"{problem.board.id} is not sold with {said} MB of memory",
        places=[Place(origin=robot.system.places.get("memory-mb", robot.origin))],
        why=f"it is sold with {sold} MB; what is planned for more does not fit",
        repair=f"system: {{memory-mb: {sizes[-1]}}}   in robot.yaml, or what yours has",
        resource="memory",
    )

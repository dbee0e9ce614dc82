"""The machine that the plan is for, in the words of PEP 425, 508 and 600."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

from packaging.tags import compatible_tags, cpython_tags

from robokit_plan.model import MachineFact, PythonFacts, ReleaseFact, Target


class UnknownTargetError(LookupError):
    """No fact about this release or architecture; `asked` and `known` say which there are."""

    def __init__(self, asked: str, known: tuple[str, ...]) -> None:
        self.asked = asked
        self.known = known
        super().__init__(asked)

    def __str__(self) -> str:
        return f"nothing is known about {self.asked!r}; known: {', '.join(self.known)}"


def _platforms(machine: MachineFact, release: ReleaseFact) -> Iterator[str]:
    """Yield platform tags, best first: linux, then manylinux from its glibc down."""
    yield f"linux_{machine.machine}"
    major, newest = release.glibc
    for minor in range(newest, machine.oldest_glibc[1] - 1, -1):
        yield f"manylinux_{major}_{minor}_{machine.machine}"
        alias = machine.legacy.get((major, minor))
        if alias is not None:
            yield f"{alias}_{machine.machine}"


@lru_cache(maxsize=16)
def _tags(python: tuple[int, int], platforms: tuple[str, ...]) -> tuple[str, ...]:
    nodot = f"cp{python[0]}{python[1]}"
    # With abis and platforms given, neither function looks at the interpreter that runs it.
    found = [
        *cpython_tags(python_version=python, abis=[nodot], platforms=platforms),
        *compatible_tags(python_version=python, interpreter=nodot, platforms=platforms),
    ]
    return tuple(str(tag) for tag in found)


def target_for(
    release: str, architecture: str, image: str, python: str | None, facts: PythonFacts
) -> Target:
    """
    Return the target with its tags, best first, and its complete marker environment.

    Args:
        release: ``debian-13``.
        architecture: Debian's name, ``arm64``.
        image: As in the robot file; kept, changes nothing here.
        python: ``3.13``; None: the release's own.
        facts: Pythons and C libraries by release, machines by architecture.

    Raises:
        UnknownTargetError: The facts lack the release or the architecture.

    Source:
        PEP 425 (tags), PEP 600 and its predecessors (manylinux), PEP 508 (markers); the order
        is that of `packaging.tags`, which installers share.
    """
    known_release = facts.releases.get(release)
    if known_release is None:
        raise UnknownTargetError(release, tuple(sorted(facts.releases)))
    machine = facts.machines.get(architecture)
    if machine is None:
        raise UnknownTargetError(architecture, tuple(sorted(facts.machines)))
    own = ".".join(known_release.python.split(".")[:2])
    short = python or own
    major, minor = (int(part) for part in short.split(".")[:2])
    # Another Python than the release's own has no known patch level: its first one is the
    # cautious reading, since `python_full_version >= ...` then asks for no more than there is.
    full = known_release.python if short == own else f"{major}.{minor}.0"
    return Target(
        release=release,
        image=image,
        architecture=architecture,
        python=f"{major}.{minor}",
        tags=_tags((major, minor), tuple(_platforms(machine, known_release))),
        markers={
            "implementation_name": "cpython",
            "implementation_version": full,
            "os_name": "posix",
            "platform_machine": machine.machine,
            "platform_python_implementation": "CPython",
            "platform_release": "",
            "platform_system": "Linux",
            "platform_version": "",
            "python_full_version": full,
            "python_version": f"{major}.{minor}",
            "sys_platform": "linux",
        },
    )

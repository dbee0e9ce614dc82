"""What a lock file holds and `--upgrade` lets go, and what the environment sees of Debian."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from robokit_plan.app.session import problem_of
from robokit_plan.edge.reading import read_robot
from tests.casebook import plan_of, write_case

STANZA = """\
Package: {name}
Version: {version}
Architecture: arm64
Filename: pool/{name}_{version}.deb
Size: 1000
SHA256: 1111111111111111111111111111111111111111111111111111111111111111
"""
CASE = {
    "plugins": {
        "horn": "debian: {packages: [tooter, piper]}\npython: {requires: [ping, pong]}\n",
    },
    "debian": "\n".join(
        STANZA.format(name=name, version=version)
        for name in ("tooter", "piper", "python3-venv", "ca-certificates")
        for version in ("1", "2")
    ),
    "python": {
        name: [{"file": f"{name}-{version}.0-py3-none-any.whl"} for version in (1, 2)]
        for name in ("ping", "pong")
    },
}


@pytest.mark.parametrize(
    ("upgrade", "moved"),
    [
        (None, set()),
        (frozenset({"tooter"}), {"tooter"}),
        (frozenset({"ping"}), {"ping"}),
        (frozenset(), {"tooter", "piper", "python3-venv", "ca-certificates", "ping", "pong"}),
    ],
)
def test_only_what_is_named_moves(
    upgrade: frozenset[str] | None, moved: set[str], tmp_path: Path
) -> None:
    """A locked version stays although a newer one is there, unless --upgrade names it."""
    write_case(CASE, tmp_path)
    problem = problem_of(read_robot(tmp_path), upgrade=upgrade)
    new = plan_of(problem, CASE)
    old = replace(
        new,
        python=tuple(replace(one, version="1.0") for one in new.python),
        debian=tuple(replace(one, version="1") for one in new.debian),
    )
    plan = plan_of(replace(problem, locked=old), CASE)
    versions = {str(one.name): one.version for one in plan.python}
    versions |= {str(one.name): one.version for one in plan.debian}
    assert {name for name, version in versions.items() if version.startswith("2")} == moved
    assert plan.ok


@pytest.mark.parametrize(
    ("package", "seen"),
    [
        ("python3-libgpiod", True),
        ("python3-of-a-vendor", True),  # not known, so it may bring one
        ("python3-dev", False),
        ("python3-venv", False),
        ("mosquitto", False),
        ("mosquitto, python3-libgpiod", True),  # one of them is enough
    ],
)
def test_the_environment_sees_debians_modules_where_one_is_asked_for(
    package: str, seen: bool, tmp_path: Path
) -> None:
    """Tools that are only named like modules do not open the environment."""
    case = {
        "plugins": {"horn": f"debian: {{packages: [{package}]}}\n"},
        "debian": "\n".join(STANZA.format(name=one, version="1") for one in package.split(", ")),
    }
    write_case(case, tmp_path)
    plan = plan_of(problem_of(read_robot(tmp_path)), case)
    assert plan.ok
    assert plan.system_packages is seen

"""
The install set against pip itself, over the index that pip is configured for.

Three ways: pip of this machine for this machine; pip of this machine, told about the target (it reads
markers of the machine that runs it, so that differences in those are excused); pip inside an emulated
arm64 root, for that root.

``ROBOKIT_PLAN_PIP_SETS=all pytest -m "live or root" -s tests/resolve/python/test_python_against_pip.py``
asks about all sets of tests/cases/pip/sets.yaml and 200 drawn ones, and lists each that is not identical. A number asks
about so many of either kind (default 4, in the emulated root 2), ``117-199`` about these of all, so that a long run
can be taken up again; ROBOKIT_PLAN_PIP_SEED draws other ones.
"""

from __future__ import annotations

import json
import os
import platform
import shutil
import subprocess
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from importlib.metadata import version
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

from robokit_plan.edge.cache import Cache
from robokit_plan.edge.python_index import PythonIndexes, index_settings
from robokit_plan.model import Target
from robokit_plan.resolve.python import PythonAnswer
from tests.real.roots import environment

from .fake_python_index import BOOKWORM, TRIXIE, versions
from .pip_oracle import LOOP, SETS, Pip, Verdict, drawn, errors, host_target, judged, ours
from .pip_relay import Relay
from .pip_root import pip_root

pytestmark = [pytest.mark.live, pytest.mark.timeout(0)]  # asked for "all", it takes hours
ASKED = os.environ.get("ROBOKIT_PLAN_PIP_SETS", "4")
SEED = int(os.environ.get("ROBOKIT_PLAN_PIP_SEED", "1"))
DRAWN = 200
EMULATED = os.environ.get("ROBOKIT_PLAN_PIP_SETS", "2")
EMULATED_LONGEST_S = "150"
"""After that pip is asked no longer: hundreds of releases tried in turn take an hour there."""
QUIET = ("--quiet", "--disable-pip-version-check")
RELAYED = ("--no-cache-dir", "--retries=0")
FOR_TARGETS = [tuple(one) for one in SETS["robot"]][:5]


@pytest.fixture(scope="module")
def environ() -> Mapping[str, str]:
    """Return an environment in which pip and we ask one index, and read nothing else."""
    settings = index_settings((), os.environ)
    found = {name: value for name, value in os.environ.items() if not name.startswith("PIP_")}
    found |= {"PIP_CONFIG_FILE": os.devnull, "PIP_INDEX_URL": settings.indexes[0].url}
    if "PIP_CERT" in os.environ:
        found["PIP_CERT"] = os.environ["PIP_CERT"]
    return found


@pytest.fixture(scope="module")
def indexes(
    environ: Mapping[str, str], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[PythonIndexes]:
    cache = Cache(tmp_path_factory.mktemp("cache") / "cache.sqlite")
    with PythonIndexes(index_settings((), environ, files=()), cache) as found:
        yield found
    cache.close()


def _sets(indexes: PythonIndexes, target: Target, asked: str = ASKED) -> Iterator[tuple[str, ...]]:
    """Yield the sets to ask about: those of robots, then drawn ones."""
    robot: Sequence[Sequence[str]] = SETS["robot"]
    whole = range(len(robot) + DRAWN)
    if "-" in asked:
        first, last = map(int, asked.split("-"))
        numbers = [*whole[first : last + 1]]
    elif asked == "all":
        numbers = [*whole]
    else:
        numbers = [*range(len(robot))[: int(asked)], *whole[len(robot) :][: int(asked)]]
    for number in numbers:
        if number < len(robot):
            yield tuple(robot[number])
        else:
            yield drawn(indexes, target, SEED, number - len(robot))


def _listed(verdicts: Iterable[Verdict]) -> list[str]:
    """Show each verdict that is not plain agreement; return those that say that we are wrong."""
    kinds: dict[str, int] = {}
    wrong = []
    for one in verdicts:
        kinds[one.kind] = kinds.get(one.kind, 0) + 1
        if one.kind != "identical":
            print(f"  {one}", flush=True)  # noqa: T201  shown with -s
        if one.wrong:
            wrong.append(str(one))
    print(kinds)  # noqa: T201  shown with -s
    return wrong


def test_on_this_machine(
    indexes: PythonIndexes, environ: Mapping[str, str], tmp_path: Path
) -> None:
    """pip for itself; wheels alone, since an sdist would run its maker's code here."""
    target = host_target()
    command = [sys.executable, str(LOOP)]
    options = (*QUIET, "--only-binary=:all:", f"--cache-dir={tmp_path}")
    with Pip(command, environ, *options) as pip:
        wrong = _listed(judged(indexes, target, pip, one) for one in _sets(indexes, target))
    assert wrong == []


def test_the_relay_changes_no_answer(
    indexes: PythonIndexes, environ: Mapping[str, str], tmp_path: Path
) -> None:
    """
    What the emulated pip asks, and what it keeps between its runs, against pip alone with the index.

    Of this machine; each set has a pip of its own on the one side, one for all on the other.
    """
    target = host_target()
    sets = [*_sets(indexes, target)]
    some = sets[:: max(1, len(sets) // 30)]
    command = [sys.executable, str(LOOP)]
    options = (*QUIET, "--only-binary=:all:", f"--cache-dir={tmp_path}")
    with (
        Relay(indexes.settings, platform.machine()) as relay,
        Pip(
            command,
            {**environ, "PIP_INDEX_URL": relay.url},
            *QUIET,
            *RELAYED,
            "--only-binary=:all:",
        ) as one,
    ):
        for asked in some:
            with Pip(command, environ, *options) as alone:
                assert _told(one.ask(asked)) == _told(alone.ask(asked)), asked


def _told(said: Mapping[str, str] | str) -> object:
    """Return what pip chose; of a refusal the lines that say why."""
    if isinstance(said, str):
        return [line for line in said.splitlines() if line.startswith("ERROR: ")]
    return dict(said)


@pytest.mark.root
@pytest.mark.parametrize(
    ("release", "target"),
    [("debian-12", BOOKWORM), ("debian-13", TRIXIE)],
    ids=lambda one: str(one)[:9],
)
def test_in_an_emulated_root(
    release: str, target: Target, indexes: PythonIndexes, environ: Mapping[str, str], tmp_path: Path
) -> None:
    """pip inside Debian for arm64, sdists where no wheel fits: the design's policy of choice."""
    root = pip_root(release, tmp_path / "root")
    shutil.copy(LOOP, root.path / "tmp/pip_loop.py")
    command = root.command("exec /tmp/venv/bin/python /tmp/pip_loop.py")
    inside = {
        key: value
        for key, value in environment(root.path).items()
        if not key.lower().endswith("_proxy")
    }
    inside["PIP_LOOP_LONGEST_S"] = EMULATED_LONGEST_S
    with (
        Relay(indexes.settings, "aarch64") as relay,
        Pip(
            command, {**inside, "PIP_INDEX_URL": relay.url}, *QUIET, *RELAYED, "--prefer-binary"
        ) as pip,
    ):
        sets = _sets(indexes, target, EMULATED)
        wrong = _listed(judged(indexes, target, pip, one) for one in sets)
    assert wrong == []


@pytest.fixture(scope="module")
def _a_pip_that_plans_for_others() -> None:
    """Refuse a pip that compares `Requires-Python` with its own Python (24.0 did, measured)."""
    assert Version(version("pip")) >= Version("24.3"), "install the `check` extra: pip is too old"


@pytest.mark.usefixtures("_a_pip_that_plans_for_others")
@pytest.mark.parametrize("target", [BOOKWORM, TRIXIE], ids=["debian-12", "debian-13"])
@pytest.mark.parametrize("asked", FOR_TARGETS, ids=" ".join)
def test_for_the_target(
    indexes: PythonIndexes,
    environ: Mapping[str, str],
    target: Target,
    asked: tuple[str, ...],
    tmp_path: Path,
) -> None:
    answer = ours(indexes, target, asked)
    theirs = _pips(target, asked, environ, tmp_path)
    if isinstance(theirs, str):
        assert errors(answer) or any(not pin.is_wheel for pin in answer.pins), theirs
        return
    assert errors(answer) == []
    chosen = versions(answer)
    different = {name for name in {*chosen, *theirs} if chosen.get(name) != theirs.get(name)}
    # The one excuse: a marker that pip has read for the machine that it runs on.
    assert different <= _of_the_machine(indexes, answer), (chosen, theirs)


def _pips(
    target: Target, asked: tuple[str, ...], environ: Mapping[str, str], folder: Path
) -> dict[str, str] | str:
    """Return pip's versions for the target, or its last words where it finds none."""
    nodot = target.python.replace(".", "")
    platforms = dict.fromkeys(tag.split("-")[2] for tag in target.tags)
    platforms.pop("any")
    report = folder / "report.json"
    command = [
        sys.executable, "-m", "pip", "install", "--dry-run", "--ignore-installed", "--quiet",
        "--only-binary=:all:", "--prefer-binary", "--disable-pip-version-check",
        "--implementation", "cp", "--python-version", target.markers["python_full_version"],
        *(f"--abi={abi}" for abi in (f"cp{nodot}", "abi3", "none")),
        *(f"--platform={platform}" for platform in platforms),
        "--target", str(folder / "target"), "--report", str(report), *asked,
    ]  # fmt: skip
    done = subprocess.run(
        command, capture_output=True, text=True, check=False, timeout=500, env=dict(environ)
    )
    if done.returncode:
        return done.stderr
    return {
        canonicalize_name(one["metadata"]["name"]): one["metadata"]["version"]
        for one in json.loads(report.read_text())["install"]
    }


def _of_the_machine(indexes: PythonIndexes, answer: PythonAnswer) -> set[str]:
    """Return names asked for under a marker that another machine or Python may read differently."""
    rows = indexes.fetch((), [pin.file for pin in answer.pins]).metadata.values()
    words = ("python_", "machine", "platform_", "implementation")
    asked = [Requirement(line) for row in rows for line in row.requires_dist or ()]
    return {
        canonicalize_name(one.name)
        for one in asked
        if one.marker is not None
        and "extra" not in str(one.marker)
        and any(word in str(one.marker) for word in words)
    }

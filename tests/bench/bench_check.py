"""
Time whole processes: what a builder waits for, beside pip and apt doing their part of it.

Run with ``python -m tests.bench.bench_check [--runs N] [--alone]``.
Asks the indices that pip and apt of this machine are configured for, and for robots of other sizes
made ones on its loopback. Prints a table (medians of wall clock and of processor seconds, the least
of these, peak memory) and how the aims fare, in processor seconds, which other work on the machine
changes least; nothing is asserted, since machines differ.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any

from robokit_plan.edge._debian_apt_config import read_apt_settings, read_apt_sources
from robokit_plan.edge.debian_archive import DebianReader, debian_archive
from robokit_plan.model import DebianPackage, Need, System
from robokit_plan.resolve.debian import DebianProblem, resolve_debian
from tests.bench.generated import distribution_name, plugin_name, write_library
from tests.bench.served import SENSOR, change_requirement, served, write_robot
from tests.resolve.debian.small_archive import PrivateApt

SAMPLE = Path(__file__).resolve().parents[2] / "sample_robot"
TOGGLED = "air-probe"
REFUSED = "time-beacon"
"""Plugins of the sample robot that are not enabled: one that fits, one that conflicts."""
TOOL = (sys.executable, "-c", "from robokit_plan.cli import main; main()")
LIBRARY = 1_000
"""Plugins of the generated library."""
SIZES = (10, 50, 200, 500)
"""Python requirements of made robots, beside the one that each plugin has."""
IN_REACH = 300
"""Plugins in reach of a made robot that enables ten."""
BARE_YAML = """
import glob, yaml
for name in glob.glob("plugins/*/manifest.yaml"):
    with open(name, encoding="utf-8") as file:
        yaml.load(file.read(), Loader=yaml.CSafeLoader)
"""
CODENAME = "trixie"
GLIBC_MINOR = 41
"""glibc 2.41 is that of Debian 13; pip takes every platform tag one by one."""


@dataclass(frozen=True, kw_only=True)
class Measured:
    """Runs of one command; seconds of wall clock and of processor, bytes of memory."""

    name: str
    wall_s: tuple[float, ...]
    cpu_s: tuple[float, ...]
    peak_bytes: int

    @property
    def wait(self) -> float:
        """Median wall clock, s."""
        return median(self.wall_s)

    @property
    def work(self) -> float:
        """Median processor time, s."""
        return median(self.cpu_s)

    @property
    def least(self) -> float:
        """Least processor time, s: what other work on the machine changed least."""
        return min(self.cpu_s)


@dataclass(frozen=True, kw_only=True)
class Run:
    """One process that ended."""

    wall_s: float
    cpu_s: float
    peak_bytes: int


LAUNCH = """
import os, sys, time
start = time.perf_counter()
child = os.fork()
if not child:
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    os.execvp(sys.argv[1], sys.argv[1:])
_, status, used = os.wait4(child, 0)
wall = time.perf_counter() - start
print(wall, used.ru_utime + used.ru_stime, used.ru_maxrss * 1024, os.waitstatus_to_exitcode(status))
"""
"""Starts a command from a small process: the memory of the one that forks would count as its own."""


def run(
    command: Sequence[str],
    *,
    environ: Mapping[str, str],
    good: tuple[int, ...] = (0,),
    folder: Path | None = None,
) -> Run:
    """
    Run *command* to its end and return what it took, its own children included.

    Raises:
        RuntimeError: It left with another status than one of *good*.
    """
    done = subprocess.run(
        [sys.executable, "-I", "-S", "-c", LAUNCH, *command],
        capture_output=True,
        check=True,
        env=dict(environ),
        cwd=folder,
    )
    wall, cpu, peak, status = done.stdout.split()
    if int(status) not in good:
        raise RuntimeError(f"{command} left with {int(status)}: {done.stderr[-2000:]!r}")
    return Run(wall_s=float(wall), cpu_s=float(cpu), peak_bytes=int(peak))


def measured(name: str, times: int, one: Callable[[], Run]) -> Measured:
    """Return *times* runs of *one*."""
    runs = [one() for _ in range(times)]
    found = Measured(
        name=name,
        wall_s=tuple(run.wall_s for run in runs),
        cpu_s=tuple(run.cpu_s for run in runs),
        peak_bytes=max(run.peak_bytes for run in runs),
    )
    print(row(found), flush=True)  # noqa: T201  a script
    return found


def row(one: Measured) -> str:
    """Return a row of the table."""
    return (
        f"| {one.name:44} | {len(one.wall_s):4} | {one.wait:8.3f} | {one.work:8.3f} | {one.least:7.3f} "
        f"| {one.peak_bytes / 1e6:7.0f} |"
    )


HEAD = (
    f"| {'what':44} | {'runs':4} | {'median s':8} | {'cpu s':8} | {'least':7} | {'peak MB':7} |\n"
    f"|{'-' * 46}|{'-' * 6}|{'-' * 10}|{'-' * 10}|{'-' * 9}|{'-' * 9}|"
)


# --- this tool --------------------------------------------------------------------------------


class Ours:
    """This tool on a copy of the sample robot, with a cache of its own."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._caches = 0
        self.robot = folder / "robot"
        shutil.copytree(SAMPLE, self.robot)
        self.environ = {
            **os.environ,
            "ROBOKIT_PLAN_CACHE": str(folder / "cache"),
            # Compiled code as an installation has it, and none that is older than the sources.
            "PYTHONPYCACHEPREFIX": str(folder / "compiled"),
        }
        self.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        self.library = folder / "library"
        write_library(self.library / "plugins", LIBRARY)

    def call(self, *words: str, good: tuple[int, ...] = (0,)) -> Run:
        """Run one command."""
        return run([*TOOL, *words], environ=self.environ, good=good)

    def robot_call(self, command: str, *words: str, good: tuple[int, ...] = (0, 1)) -> Run:
        """Run one command on the robot."""
        return self.call(command, *words, "--robot", str(self.robot), good=good)

    def cold(self) -> Run:
        """Check with an empty cache."""
        self._caches += 1
        self.environ["ROBOKIT_PLAN_CACHE"] = str(self._folder / f"cache-{self._caches}")
        return self.robot_call("check")

    def edited(self) -> Run:
        """Check after an edit."""
        self.edit()
        return self.robot_call("check")

    def edit(self) -> None:
        """Edit the robot file so that it means the same, and all is planned again."""
        with (self.robot / "robot.yaml").open("a", encoding="utf-8") as file:
            file.write("# edited\n")
        time.sleep(0.05)

    def lint(self) -> Run:
        """Lint it from its own folder."""
        return run([*TOOL, "lint"], environ=self.environ, good=(0, 1), folder=self.robot)

    def lint_library(self, *, edited: int) -> Run:
        """Lint a library of plugins from its own folder, after an edit of so many plugins."""
        for path in sorted(self.library.glob("plugins/*/manifest.yaml"))[:edited]:
            with path.open("a", encoding="utf-8") as file:
                file.write("# edited\n")
        time.sleep(0.05)
        return run([*TOOL, "lint"], environ=self.environ, folder=self.library)

    def parse_library(self) -> Run:
        """Load the same manifests with libyaml, and do nothing with them."""
        return run([sys.executable, "-c", BARE_YAML], environ=self.environ, folder=self.library)

    def toggled(self, name: str, *, first: bool) -> Run:
        """Ask what enabling one more plugin would change; *first*: nobody asked that before."""
        if first:
            self.edit()
        return self.robot_call("enable", name, "--dry-run")

    def lock(self) -> Mapping[str, Any]:
        """Return the lock file as it would be written."""
        done = subprocess.run(
            [*TOOL, "lock", "--out", "-", "--robot", str(self.robot), "--json"],
            capture_output=True,
            check=True,
            env=self.environ,
        )
        text, _, _ = done.stdout.decode().partition("\n{\n")
        return tomllib.loads(text)

    def answer(self) -> Mapping[str, Any]:
        """Return what check says."""
        done = subprocess.run(
            [*TOOL, "check", "--json", "--robot", str(self.robot)],
            capture_output=True,
            check=False,
            env=self.environ,
        )
        found: Mapping[str, Any] = json.loads(done.stdout)
        return found


# --- pip --------------------------------------------------------------------------------------


def direct_wheels(lock: Mapping[str, Any]) -> list[str]:
    """Return what plugins require themselves, without all that leads to an sdist."""
    packages = {one["name"]: one for one in lock["packages"]}
    bad = {name for name, one in packages.items() if "wheels" not in one}
    grown = True
    while grown:
        more = {
            name
            for name, one in packages.items()
            if name not in bad and any(dep["name"] in bad for dep in one.get("dependencies", ()))
        }
        bad |= more
        grown = bool(more)
    return [
        name
        for name, one in sorted(packages.items())
        if name not in bad and one["tool"]["robokit-plan"].get("direct")
    ]


def pip_command(names: list[str], folder: Path) -> list[str]:
    """Return pip's dry run of *names* for Debian 13 on arm64."""
    tags = [f"manylinux_2_{minor}_aarch64" for minor in range(GLIBC_MINOR, 16, -1)]
    words = [sys.executable, "-m", "pip", "install", "--dry-run", "--ignore-installed"]
    words += ["--quiet", "--disable-pip-version-check", "--only-binary=:all:"]
    for tag in [*tags, "manylinux2014_aarch64", "linux_aarch64"]:
        words += ["--platform", tag]
    words += ["--python-version", "3.13", "--implementation", "cp"]
    words += ["--abi", "cp313", "--abi", "abi3", "--abi", "none"]
    return [*words, "--target", str(folder / "target"), *names]


# --- apt --------------------------------------------------------------------------------------


def apt_sources() -> str:
    """Return sources for a private root from this machine's own apt configuration; "" for none."""
    lines = []
    for source in read_apt_sources(read_apt_settings(os.environ)):
        here, _, tail = source.suite.partition("-")
        if here in {"bookworm", "trixie"} and "main" in source.components:
            suite = f"{CODENAME}-{tail}" if tail else CODENAME
            signed = f"[signed-by={source.signed_by}] " if source.signed_by.startswith("/") else ""
            lines.append(f"deb {signed}{source.uri} {suite} main\n")
    return "".join(dict.fromkeys(lines))


def base_packages(folder: Path) -> tuple[DebianPackage, ...]:
    """Return the fresh card."""
    reader = debian_archive(System(), root=folder, environ=os.environ, folder=folder / "archive")
    if not isinstance(reader, DebianReader):
        raise RuntimeError(reader)  # noqa: TRY004  a reason in words
    problem = DebianProblem(wanted=(), release="debian-13", architecture="arm64")
    with reader:
        answer = resolve_debian(problem, reader.archive)
        while isinstance(answer, Need):
            reader.read(answer.debian)
            answer = resolve_debian(problem, reader.archive)
        return tuple(answer.base.values())


def apt_updated(folder: Path, sources: str) -> tuple[PrivateApt, Run]:
    """Return a private root whose lists were just fetched, and what that took."""
    began = os.times()
    start = time.perf_counter()
    apt = PrivateApt(folder, sources)
    ended = os.times()
    cpu = (ended.children_user - began.children_user) + (
        ended.children_system - began.children_system
    )
    return apt, Run(wall_s=time.perf_counter() - start, cpu_s=cpu, peak_bytes=0)


def apt_run(apt: PrivateApt, *words: str) -> Run:
    """Run apt-get in its private root."""
    environ = {
        "APT_CONFIG": str(apt.root / "apt.conf"),
        "LC_ALL": "C",
        "PATH": "/usr/bin:/bin:/usr/sbin:/sbin",
    }
    return run(["apt-get", "-q", *words], environ=environ)


def together(*runs: Run) -> Run:
    """Return what several runs took, one after the other."""
    return Run(
        wall_s=sum(run.wall_s for run in runs),
        cpu_s=sum(run.cpu_s for run in runs),
        peak_bytes=max(run.peak_bytes for run in runs),
    )


# --- all ----------------------------------------------------------------------------------------


@contextmanager
def quiet_folder() -> Iterator[Path]:
    """Give a folder that goes away."""
    with tempfile.TemporaryDirectory(prefix="bench-") as name:
        yield Path(name)


def main(runs: int, *, rivals: bool) -> None:
    """Measure and print."""
    few = max(2, runs // 4)
    with quiet_folder() as folder:
        ours = Ours(folder)
        print(HEAD)  # noqa: T201
        python = (sys.executable, "-c")
        measured("bare Python", runs, lambda: run([*python, ""], environ=ours.environ))
        typer = measured(
            "import typer", runs, lambda: run([*python, "import typer"], environ=ours.environ)
        )
        version = measured("--version", runs, lambda: ours.call("--version"))
        cold = measured("check, empty cache", few, ours.cold)
        edited = measured("check, rows cached, robot.yaml edited", runs, ours.edited)
        ours.robot_call("check")
        warm = measured("check, nothing changed", runs, lambda: ours.robot_call("check"))
        measured("lint", runs, ours.lint)
        bare = measured(f"libyaml alone, {LIBRARY} manifests", few, ours.parse_library)
        library = measured(
            f"lint, {LIBRARY} plugins", few, lambda: ours.lint_library(edited=LIBRARY)
        )
        one = measured(f"lint, one of {LIBRARY} edited", few, lambda: ours.lint_library(edited=1))
        same = measured(
            f"lint of {LIBRARY}, nothing changed", few, lambda: ours.lint_library(edited=0)
        )
        first = measured(
            f"enable {TOGGLED} --dry-run", runs, lambda: ours.toggled(TOGGLED, first=True)
        )
        measured(f"enable {REFUSED} --dry-run", few, lambda: ours.toggled(REFUSED, first=True))
        ours.toggled(TOGGLED, first=False)
        again = measured(
            f"enable {TOGGLED} --dry-run, asked again",
            runs,
            lambda: ours.toggled(TOGGLED, first=False),
        )
        sized = size_rows(folder, few)
        aims = [
            ("peak memory of check, MB, below 150", cold.peak_bytes / 1e6, 150.0),
            ("check, nothing changed, below 0.35 s", warm.least, 0.35),
            (
                "check, nothing changed, over import typer, below 0.15 s",
                warm.least - typer.least,
                0.15,
            ),
            ("check after an edit, below 0.35 s", edited.least, 0.35),
            ("toggle, below 0.2 s", first.least, 0.2),
            ("toggle, asked again, below 0.2 s", again.least, 0.2),
            ("--version / import typer, below 1.3", version.least / typer.least, 1.3),
            (f"lint of {LIBRARY} / libyaml alone, below 3", library.least / bare.least, 3.0),
            (f"lint, one of {LIBRARY} edited / the first time", one.least / library.least, 0.5),
            ("lint, nothing changed / the first time, below 0.2", same.least / library.least, 0.2),
            *sized,
        ]
        if rivals:
            rival = rival_runs(ours, folder, runs=runs, few=few)
            aims += [
                (
                    "(pip + apt) / check, nothing changed, at least 10",
                    (rival.pip + rival.apt) / warm.least,
                    10.0,
                ),
                (
                    "(pip + apt) / check after an edit, at least 15",
                    (rival.pip + rival.apt) / edited.least,
                    15.0,
                ),
                ("pip / check, empty cache, at least 1.5", rival.pip_first / cold.least, 1.5),
                (
                    "check, empty cache / (pip + apt, first time), at most 1",
                    cold.least / (rival.pip_first + rival.apt_first),
                    1.0,
                ),
            ]
            if rival.simulation:
                whole = edited.least / rival.simulation
                aims.append(
                    ("whole check after an edit / apt's simulation alone, at most 1", whole, 1.0)
                )
        print()  # noqa: T201
        for text, value, aim in aims:
            good = value >= aim if "at least" in text else value <= aim
            print(f"{'met    ' if good else 'not met'}  {text}: {value:.2f}")  # noqa: T201


def size_rows(folder: Path, few: int) -> list[tuple[str, float, float]]:
    """Measure robots of other sizes over made indices, beside pip; return how the aims fare."""
    aims = []
    for size in SIZES:
        place = folder / f"robot-{size}"
        with served(place, size) as found:
            write_robot(place / "robot", distributions=size)
            names = [SENSOR, *map(distribution_name, range(size))]
            without = [word for word in pip_command(names, place) if word != "--quiet"]
            without.insert(4, "--no-cache-dir")
            first = measured_made(place, found, few, f"{size} requirements", change_requirement)
            pip = measured(
                f"pip, {size} requirements, no cache",
                few,
                lambda command=without, env=found: run(command, environ=env),  # type: ignore[misc]
            )
            aims.append(
                (
                    f"pip / check, {size} requirements, empty cache, at least 1.5",
                    pip.least / first.least,
                    1.5,
                )
            )
    place = folder / "robot-of-library"
    with served(place, 0) as found:
        write_robot(place / "robot", plugins=IN_REACH)
        measured_made(place, found, few, f"{IN_REACH} plugins in reach", edit_robot)
    return aims


def measured_made(
    place: Path,
    environ: Mapping[str, str],
    few: int,
    what: str,
    change: Callable[[Path], None],
) -> Measured:
    """
    Measure a made robot: checked after *change*, and a toggle; return its first check.
    """
    robot = place / "robot"
    caches = iter(range(few * 2))

    def asked(command: str, *words: str, cache: str = "cache") -> Run:
        env = {
            **environ,
            "ROBOKIT_PLAN_CACHE": str(place / cache),
            "PYTHONPYCACHEPREFIX": str(place.parent / "compiled"),
        }
        env.pop("PYTHONDONTWRITEBYTECODE", None)
        return run([*TOOL, command, *words, "--robot", str(robot)], environ=env, good=(0, 1))

    def again() -> Run:
        change(robot)
        time.sleep(0.05)
        return asked("check")

    def toggled() -> Run:
        change(robot)
        time.sleep(0.05)
        return asked("disable", plugin_name(5), "--dry-run")

    first = measured(
        f"check, {what}, empty cache", few, lambda: asked("check", cache=f"cache-{next(caches)}")
    )
    asked("check")
    measured(f"check, {what}, {CHANGES[change]}", few, again)
    measured(f"disable PLUGIN --dry-run, {what}", few, toggled)
    return first


def edit_robot(robot: Path) -> None:
    """Edit a made robot's file so that it means the same."""
    with (robot / "robot.yaml").open("a", encoding="utf-8") as file:
        file.write("# edited\n")


CHANGES = {change_requirement: "one changed", edit_robot: "robot.yaml edited"}


@dataclass(frozen=True, kw_only=True)
class Rivals:
    """Least processor seconds of pip and apt, as they are mostly run and the first time."""

    pip: float
    apt: float
    simulation: float
    pip_first: float
    apt_first: float


def rival_runs(ours: Ours, folder: Path, *, runs: int, few: int) -> Rivals:
    """Return what pip and apt took."""
    names = direct_wheels(ours.lock())
    command = pip_command(names, folder)
    without = [word for word in command if word != "--quiet"]
    without.insert(4, "--no-cache-dir")
    pip_first = measured("pip, dry run, no cache", few, lambda: run(without, environ=os.environ))
    run(command, environ=os.environ)
    pip = measured("pip, dry run, its cache filled", few, lambda: run(command, environ=os.environ))
    sources = apt_sources()
    if not sources or shutil.which("apt-get") is None:
        print("apt on this machine is not configured for Debian")  # noqa: T201
        return Rivals(
            pip=pip.least, apt=0.0, simulation=0.0, pip_first=pip_first.least, apt_first=0.0
        )
    wanted = [one["name"] for one in ours.answer()["debian"]]
    base = base_packages(folder)
    roots: list[PrivateApt] = []

    def first() -> Run:
        apt, took = apt_updated(folder / f"apt-{len(roots)}", sources)
        apt.write_status(base)
        roots.append(apt)
        return together(took, apt_run(apt, "--simulate", "install", *wanted))

    apt_first = measured("apt, first update and simulation", few, first)
    apt = measured(
        "apt, update and simulation",
        runs,
        lambda: together(
            apt_run(roots[0], "update"), apt_run(roots[0], "--simulate", "install", *wanted)
        ),
    )
    simulation = measured(
        "apt, simulation alone", runs, lambda: apt_run(roots[0], "--simulate", "install", *wanted)
    )
    print(f"\n{len(names)} Python requirements, {len(wanted)} Debian packages")  # noqa: T201
    return Rivals(
        pip=pip.least,
        apt=apt.least,
        simulation=simulation.least,
        pip_first=pip_first.least,
        apt_first=apt_first.least,
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=11)
    parser.add_argument("--alone", action="store_true", help="leave pip and apt out")
    given = parser.parse_args()
    main(given.runs, rivals=not given.alone)

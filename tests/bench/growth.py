"""
Draw how time and memory grow with the number of plugins, requirements and claims.

Run with ``python -m tests.bench.growth [--runs N] [--part NAME]``. Writes ``growth.csv`` and
``growth.svg`` beside this file. Every point is a process of its own that makes its input, measures
the one step that the curve is about, and tells processor seconds and peak memory; nothing is
asserted, since machines differ. The exponent is the slope between the last two points of a curve:
1 where twice the input takes twice the time.
"""

from __future__ import annotations

import argparse
import csv
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import log, log10
from pathlib import Path

HERE = Path(__file__).resolve().parent
Step = Callable[[], object]


@dataclass(frozen=True, kw_only=True)
class Point:
    """What one size of one curve took."""

    part: str
    size: int
    cpu_s: float
    peak_mb: float


# --- the steps -----------------------------------------------------------------------------------


def _robot(folder: Path, *, plugins: int, enabled: Iterable[int]) -> Path:
    from tests.bench.generated import plugin_name, robot_text, write_library

    write_library(folder / "plugins", plugins)
    file = folder / "robot.yaml"
    file.write_text(robot_text([plugin_name(one) for one in enabled]), "utf-8")
    return file


def reading(size: int, folder: Path) -> Step:
    """Read a robot with *size* plugins in reach, ten of them enabled."""
    from robokit_plan.edge.reading import read_robot

    file = _robot(folder, plugins=size, enabled=range(10))
    return lambda: read_robot(file)


def linting(size: int, folder: Path) -> Step:
    """Lint a library of *size* plugins."""
    from robokit_plan.app.judged import judged
    from robokit_plan.edge.lint_targets import read_lint_targets
    from robokit_plan.model import AbsentNames
    from tests.bench.generated import write_library

    write_library(folder, size)

    def lint() -> object:
        found = read_lint_targets([folder], here=folder)
        return judged(found, found.targets, AbsentNames())

    return lint


def hardware(size: int, folder: Path) -> Step:
    """Say all about *size* enabled plugins that no index is asked for; most collide."""
    from robokit_plan.app.session import open_session
    from robokit_plan.planner import findings_without_indices

    file = _robot(folder, plugins=size, enabled=range(size))
    problem = open_session(file, locked=False).problem
    return lambda: findings_without_indices(problem)


def claims(size: int, folder: Path) -> Step:
    """Assign *size* outputs to as many controllers as it takes, ten on each."""
    from robokit_plan.app.session import open_session
    from robokit_plan.planner import findings_without_indices
    from tests.bench.generated import (
        controller_claims,
        controllers_text,
        manifest_text,
        plugin_name,
        robot_text,
    )

    plugins = controllers = max(1, size // 10)
    names = [plugin_name(one) for one in range(plugins)]
    for number, name in enumerate(names):
        (folder / "plugins" / name).mkdir(parents=True)
        text = manifest_text(number, hardware=controller_claims(number, controllers, 10))
        (folder / "plugins" / name / "manifest.yaml").write_text(text, "utf-8")
    file = folder / "robot.yaml"
    file.write_text(robot_text(names) + controllers_text(controllers), "utf-8")
    problem = open_session(file, locked=False).problem
    return lambda: findings_without_indices(problem)


def requirements(size: int, _: Path) -> Step:
    """Choose releases for *size* requirements of an index that is in memory, ten releases each."""
    from robokit_plan.edge.python_facts import read_python_facts
    from robokit_plan.model import (
        DistributionMetadata,
        DistributionName,
        IndexFile,
        InstanceName,
        Origin,
        PluginName,
        ProjectPage,
        Snapshot,
    )
    from robokit_plan.resolve.python import (
        PythonAnswer,
        PythonIndex,
        PythonProblem,
        PythonRequirement,
        resolve_python,
        target_for,
    )
    from tests.bench.generated import distribution_name, release_requirements

    facts = read_python_facts()
    pages: dict[DistributionName, tuple[ProjectPage, ...]] = {}
    metadata: dict[str, DistributionMetadata] = {}
    for number in range(size):
        name = DistributionName(distribution_name(number))
        files = []
        for minor in range(10):
            key = f"{number * 10 + minor:064x}"
            file = f"{name.replace('-', '_')}-1.{minor}-py3-none-any.whl"
            files.append(
                IndexFile(
                    filename=file,
                    url=f"https://index.example/{file}",
                    sha256=key,
                    metadata_sha256=key,
                    size=10_000,
                )
            )
            metadata[key] = DistributionMetadata(
                name=name,
                version=f"1.{minor}",
                requires_dist=release_requirements(number, minor),
                modules=(str(name),),
            )
        pages[name] = (ProjectPage(name=name, index="default", files=tuple(files)),)
    problem = PythonProblem(
        requirements=tuple(
            PythonRequirement(
                text=distribution_name(number),
                origin=Origin(file="plugins/all/manifest.yaml", line=number + 1, column=1),
                instance=InstanceName(f"plugin-{number % 20}"),
                plugin=PluginName(f"plugin-{number % 20}"),
            )
            for number in range(size)
        ),
        target=target_for("debian-13", "arm64", "debian", None, facts=facts),
        indexes=(PythonIndex(name="default"),),
        facts=facts,
    )
    snapshot = Snapshot(pages=pages, metadata=metadata)

    def resolve() -> object:
        answer = resolve_python(problem, snapshot)
        if not isinstance(answer, PythonAnswer) or len(answer.pins) != size:
            raise RuntimeError(f"not solved: {str(answer)[:500]}")
        return answer

    return resolve


PARTS: Mapping[str, tuple[Callable[[int, Path], Step], tuple[int, ...]]] = {
    "plugins in reach": (reading, (10, 30, 100, 300, 1000, 3000)),
    "plugins linted": (linting, (10, 30, 100, 300, 1000, 3000)),
    "plugins enabled": (hardware, (10, 30, 100, 300, 1000)),
    "claims on controllers": (claims, (10, 30, 100, 300, 500)),
    "requirements": (requirements, (10, 50, 200, 500, 1000)),
}


# --- measuring -----------------------------------------------------------------------------------


def measure(part: str, size: int) -> None:
    """Print what one point took: processor seconds, peak MB."""
    import resource
    from time import process_time

    with tempfile.TemporaryDirectory(prefix="growth-") as folder:
        step = PARTS[part][0](size, Path(folder).resolve())
        start = process_time()
        step()
        took = process_time() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
    print(f"{took:.4f} {peak:.1f}")  # noqa: T201


def measured(part: str, size: int, runs: int) -> Point:
    """Return the quickest of *runs*."""
    command = [sys.executable, "-m", "tests.bench.growth", "--point", part, str(size)]
    found = []
    for _ in range(runs):
        done = subprocess.run(command, capture_output=True, check=True, text=True)
        cpu, peak = done.stdout.split()
        found.append((float(cpu), float(peak)))
    cpu_s, peak_mb = min(found)
    return Point(part=part, size=size, cpu_s=cpu_s, peak_mb=peak_mb)


def exponents(points: Sequence[Point]) -> dict[str, float]:
    """Return part -> slope of the last two points of its curve, both axes logarithmic."""
    found = {}
    for before, after in pairwise(points):
        if before.part == after.part:
            found[after.part] = log(after.cpu_s / before.cpu_s) / log(after.size / before.size)
    return found


# --- drawing -------------------------------------------------------------------------------------

COLOURS = ("#1b6ca8", "#b5541c", "#3b7d3b", "#7a4fa3", "#8a6d1a")
WIDTH, HEIGHT, LEFT, TOP = 440, 300, 60, 30


def svg(points: Sequence[Point]) -> str:
    """Return both charts, time and memory over size, axes logarithmic."""
    names = list(dict.fromkeys(one.part for one in points))
    body = [
        _chart(points, names, 0, "processor s", lambda one: one.cpu_s),
        _chart(points, names, LEFT + WIDTH + 40, "peak MB", lambda one: one.peak_mb),
    ]
    for at, name in enumerate(names):
        y = TOP + HEIGHT + 50 + 18 * at
        body.append(f'<rect x="{LEFT}" y="{y - 9}" width="10" height="10" fill="{COLOURS[at]}"/>')
        body.append(f'<text x="{LEFT + 18}" y="{y}">{name}</text>')
    width, height = 2 * (LEFT + WIDTH + 40), TOP + HEIGHT + 60 + 18 * len(names)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        'font-family="sans-serif" font-size="12">\n'
        '<rect width="100%" height="100%" fill="white"/>\n' + "\n".join(body) + "\n</svg>\n"
    )


def _chart(
    points: Sequence[Point],
    names: Sequence[str],
    shift: int,
    title: str,
    value: Callable[[Point], float],
) -> str:
    sizes = [one.size for one in points]
    values = [value(one) for one in points]
    left, right = log10(min(sizes)), log10(max(sizes))
    low, high = _decade(min(values)), _decade(max(values)) + 1

    def x(size: float) -> float:
        return LEFT + shift + WIDTH * (log10(size) - left) / (right - left)

    def y(amount: float) -> float:
        return TOP + HEIGHT * (1 - (log10(amount) - low) / (high - low))

    lines = [f'<text x="{LEFT + shift}" y="{TOP - 10}" font-weight="bold">{title}</text>']
    for power in range(low, high + 1):
        at = y(10**power)
        lines.append(_line(x(min(sizes)), at, x(max(sizes)), at))
        lines.append(_text(LEFT + shift - 8, at + 4, f"{10.0**power:g}", "end"))
    for size in sorted({*sizes}):
        lines.append(_line(x(size), TOP, x(size), TOP + HEIGHT))
        lines.append(_text(x(size), TOP + HEIGHT + 18, str(size), "middle"))
    for at, name in enumerate(names):
        curve = [one for one in points if one.part == name]
        way = " ".join(f"{x(one.size):.1f},{y(value(one)):.1f}" for one in curve)
        lines.append(
            f'<polyline points="{way}" fill="none" stroke="{COLOURS[at]}" stroke-width="2"/>'
        )
    return "\n".join(lines)


def _decade(amount: float) -> int:
    return int(log10(amount) // 1)


def _line(x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="#ddd"/>'


def _text(x: float, y: float, words: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{words}</text>'


# --- all -----------------------------------------------------------------------------------------


def main(runs: int, only: str | None) -> None:
    """Measure, write, print; a single part is printed and not written."""
    points = []
    for part, (_, sizes) in PARTS.items():
        if only is not None and only not in part:
            continue
        for size in sizes:
            points.append(measured(part, size, runs))
            one = points[-1]
            print(  # noqa: T201
                f"{part:24} {size:6} {one.cpu_s:9.4f} s {one.peak_mb:7.0f} MB", flush=True
            )
    for part, slope in exponents(points).items():
        print(f"{part:24} grows with the power {slope:.2f} at its end")  # noqa: T201
    if only is not None:
        return
    with (HERE / "growth.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("part", "size", "processor s", "peak MB"))
        writer.writerows((one.part, one.size, one.cpu_s, one.peak_mb) for one in points)
    (HERE / "growth.svg").write_text(svg(points), "utf-8")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=2)
    parser.add_argument("--part", help="only curves with this in their name")
    parser.add_argument("--point", nargs=2, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.point:
        measure(given.point[0], int(given.point[1]))
    else:
        main(given.runs, given.part)

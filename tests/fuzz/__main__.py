"""
Search for inputs that break a reader, guided by coverage, for a chosen time.

    python -m tests.fuzz [READER ...] [--seconds N] [--out FOLDER]

needs atheris (``pip install atheris``), which is no dependency of the tests. Each reader runs in a
process of its own: an input that takes over 2 s or lets the process grow by over 300 MB counts as
found, like one that raises. Watched for coverage, everything takes several times as long, so what
was slow is read once more by a process that watches nothing, and that one's time counts. What is
found stands in FOLDER under the reader's name; once the reader is mended, it moves to
tests/cases/fuzz and `test_readers.py` holds it for good.
"""

from __future__ import annotations

import argparse
import random
import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from time import process_time

SECONDS_AN_INPUT = 2
SECONDS_UNTIL_IT_HANGS = 60
MEGABYTES = 300


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz")
    parser.add_argument("readers", nargs="*", metavar="READER")
    parser.add_argument("--seconds", type=int, default=60, help="for each reader")
    parser.add_argument("--out", type=Path, default=Path("fuzz-found"))
    parser.add_argument("--here", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--once", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.once:
        return _judged(asked.readers[0], asked.once.read_bytes())
    if asked.here:
        _search(asked.readers[0], asked.seconds, asked.out)
        return 0
    from .readers import READERS

    unknown = sorted(set(asked.readers) - set(READERS))
    if unknown:
        parser.error(f"no reader is called {', '.join(unknown)}; known: {', '.join(READERS)}")
    found = 0
    for name in asked.readers or READERS:
        folder = asked.out / name
        folder.mkdir(parents=True, exist_ok=True)
        command = [sys.executable, "-m", "tests.fuzz", name, "--here"]
        done = subprocess.run(
            [*command, "--seconds", str(asked.seconds), "--out", str(folder)],
            capture_output=True,
            text=True,
            check=False,
        )
        inputs = sorted(path.name for path in folder.iterdir())
        runs = [line for line in done.stderr.splitlines() if "stat::number_of_exec" in line]
        tried = runs[-1].split()[-1] if runs else "?"
        sys.stdout.write(f"{name}: {tried} inputs tried, {len(inputs)} found\n")
        sys.stdout.flush()
        if done.returncode and not inputs:
            sys.stderr.write(done.stderr[-2000:])
        found += bool(done.returncode or inputs)
    return 1 if found else 0


def _search(name: str, seconds: int, folder: Path) -> None:
    import atheris

    with atheris.instrument_imports(include=["robokit_plan"], enable_loader_override=False):
        from .readers import READERS
    reader = READERS[name]

    def mutate(data: bytes, limit: int, seed: int) -> bytes:
        chance = random.Random(seed)
        if chance.random() < 0.2:
            return bytes(atheris.Mutate(data, limit))
        return reader.mutate(data, chance)[:limit]

    with tempfile.TemporaryDirectory() as corpus:
        for number, seed in enumerate(reader.seeds()):
            (Path(corpus) / f"seed-{number}").write_bytes(seed)
            reader.read(seed)
        atheris.Setup(
            [
                sys.argv[0],
                f"-max_total_time={seconds}",
                f"-timeout={SECONDS_UNTIL_IT_HANGS}",
                # The process also holds what was tried; one input is measured by itself.
                "-rss_limit_mb=8000",
                "-max_len=200000",
                "-print_final_stats=1",
                f"-artifact_prefix={folder}/",
                corpus,
            ],
            lambda data: _one(name, reader.read, data),
            custom_mutator=mutate,
        )
        atheris.Fuzz()


def _one(name: str, read: Callable[[bytes], object], data: bytes) -> None:
    memory, start = _peak_mb(), process_time()
    read(data)
    if process_time() - start < SECONDS_AN_INPUT and _peak_mb() - memory < MEGABYTES:
        return
    with tempfile.NamedTemporaryFile() as file:
        file.write(data)
        file.flush()
        alone = [sys.executable, "-m", "tests.fuzz", name, "--once", file.name]
        if subprocess.run(alone, check=False).returncode:
            raise TimeoutError(f"over {SECONDS_AN_INPUT} s or {MEGABYTES} MB for one input")


def _judged(name: str, data: bytes) -> int:
    """Return 1 where reading *data* takes too much."""
    from .readers import READERS

    reader = READERS[name]
    for seed in reader.seeds():
        reader.read(seed)  # what is made once for all inputs is no part of any
    memory, start = _peak_mb(), process_time()
    reader.read(data)
    took, grown = process_time() - start, _peak_mb() - memory
    sys.stderr.write(f"{name}: {took:.1f} s, {grown} MB\n")
    return int(took > SECONDS_AN_INPUT or grown > MEGABYTES)


def _peak_mb() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


if __name__ == "__main__":
    sys.exit(main())

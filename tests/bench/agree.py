"""
Readers and published schemas hold against each other, over documents valid and broken.

    .venv/bin/python -m tests.bench.agree [--blocks 20]

A block has 500 documents and is the same for ever. What was done stands in agree.csv beside this
file, and is not done again as long as the code of the format is the same; delete it to start anew.
"""

from __future__ import annotations

import argparse
import csv
from hashlib import sha256
from pathlib import Path

from tests.formats.agreement import BLOCK, FORMATS, judged

RESULT = Path(__file__).with_suffix(".csv")
ROOT = Path(__file__).parents[2]
COLUMNS = ("format", "code", "block", "documents", "read", "apart")


def code_of() -> str:
    """Return what stands for the code that reads and that draws documents."""
    files = [
        *(ROOT / "robokit_plan" / "formats" / f"{name}.py" for name in ("codec", "lock", "toml")),
        ROOT / "robokit_plan" / "model" / "_names.py",
        ROOT / "tests" / "formats" / "agreement.py",
    ]
    return sha256(b"".join(file.read_bytes() for file in files)).hexdigest()[:12]


def main() -> int:
    """Judge the blocks that are not judged yet; 1 where reader and schema are apart."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--blocks", type=int, default=20)
    blocks = arguments.parse_args().blocks
    code = code_of()
    known = []
    if RESULT.is_file():
        with RESULT.open(newline="", encoding="utf-8") as file:
            known = [row for row in csv.DictReader(file) if row["code"] == code]
    done = {(row["format"], int(row["block"])) for row in known}
    apart_in_all = sum(int(row["apart"]) for row in known)
    for name in FORMATS:
        for block in range(1, blocks + 1):
            if (name, block) in done:
                continue
            read, apart = judged(name, block)
            for one in apart:
                print(name, block, one)  # noqa: T201
            apart_in_all += len(apart)
            row = (name, code, block, BLOCK, read, len(apart))
            known.append(dict(zip(COLUMNS, map(str, row), strict=True)))
            with RESULT.open("w", newline="", encoding="utf-8") as file:
                writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
                writer.writeheader()
                writer.writerows(known)
    total = [sum(int(row[of]) for row in known) for of in ("documents", "read")]
    print(f"{total[0]} documents, {total[1]} read, {apart_in_all} apart")  # noqa: T201
    return 1 if apart_in_all else 0


if __name__ == "__main__":
    raise SystemExit(main())

"""
Many dry runs of pip in one process: importing pip costs seconds on an emulated machine.

Run by the Python that pip belongs to, with nothing of ours. Reads one JSON list a line: pip's own
words, requirements among them. Writes one JSON object a line: ``{"chosen": {name: version}}``, or
``{"error": TEXT}``.

What pip made of a project's page is kept for later runs with the same options, as pip itself keeps it within
one run (its `find_all_candidates`): under emulation it reads some hundred files a second. Its versions are decided anew
each time. The process names itself to the index (`USER_AGENT`), so that the pip which it starts to build a source
archive is told from it.
"""

import json
import os
import re
import signal
import sys
import tempfile
from pathlib import Path

from pip._internal.cli.main import main
from pip._internal.commands import create_command
from pip._internal.index.package_finder import LinkEvaluator, PackageFinder
from pip._internal.models.candidate import InstallationCandidate
from pip._internal.models.link import Link
from pip._internal.network import session

LONGEST_S = int(os.environ.get("PIP_LOOP_LONGEST_S", "600"))
USER_AGENT = "pip-loop"

create_command("install")  # imports what each run needs, before the first of them

session.user_agent = lambda: USER_AGENT  # type: ignore[assignment]
read_page = PackageFinder.process_project_url
kept: "dict[object, list[InstallationCandidate]]" = {}


def kept_page(
    self: PackageFinder, project_url: Link, link_evaluator: LinkEvaluator
) -> "list[InstallationCandidate]":
    """Return what pip makes of a page: its own candidates, those of an earlier run where it was read."""
    asked = link_evaluator.__dict__
    key = (
        project_url.url,
        asked["_canonical_name"],
        tuple(sorted(asked["_formats"])),
        asked["_allow_yanked"],
        asked["_ignore_requires_python"],
        asked["_target_python"].format_given(),
    )
    if key not in kept:
        kept[key] = read_page(self, project_url, link_evaluator)
    return list(kept[key])


PackageFinder.process_project_url = kept_page  # type: ignore[method-assign]


def given_up(*_: "object") -> None:
    """End a run that takes too long, as Ctrl-C would."""
    raise KeyboardInterrupt


def answer(words: "list[str]", folder: str) -> "dict[str, object]":
    """Return what pip would install for *words*, or its last words."""
    report, said = Path(folder, "report.json"), Path(folder, "said.txt")
    signal.signal(signal.SIGALRM, given_up)
    with said.open("w") as out:
        os.dup2(out.fileno(), 1)
        os.dup2(out.fileno(), 2)
    signal.alarm(LONGEST_S)
    try:
        code = main(["install", "--dry-run", "--ignore-installed", "--report", str(report), *words])
    except (KeyboardInterrupt, SystemExit):
        code = 3
    late = not signal.alarm(0)
    sys.stdout.flush()
    sys.stderr.flush()
    if late:
        return {"error": f"given up after {LONGEST_S} s"}
    if code:
        return {"error": said.read_text()[-6000:]}
    rows = json.loads(report.read_text())["install"]
    return {
        "chosen": {
            re.sub(r"[-_.]+", "-", row["metadata"]["name"]).lower(): row["metadata"]["version"]
            for row in rows
        }
    }


with os.fdopen(os.dup(1), "w") as answers:
    for line in sys.stdin:
        with tempfile.TemporaryDirectory() as folder:
            answers.write(json.dumps(answer(json.loads(line), folder)) + "\n")
        answers.flush()

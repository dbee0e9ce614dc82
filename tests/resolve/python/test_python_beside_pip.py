"""
What an index holds that ought not to be there: wheels in a folder, put to pip itself; asks no network.

pip reads the folder with the host's markers and tags, so every wheel is for any of them.
"""

from __future__ import annotations

import json
import subprocess
import sys
import zipfile
from collections.abc import Iterable, Mapping
from pathlib import Path

import pytest
from packaging.utils import canonicalize_name
from packaging.version import Version

from robokit_plan.edge._metadata import MetadataUnusable, parse_metadata, unknown
from robokit_plan.model import DistributionMetadata, IndexFile, ProjectPage, Severity, Snapshot
from robokit_plan.resolve.python import PythonAnswer, resolve_python

from .fake_python_index import ask, name, problem, versions

Wheels = Mapping[str, tuple[str, ...]]
"""File name without its tags -> lines of METADATA after name and version; ``Version: X`` replaces it."""


def _text(stem: str, lines: Iterable[str]) -> str:
    project, version = stem.split("-")[:2]
    own = [line for line in lines if line.startswith("Version:")] or [f"Version: {version}"]
    more = [line for line in lines if not line.startswith("Version:")]
    return "\n".join(["Metadata-Version: 2.1", f"Name: {project}", *own, *more, "", ""])


def _by_pip(folder: Path, wheels: Wheels, asked: Iterable[str]) -> dict[str, str] | None:
    """Return what pip would install; None where it finds nothing."""
    for stem, lines in wheels.items():
        project, version = stem.split("-")[:2]
        with zipfile.ZipFile(folder / f"{stem}-py3-none-any.whl", "w") as archive:
            inside = f"{project}-{version}.dist-info"
            archive.writestr(f"{inside}/METADATA", _text(stem, lines))
            archive.writestr(f"{inside}/WHEEL", "Wheel-Version: 1.0\nRoot-Is-Purelib: true\n")
            archive.writestr(f"{inside}/RECORD", "")
    report = folder / "report.json"
    done = subprocess.run(
        [sys.executable, "-m", "pip", "--isolated", "--disable-pip-version-check", "install",
         "--dry-run", "--quiet", "--ignore-installed", "--no-index", "--no-cache-dir",
         "--find-links", str(folder), "--report", str(report), *asked],
        capture_output=True,
        text=True,
        check=False,
    )  # fmt: skip
    if done.returncode:
        assert "ResolutionImpossible" in done.stderr or "No matching" in done.stderr, done.stderr
        return None
    rows = json.loads(report.read_text("utf-8"))["install"]
    return {canonicalize_name(one["metadata"]["name"]): one["metadata"]["version"] for one in rows}


def _by_us(wheels: Wheels, asked: Iterable[str]) -> PythonAnswer:
    pages: dict[str, list[IndexFile]] = {}
    metadata: dict[str, DistributionMetadata] = {}
    for stem, lines in wheels.items():
        project, version = stem.split("-")[:2]
        filename = f"{stem}-py3-none-any.whl"
        file = IndexFile(
            filename=filename,
            url=f"https://default.example/{filename}",
            sha256=f"{len(metadata):064x}",
            size=1000,
            requires_python=None,
            yanked=None,
            upload_time=None,
            index="default",
        )
        pages.setdefault(project, []).append(file)
        try:
            text = _text(stem, lines).encode()
            metadata[file.key] = parse_metadata(text, name=name(project), version=version)
        except MetadataUnusable as error:
            metadata[file.key] = unknown(name(project), version, str(error), "wheel", invalid=True)
    snapshot = Snapshot(
        pages={
            name(one): (ProjectPage(name=name(one), index="default", files=tuple(files)),)
            for one, files in pages.items()
        },
        metadata=metadata,
    )
    answer = resolve_python(problem(*(ask(text) for text in asked)), snapshot)
    assert isinstance(answer, PythonAnswer)
    return answer


CASES: list[tuple[str, Wheels, tuple[str, ...], dict[str, str] | None]] = [
    (
        "a requirement that is none",
        {"kit-1.0": (), "kit-2.0": ("Requires-Dist: box (>=5.1.*)",), "box-6": ()},
        ("kit",),
        {"kit": "1.0"},
    ),
    (
        "a requirement that is none, under a marker that does not hold",
        {"kit-1.0": (), "kit-2.0": ("Requires-Dist: box (>=5.1.*); python_version < '3'",)},
        ("kit",),
        {"kit": "1.0"},
    ),
    (
        "metadata of another version",
        {"kit-1.0": (), "kit-2.0": ("Version: 2.0.1",)},
        ("kit",),
        {"kit": "1.0"},
    ),
    (
        "the same version written otherwise",
        {"kit-1.0": (), "kit-2.0": ("Version: 2.0.0",)},
        ("kit",),
        {"kit": "2.0"},
    ),
    ("nothing else is left", {"kit-2.0": ("Version: 2.0.1",)}, ("kit",), None),
    (
        "passed over below another one",
        {"app-1": ("Requires-Dist: kit",), "kit-1.0": (), "kit-2.0": ("Version: 3",)},
        ("app",),
        {"app": "1", "kit": "1.0"},
    ),
    (
        "an older one of what asks, where all that is asked for is invalid",
        {"app-2": ("Requires-Dist: kit",), "app-1": (), "kit-2.0": ("Version: 3",)},
        ("app",),
        {"app": "1"},
    ),
    (
        "an extra that is not declared",
        {"kit-1.0": ("Requires-Dist: box; extra == 'fast'",), "box-6": ()},
        ("kit[fast]",),
        {"kit": "1.0"},
    ),
    (
        "an extra that is declared in another spelling",
        {
            "kit-1.0": ("Provides-Extra: Very_Fast", "Requires-Dist: box; extra == 'Very_Fast'"),
            "box-6": (),
        },
        ("kit[very.fast]",),
        {"kit": "1.0", "box": "6"},
    ),
    (
        "an extra not declared that a distribution asks for",
        {
            "app-1": ("Requires-Dist: kit[fast]",),
            "kit-1.0": ("Requires-Dist: box<6; extra == 'fast'",),
            "box-6": (),
        },
        ("app", "box"),
        {"app": "1", "kit": "1.0", "box": "6"},
    ),
    (
        "equal versions of two names, asked for letter by letter",
        {"kit-1.0": (), "box-1.0.0": ()},
        ("kit===1.0", "box===1.0"),
        None,
    ),
    (
        "equal versions of two names, each as it is written",
        {"kit-1.0": (), "box-1.0.0": ()},
        ("kit===1.0", "box===1.0.0"),
        {"kit": "1.0", "box": "1.0.0"},
    ),
    (
        "a build tag that begins with no digit",
        {"kit-1.0-1b": (), "kit-2.0-b1": ()},
        ("kit",),
        {"kit": "1.0"},
    ),
]


@pytest.mark.parametrize(
    ("wheels", "asked", "expect"), [one[1:] for one in CASES], ids=[one[0] for one in CASES]
)
def test_as_pip_does(
    wheels: Wheels, asked: tuple[str, ...], expect: dict[str, str] | None, tmp_path: Path
) -> None:
    """Both install what is expected, and refuse where nothing is."""
    assert _parsed(_by_pip(tmp_path, wheels, asked)) == _parsed(expect)
    answer = _by_us(wheels, asked)
    errors = [one for one in answer.findings if one.severity is Severity.ERROR]
    if expect is None:
        assert errors
    else:
        assert errors == []
        assert versions(answer) == expect


def _parsed(found: Mapping[str, str] | None) -> dict[str, Version] | None:
    """Versions as values: pip reports what the metadata has, we what the file name has."""
    return None if found is None else {one: Version(text) for one, text in found.items()}


def test_one_memory_does_not_answer_for_two_spellings() -> None:
    """In either order, whatever was asked before."""
    wheels: Wheels = {"kit-1.0": (), "box-1.0.0": ()}
    for asked in (("kit===1.0", "box===1.0"), ("box===1.0", "kit===1.0")):
        answer = _by_us(wheels, asked)
        assert [one.message for one in answer.findings] == ["no release of box fits box===1.0"]
        assert versions(answer) == {"kit": "1.0"}

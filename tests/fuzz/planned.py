"""What was read, planned with: a reader lets through what breaks whoever believes it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from robokit_plan.edge._debian_index import PackagesIndex
from robokit_plan.edge._debian_rows import RowReader
from robokit_plan.model import (
    DebianArchive,
    DebianName,
    DistributionMetadata,
    DistributionName,
    Finding,
    IndexFile,
    InstanceName,
    Need,
    Origin,
    PluginName,
    ProjectPage,
    Snapshot,
)
from robokit_plan.resolve.debian import DebianProblem, DebianWant, resolve_debian
from robokit_plan.resolve.python import PythonProblem, PythonRequirement, resolve_python
from tests.resolve.python.fake_python_index import TRIXIE

_ORIGIN = Origin(file="plugins/helm/manifest.yaml", line=7, column=13)
_ASKED = 5
"""Names of one archive that are asked for together."""


def debian_findings(index: PackagesIndex) -> tuple[Finding, ...]:
    """Ask for the first few packages of *index*, and for what most of them might bring."""
    names = [*dict.fromkeys(index.read_names())][:_ASKED]
    rows = RowReader([index], recommends=True)
    need: tuple[DebianName, ...] = (*names, DebianName("libportaudio"))
    while True:
        before = len(rows.rows)
        rows.read(need)
        answer = resolve_debian(
            DebianProblem(
                wanted=tuple(
                    DebianWant(text=f"{name} (>= 1)", origin=_ORIGIN, instance=InstanceName("helm"))
                    for name in names
                ),
                release="debian-13",
                architecture="arm64",
                recommends=True,
            ),
            DebianArchive(rows=rows.rows, base={}, suites=("trixie",)),
        )
        if not isinstance(answer, Need):
            return answer.findings
        need = answer.debian
        assert len(rows.rows) > before or set(need) - rows.rows.keys(), "asked again"


def python_findings(
    name: DistributionName,
    files: Iterable[IndexFile],
    metadata: Callable[[IndexFile], DistributionMetadata],
) -> tuple[Finding, ...]:
    """Ask for the project whose page and metadata were read; all others have one plain wheel."""
    snapshot = Snapshot(
        pages={name: (ProjectPage(name=name, index="default", files=tuple(files)),)}
    )
    problem = PythonProblem(
        requirements=(
            PythonRequirement(
                text=f"{name}>=0.1",
                origin=_ORIGIN,
                instance=InstanceName("helm"),
                plugin=PluginName("helm"),
            ),
        ),
        target=TRIXIE,
    )
    while True:
        answer = resolve_python(problem, snapshot)
        if not isinstance(answer, Need):
            return answer.findings
        pages = {one: (_plain_page(one),) for one in answer.pages}
        rows = {
            file.key: _PLAIN[file.filename] if file.filename in _PLAIN else metadata(file)
            for file in answer.metadata
        }
        assert not pages.keys() & snapshot.pages.keys(), "asked again for a page"
        assert not rows.keys() & snapshot.metadata.keys(), "asked again for metadata"
        snapshot = replace(
            snapshot,
            pages={**snapshot.pages, **pages},
            metadata={**snapshot.metadata, **rows},
        )


_PLAIN: dict[str, DistributionMetadata] = {}
"""File name -> metadata of what `_plain_page` made up."""


def _plain_page(name: DistributionName) -> ProjectPage:
    filename = f"{name.replace('-', '_')}-1.0-py3-none-any.whl"
    _PLAIN[filename] = DistributionMetadata(
        name=name, version="1.0", requires_dist=(), source="wheel"
    )
    file = IndexFile(
        filename=filename,
        url=f"https://files.example/{filename}",
        sha256="ab" * 32,
        size=1000,
        index="default",
    )
    return ProjectPage(name=name, index="default", files=(file,))

"""A small index in memory, and an edge that answers from it and counts its rounds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from hashlib import sha256

from packaging.utils import canonicalize_name

from robokit_plan.edge.python_facts import read_python_facts
from robokit_plan.model import (
    DistributionMetadata,
    DistributionName,
    IndexFile,
    InstanceName,
    Need,
    Origin,
    PluginName,
    ProjectPage,
    PythonFacts,
    Snapshot,
    Target,
)
from robokit_plan.resolve.python import (
    PythonAnswer,
    PythonProblem,
    PythonRequirement,
    resolve_python,
    target_for,
)

FACTS = read_python_facts()
BARE_FACTS = PythonFacts(releases=FACTS.releases, machines=FACTS.machines)
"""Only what a target needs: small indexes of tests must not meet facts about real names."""

TRIXIE = target_for("debian-13", "arm64", "debian", None, FACTS)
BOOKWORM = target_for("debian-12", "arm64", "debian", None, FACTS)


def name(text: str) -> DistributionName:
    return DistributionName(canonicalize_name(text))


@dataclass(frozen=True, kw_only=True)
class Rel:
    """One release of a fake index; by default one pure wheel."""

    requires: tuple[str, ...] | None = ()
    tags: tuple[str, ...] = ("py3-none-any",)
    """One wheel each; () for none."""
    sdist: bool = False
    requires_python: str | None = None
    metadata_python: str | None = None
    yanked: str | None = None
    uploaded: str | None = "2025-06-01T00:00:00Z"
    extras: tuple[str, ...] = ()
    build: tuple[str, ...] | None = None
    modules: tuple[str, ...] | None = None
    invalid: str = ""
    """Why its metadata cannot be so."""


Spec = Mapping[str, Mapping[str, "Rel | Sequence[str]"]]
"""Distribution -> version -> release, or only its requirements."""


@dataclass
class FakeIndex:
    """All rows of one or more indexes; `fetch` answers a Need as the edge would."""

    pages: dict[DistributionName, tuple[ProjectPage, ...]] = field(default_factory=dict)
    metadata: dict[str, DistributionMetadata] = field(default_factory=dict)
    rounds: list[Need] = field(default_factory=list)

    def add(self, spec: Spec, index: str = "default") -> FakeIndex:
        for project, releases in spec.items():
            key = name(project)
            files: list[IndexFile] = []
            for version, row in releases.items():
                release = row if isinstance(row, Rel) else Rel(requires=tuple(row))
                files.extend(self._files(key, version, release, index))
            page = ProjectPage(name=key, index=index, files=tuple(files))
            self.pages[key] = (*self.pages.get(key, ()), page)
        return self

    def _files(
        self, key: DistributionName, version: str, release: Rel, index: str
    ) -> Iterable[IndexFile]:
        stem = f"{key.replace('-', '_')}-{version}"
        names = [f"{stem}-{tags}.whl" for tags in release.tags]
        names += [f"{stem}.tar.gz"] if release.sdist else []
        for filename in names:
            file = IndexFile(
                filename=filename,
                url=f"https://{index}.example/{filename}",
                sha256=sha256(f"{index}/{filename}".encode()).hexdigest(),
                size=1000,
                requires_python=release.requires_python,
                yanked=release.yanked,
                upload_time=release.uploaded,
                index=index,
            )
            self.metadata[file.key] = DistributionMetadata(
                name=key,
                version=version,
                requires_dist=None if release.invalid else release.requires,
                requires_python=release.metadata_python or release.requires_python,
                provides_extra=release.extras,
                build_requires=release.build,
                modules=release.modules,
                reason=release.invalid,
                invalid=bool(release.invalid),
                source="wheel" if filename.endswith(".whl") else "pkg-info",
            )
            yield file

    def page(self, key: DistributionName) -> tuple[ProjectPage, ...]:
        return self.pages.get(key, (ProjectPage(name=key, index="default", files=()),))

    def fetch(self, snapshot: Snapshot, need: Need) -> Snapshot:
        pages = {key: self.page(key) for key in need.pages}
        rows = {file.key: self.metadata[file.key] for file in need.metadata}
        assert not set(pages) & set(snapshot.pages), "asked again for a page that was there"
        assert not set(rows) & set(snapshot.metadata), "asked again for metadata that was there"
        assert pages or rows, "an empty need would never end"
        return replace(
            snapshot,
            pages={**snapshot.pages, **pages},
            metadata={**snapshot.metadata, **rows},
        )

    def whole(self, *, but: Iterable[str] = ()) -> Snapshot:
        """Every row at once, and an empty page for each name of *but*."""
        empty = {name(one): self.page(name(one)) for one in but}
        return Snapshot(pages={**empty, **self.pages}, metadata=self.metadata)


def ask(text: str, instance: str = "helm", line: int = 10) -> PythonRequirement:
    return PythonRequirement(
        text=text,
        origin=Origin(file=f"plugins/{instance}/manifest.yaml", line=line, column=14),
        instance=InstanceName(instance),
        plugin=PluginName(instance),
    )


def problem(
    *asked: str | PythonRequirement,
    target: Target = TRIXIE,
    facts: PythonFacts = BARE_FACTS,
    **more: object,
) -> PythonProblem:
    requirements = tuple(one if isinstance(one, PythonRequirement) else ask(one) for one in asked)
    return PythonProblem(requirements=requirements, target=target, facts=facts, **more)  # type: ignore[arg-type]


def answer_of(
    question: PythonProblem, index: FakeIndex, start: Snapshot | None = None, most: int = 200
) -> PythonAnswer:
    """Ask, fetch what is missing, ask again; the rounds stay in `index.rounds`."""
    snapshot = start or Snapshot()
    index.rounds.clear()
    for _ in range(most):
        got = resolve_python(question, snapshot)
        if isinstance(got, PythonAnswer):
            return got
        index.rounds.append(got)
        snapshot = index.fetch(snapshot, got)
    raise AssertionError(f"no end after {most} rounds: {got}")


def versions(answer: PythonAnswer) -> dict[str, str]:
    return {pin.name: pin.version for pin in answer.pins}

"""Debian's modules beside wheels: against a search that tries everything, and against pip."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import subprocess
import sys
import zipfile
from collections.abc import Iterable, Mapping
from importlib.metadata import version as installed_version
from itertools import product
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet

from robokit_plan.edge.cache import Cache
from robokit_plan.edge.python_facts import read_carried_facts
from robokit_plan.edge.python_index import PythonIndexes, index_settings
from robokit_plan.model import (
    Bound,
    Carried,
    Carrier,
    DebianName,
    DistributionName,
    InstanceName,
    Origin,
    PluginName,
    Severity,
    Snapshot,
)
from robokit_plan.resolve.debian import upstream_version
from robokit_plan.resolve.python import (
    PythonAnswer,
    PythonProblem,
    PythonRequirement,
    resolve_python,
)

from .fake_python_index import FakeIndex, Rel, answer_of, ask, name, problem, versions
from .test_python_properties import NAMES, Rows, asked_lists, indexes

CAMERA = InstanceName("camera")
LINE = PythonRequirement(
    text="python3-camera",
    origin=Origin(file="plugins/camera/manifest.yaml", line=9, column=3),
    instance=CAMERA,
    plugin=PluginName("camera"),
)
BOUNDS = ("<2", "<=2", ">=2", "==2", "!=3")


def carrier(distribution: str, version: str) -> Carrier:
    package = DebianName(f"python3-{distribution}")
    return Carrier(
        package=package,
        package_version=f"{version}-1",
        distributions=(name(distribution),),
        version=version,
        modules=(distribution,),
        wanted_by=(CAMERA,),
        chain=(DebianName("python3-camera"), package),
    )


def bound(distribution: str, *versions_: str) -> Bound:
    return Bound(
        package=DebianName("python3-lens"),
        distribution=name(distribution),
        versions=versions_,
        interfaces=(DebianName(f"python3-{distribution}-abi1"),),
        wanted_by=(CAMERA,),
        chain=(DebianName("python3-camera"), DebianName("python3-lens")),
    )


carried_sets = st.dictionaries(
    st.sampled_from(NAMES), st.sampled_from(("1", "2", "3")), min_size=1, max_size=2
)


def _carried(versions_: Mapping[str, str], bounds: Iterable[str]) -> Carried:
    """Return carriers, each bound by those of *bounds* that let its own version in, as in Debian."""
    return Carried(
        carriers=tuple(carrier(one, versions_[one]) for one in sorted(versions_)),
        bounds=tuple(
            bound(one, text)
            for one in sorted(versions_)
            for text in bounds
            if SpecifierSet(text).contains(versions_[one])
        ),
    )


def _feasible(rows: Rows, texts: Iterable[str], carried: Carried) -> bool:
    """Whether some choice of wheels and of what is carried meets everything within the bounds."""
    asked = [Requirement(one) for one in texts]
    has = {str(one.distributions[0]): one.version or "" for one in carried.carriers}
    options: list[list[tuple[str, bool] | None]] = [
        [
            None,
            *((version, False) for version in rows[one]),
            *([(has[one], True)] if one in has else []),
        ]
        for one in NAMES
    ]
    for choice in product(*options):
        chosen = {one: taken for one, taken in zip(NAMES, choice, strict=True) if taken is not None}
        needed = asked + [
            Requirement(text)
            for one, (version, of_debian) in chosen.items()
            if not of_debian
            for text in rows[one][version]
        ]
        met = all(
            one.name in chosen and one.specifier.contains(chosen[one.name][0]) for one in needed
        )
        kept = all(
            any(SpecifierSet(text).contains(chosen[one.distribution][0]) for text in one.versions)
            for one in carried.bounds
            if one.distribution in chosen
        )
        if met and kept:
            return True
    return False


def _problem(texts: list[str], carried: Carried) -> PythonProblem:
    lines = [ask(text, f"plugin-{number}", line=number) for number, text in enumerate(texts)]
    return problem(*lines, carried=carried, debian_lines=(LINE,))


@settings(max_examples=50, deadline=None)
@given(
    rows=indexes,
    texts=asked_lists,
    has=carried_sets,
    bounds=st.lists(st.sampled_from(BOUNDS), max_size=2),
)
def test_finds_a_set_within_the_bounds_exactly_where_one_exists(
    rows: Rows, texts: list[str], has: Mapping[str, str], bounds: list[str]
) -> None:
    carried = _carried(has, bounds)
    index = FakeIndex().add(rows)
    answer = answer_of(_problem(texts, carried), index)
    errors = [one for one in answer.findings if one.severity is Severity.ERROR]
    assert (not errors) == _feasible(rows, texts, carried)
    # Rows that were not read never matter.
    assert resolve_python(_problem(texts, carried), index.whole()) == answer
    if errors:
        return
    wheels = versions(answer)
    debian = {str(one.name): one.version for one in answer.carried}
    assert not wheels.keys() & debian.keys()
    taken = wheels | debian
    needed = [*texts, *(text for one in wheels for text in rows[one][wheels[one]])]
    assert all(Requirement(one).specifier.contains(taken[Requirement(one).name]) for one in needed)
    assert all(
        SpecifierSet(one.versions[0]).contains(taken[one.distribution])
        for one in carried.bounds
        if one.distribution in taken
    )


@settings(max_examples=50, deadline=None)
@given(rows=indexes, texts=asked_lists, has=carried_sets)
def test_each_repair_of_a_clash_mends_it(
    rows: Rows, texts: list[str], has: Mapping[str, str]
) -> None:
    carried = _carried(has, ["<2", ">=2"])
    answer = answer_of(_problem(texts, carried), FakeIndex().add(rows))
    errors = [one for one in answer.findings if one.severity is Severity.ERROR]
    if len(errors) != 1 or errors[0].rule != "abi-clash":
        return
    for repair in errors[0].repair:
        gone = {int(number) for number in re.findall(r"plugin-(\d+)", repair)}
        found = re.match(r'python: \{requires: \["(.*)"\]\}', repair)
        if repair == "robokit-plan disable camera":
            assert _feasible(rows, texts, Carried()), repair
        elif found is None:
            left = [text for number, text in enumerate(texts) if number not in gone]
            assert _feasible(rows, left, carried), repair
        else:
            left = [found[1] if number in gone else text for number, text in enumerate(texts)]
            assert _feasible(rows, left, carried), repair


def test_no_page_is_read_for_what_debian_brings() -> None:
    """A robot that takes its modules from Debian alone needs no Python index."""
    question = problem("numpy>=1.24", carried=Carried(carriers=(carrier("numpy", "1.24.2"),)))
    answer = resolve_python(question, Snapshot())
    assert isinstance(answer, PythonAnswer)
    assert [(one.name, one.version, one.package) for one in answer.carried] == [
        ("numpy", "1.24.2", "python3-numpy")
    ]
    assert not answer.pins
    assert not answer.findings


def test_an_extra_takes_the_wheel() -> None:
    """What an extra brings besides, a Debian package does not say."""
    index = FakeIndex().add(
        {
            "flask": {"3.0": Rel(requires=("asgi; extra == 'async'",), extras=("async",))},
            "asgi": {"1": []},
        }
    )
    question = problem("flask[async]", carried=Carried(carriers=(carrier("flask", "2.2"),)))
    assert versions(answer_of(question, index)) == {"asgi": "1", "flask": "3.0"}


@pytest.mark.parametrize(
    ("package", "version"),
    [
        ("1:1.24.2-1+deb12u1", "1.24.2"),  # python3-numpy, Debian 12
        ("1:2.2.4+ds-1", "2.2.4"),  # python3-numpy, Debian 13
        ("4.10.0+dfsg-5", "4.10.0"),  # python3-opencv, Debian 13
        ("3.5~b0-1", "3.5b0"),  # python3-serial, Debian 12
        ("2.1.0-2", "2.1.0"),  # python3-paho-mqtt, Debian 13
        ("0.2020.12.1+really0.2019.9-1", None),  # Debian Policy 5.6.12.3, the really convention
        ("20200710gac8923a-2", None),
    ],
)
def test_upstream_part_of_a_version(package: str, version: str | None) -> None:
    """Debian Policy 5.6.12: epoch, upstream version, revision."""
    assert upstream_version(package) == version


def test_names_of_packages_as_the_archive_has_them() -> None:
    """Spot checks, each read from `dpkg-deb --contents` or the package's page, 2026-11."""
    facts = read_carried_facts("debian-12")
    told = {
        one: facts.distributions.get(DebianName(one)) for one in ("python3-yaml", "python3-numpy")
    }
    assert told == {"python3-yaml": ("pyyaml",), "python3-numpy": None}
    # Failure mode A23: no metadata, so pip does not see them; another name than one would think.
    assert facts.distributions[DebianName("python3-opencv")] == ()
    assert facts.modules[DebianName("python3-opencv")] == ("cv2",)
    assert facts.distributions[DebianName("python3-pycryptodome")] == ("pycryptodomex",)
    assert facts.modules[DebianName("python3-pycryptodome")] == ("Cryptodome",)
    # libgpiod 2.2 and i2c-tools 4.4 have gained metadata, of versions of their own.
    later = read_carried_facts("debian-13")
    assert later.distributions[DebianName("python3-libgpiod")] == ("gpiod",)
    assert DebianName("python3-libgpiod") in later.version_apart
    # Tools; the second is new in Debian 13, whose lists were not to be had.
    assert not facts.brings(DebianName("python3-venv"))
    assert not facts.brings(DebianName("python3-numpy-dev"))
    assert facts.brings(DebianName("python3-opencv"))


def _wheel(folder: Path, project: str, version: str, requires: Iterable[str] = ()) -> None:
    """Write a wheel that holds nothing but its metadata (PEP 427)."""
    info = f"{project}-{version}.dist-info"
    files = {
        f"{info}/METADATA": f"Metadata-Version: 2.1\nName: {project}\nVersion: {version}\n"
        + "".join(f"Requires-Dist: {one}\n" for one in requires),
        f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: x\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
    }
    record = "".join(
        f"{path},sha256={base64.urlsafe_b64encode(hashlib.sha256(text.encode()).digest()).rstrip(b'=').decode()},{len(text)}\n"
        for path, text in files.items()
    )
    with zipfile.ZipFile(folder / f"{project}-{version}-py3-none-any.whl", "w") as archive:
        for path, text in {**files, f"{info}/RECORD": f"{record}{info}/RECORD,,\n"}.items():
            archive.writestr(path, text)


@pytest.mark.slow
@pytest.mark.parametrize(
    "texts",
    [
        ["packaging"],
        ["packaging>=1"],
        ["packaging>=900"],
        ["case-tool"],
        ["case-tool<2"],
        ["packaging", "case-tool"],
        ["packaging<900", "case-tool<2"],
    ],
)
def test_what_pip_leaves_alone(texts: list[str], tmp_path: Path) -> None:
    """
    pip keeps an installed distribution that fits and fetches one where it does not; so do we.

    The distributions of the environment that runs the tests stand for Debian's.
    """
    here = installed_version("packaging")
    rows: dict[str, dict[str, tuple[str, ...]]] = {
        "packaging": {here: (), "999.0": ()},
        "case_tool": {"1.0": ("packaging>=1",), "2.0": ("packaging>=900",)},
    }
    for project, releases in rows.items():
        for version, requires in releases.items():
            _wheel(tmp_path, project, version, requires)
    report = tmp_path / "report.json"
    command = [sys.executable, "-m", "pip", "install", "--dry-run", "--quiet", "--no-index"]
    subprocess.run(
        [*command, "--find-links", str(tmp_path), "--report", str(report), *texts],
        check=True,
        env={"PATH": os.environ["PATH"], "PIP_CONFIG_FILE": "/dev/null"},
    )
    said = {
        name(one["metadata"]["name"]): one["metadata"]["version"]
        for one in json.loads(report.read_bytes())["install"]
    }
    index = FakeIndex().add({key.replace("_", "-"): value for key, value in rows.items()})
    carried = Carried(carriers=(carrier("packaging", here),))
    assert versions(answer_of(problem(*texts, carried=carried), index)) == said


@pytest.mark.live
@pytest.mark.parametrize(
    ("asked", "collide"),
    [
        # opencv/opencv-python issue 467: the four of them hold the same files
        (("opencv-python", "opencv-contrib-python"), {"cv2"}),
        # jpadilla/pyjwt issue 374
        (("jwt", "pyjwt"), {"jwt"}),
        # PEP 420: one namespace, no common file
        (("google-auth", "protobuf"), set()),
        (("sphinxcontrib-applehelp", "sphinxcontrib-qthelp"), set()),
    ],
)
def test_collisions_of_real_wheels(asked: tuple[str, str], collide: set[str]) -> None:
    """The file lists of wheels of today, read by range, tell what collides; no fact is asked."""
    question = problem(*asked)
    with PythonIndexes(index_settings((), os.environ), Cache(None)) as found:
        snapshot = Snapshot()
        for _ in range(60):
            answer = resolve_python(question, snapshot)
            if isinstance(answer, PythonAnswer):
                break
            more = found.fetch(answer.pages, answer.metadata, contents=True)
            snapshot = Snapshot(
                pages={**snapshot.pages, **more.pages},
                metadata={**snapshot.metadata, **more.metadata},
            )
    assert isinstance(answer, PythonAnswer)
    names = {DistributionName(one) for one in asked}
    told = {
        one.message.rpartition(" ")[2]
        for one in answer.findings
        if one.rule == "import-collision" and all(name_ in one.message for name_ in names)
    }
    assert told == collide


def test_an_archive_that_says_nothing_hides_no_clash() -> None:
    """
    Without bounds such an archive is passed over where a wheel fits; within them no less.

    It would go with any version, also with the one that Debian's modules were compiled for.
    """
    index = FakeIndex().add(
        {
            "vision": {
                "5": Rel(requires=("chart>=2",)),
                "4": Rel(requires=None, tags=(), sdist=True),
            },
            "chart": {"1": [], "2": []},
        }
    )
    carried = Carried(bounds=(bound("chart", "<2"),))
    answer = answer_of(_problem(["vision", "chart"], carried), index)
    assert [one.rule for one in answer.findings if one.severity is Severity.ERROR] == ["abi-clash"]
    assert "vision" not in {one.name for one in answer.pins if not one.is_wheel}
    told = next(one for one in answer.findings if one.rule == "abi-clash")
    assert any("source archives of vision were left out" in one for one in told.why)

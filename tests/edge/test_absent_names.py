"""Names that the indices lacked when they were read last."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from robokit_plan.edge.absent_names import read_absent_names
from robokit_plan.edge.cache import Cache, cache_file
from robokit_plan.edge.debian_archive import debian_archive
from robokit_plan.edge.kept_rows import HEAD, PageHead, stored_head
from robokit_plan.edge.robots import parse_robot
from robokit_plan.model import AbsentNames, DebianName, DistributionName, Robot

from .debian_mirror import NOW, PACKAGES, SECURITY, DebianMirror, debian_mirror

INDEX = "https://index.example/simple"
ENVIRON = {"PATH": "/usr/bin:/bin", "PIP_CONFIG_FILE": "/dev/null", "PIP_INDEX_URL": INDEX}


@pytest.fixture
def environ(tmp_path: Path) -> dict[str, str]:
    return {**ENVIRON, "ROBOKIT_PLAN_CACHE": str(tmp_path / "cache"), "HOME": str(tmp_path)}


@pytest.fixture
def mirror() -> Iterator[DebianMirror]:
    with debian_mirror() as served:
        served.add_suite("trixie", PACKAGES)
        served.add_suite("trixie-updates", "")
        served.add_suite("trixie-security", SECURITY, root="/debian-security")
        yield served


def robot(text: str = "") -> Robot:
    found, _ = parse_robot(f'format: 1\nrobot: x\nboard: "a,b"\n{text}', "robot.yaml")
    assert found is not None
    return found


def keep(environ: dict[str, str], **pages: bool) -> None:
    """Keep heads of pages, as a run that asked an index does: name -> whether it was absent."""
    with Cache(cache_file(environ)) as cache:
        cache.put_many(
            (HEAD, f"{INDEX}/{name}/", stored_head(PageHead(fresh_s=600, absent=absent)))
            for name, absent in pages.items()
        )


def distributions(*names: str) -> list[DistributionName]:
    return [DistributionName(one) for one in names]


def test_nothing_kept_is_nothing_known(environ: dict[str, str], tmp_path: Path) -> None:
    """Not one file is made by looking."""
    found = read_absent_names(
        [(tmp_path, robot())], distributions("numpyy"), [DebianName("x")], environ=environ
    )
    assert found.names == AbsentNames()
    assert list(tmp_path.iterdir()) == []


def test_a_page_that_was_not_there(
    environ: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep(environ, numpy=False, numpyy=True)
    monkeypatch.setattr(socket.socket, "connect", None)
    asked = distributions("numpy", "numpyy", "unasked")
    one, other = (
        (tmp_path, robot()),
        (
            tmp_path,
            robot('indexes: [{name: own, url: "https://own.example/simple", only: [numpyy]}]\n'),
        ),
    )
    assert read_absent_names([one], asked, [], environ=environ).names.python == {"numpyy"}
    assert read_absent_names([other], asked, [], environ=environ).names.python == frozenset()
    assert read_absent_names([one, other], asked, [], environ=environ).names.python == frozenset()
    assert read_absent_names([], asked, [], environ=environ).names == AbsentNames()


def test_a_package_that_the_archive_lacks(
    environ: dict[str, str], tmp_path: Path, mirror: DebianMirror
) -> None:
    """After one run with network, the lists on this machine tell; virtual packages are there."""
    keep(environ, numpy=False)
    own = robot(f'system: {{mirror: "{mirror.url}/debian"}}\n')
    names = [DebianName(one) for one in ("mosquitto", "mail-server", "mosqitto")]
    before = read_absent_names([(tmp_path, own)], [], names, environ=environ)
    assert before.names.debian == {}
    reader = debian_archive(own.system, root=tmp_path, environ=environ, now=lambda: NOW)
    assert not isinstance(reader, str)
    reader.close()
    asked = len(mirror.seen)
    found = read_absent_names([(tmp_path, own)], [], names, environ=environ)
    assert found.names.debian == {"mosqitto": ("mosquitto",)}
    assert found.names.systems == ("debian-13 for arm64",)
    assert len(mirror.seen) == asked
    old = replace(own, system=replace(own.system, release="debian-12"))
    both = read_absent_names([(tmp_path, own), (tmp_path, old)], [], names, environ=environ)
    assert both.names.debian == {}, "nobody knows of the other release"

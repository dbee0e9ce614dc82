"""The target's tags and markers against packaging and pip, told to be that machine."""

from __future__ import annotations

import sysconfig
from itertools import chain

import pytest
from packaging import _manylinux, _musllinux, markers, tags
from packaging.requirements import Requirement

from robokit_plan.resolve.python import UnknownTargetError, target_for
from robokit_plan.resolve.python._parsing import marker_holds

from .fake_python_index import FACTS


def _told(
    monkeypatch: pytest.MonkeyPatch, machine: str, glibc: tuple[int, int], *, bits: int
) -> list[str]:
    """Return the platforms that packaging finds on a machine of that kind."""
    monkeypatch.setattr(sysconfig, "get_platform", lambda: f"linux-{machine}")
    monkeypatch.setattr(_manylinux, "_get_glibc_version", lambda: glibc)
    monkeypatch.setattr(_manylinux, "_have_compatible_abi", lambda *_: True)
    monkeypatch.setattr(_musllinux, "_get_musl_version", lambda *_: None)
    return list(tags._linux_platforms(is_32bit=bits == 32))


@pytest.mark.parametrize(
    ("release", "architecture", "machine", "glibc", "python", "bits"),
    [
        ("debian-12", "arm64", "aarch64", (2, 36), (3, 11), 64),
        ("debian-13", "arm64", "aarch64", (2, 41), (3, 13), 64),
        ("debian-12", "armhf", "armv7l", (2, 36), (3, 11), 32),
        ("debian-13", "armhf", "armv7l", (2, 41), (3, 13), 32),
        ("debian-13", "amd64", "x86_64", (2, 41), (3, 13), 64),
    ],
)
def test_tags_are_those_of_packaging_in_its_order(
    monkeypatch: pytest.MonkeyPatch,
    release: str,
    architecture: str,
    machine: str,
    glibc: tuple[int, int],
    python: tuple[int, int],
    bits: int,
) -> None:
    """glibc by release: facts of platform.md, Debian's libc6."""
    platforms = _told(monkeypatch, machine, glibc, bits=bits)
    nodot = f"cp{python[0]}{python[1]}"
    expected = chain(
        tags.cpython_tags(python, [nodot], platforms),
        tags.compatible_tags(python, nodot, platforms),
    )
    found = target_for(release, architecture, "debian", None, FACTS)
    assert list(found.tags) == [str(tag) for tag in expected]


def test_pip_takes_the_same_files() -> None:
    """pip's own list for the same platforms, as a set: its order agrees in packaging's."""
    compatibility = pytest.importorskip("pip._internal.utils.compatibility_tags")
    found = target_for("debian-13", "arm64", "debian", None, FACTS)
    platforms = [f"manylinux_2_{minor}_aarch64" for minor in range(17, 42)]
    platforms += ["manylinux2014_aarch64", "linux_aarch64"]
    supported = compatibility.get_supported(
        version="313", platforms=platforms, impl="cp", abis=["cp313"]
    )
    assert {str(tag) for tag in supported} == set(found.tags)


def test_markers_are_complete_and_not_of_this_machine() -> None:
    """PEP 508 names them; Debian 13 has Python 3.13.5, Debian 12 3.11.2 (packages.debian.org)."""
    found = target_for("debian-13", "armhf", "debian", None, FACTS)
    assert set(found.markers) == set(markers.default_environment())
    assert found.markers["platform_machine"] == "armv7l"
    assert found.markers["python_full_version"] == "3.13.5"
    assert found.python == "3.13"
    old = target_for("debian-12", "arm64", "debian", None, FACTS)
    assert old.markers["python_full_version"] == "3.11.2"
    other = target_for("debian-12", "arm64", "debian", "3.12", FACTS)
    assert other.markers["python_full_version"] == "3.12.0"
    assert other.tags[1] == "cp312-cp312-manylinux_2_36_aarch64"


@pytest.mark.parametrize(
    ("requirement", "expected"),
    [
        # Source: PEP 508, section Examples, and its table of environment markers
        ("requests [security,tests] >= 2.8.1, == 2.8.* ; python_version < '2.7'", False),
        ("name; os_name=='a' and os_name=='b' or os_name=='posix'", True),
        ("name; os_name=='a' and (os_name=='b' or os_name=='posix')", False),
        ("argparse; python_version < '2.7'", False),
        ("a; sys_platform == 'linux' and platform_machine == 'aarch64'", True),
        ("a; platform_machine == 'x86_64'", False),
        ("a; python_full_version >= '3.13.5'", True),
        (
            "a; implementation_name == 'cpython' and platform_python_implementation == 'CPython'",
            True,
        ),
        ("a; 'aarch' in platform_machine", True),
        ("a; extra == 'fast'", False),
    ],
)
def test_markers_of_the_target(requirement: str, expected: bool) -> None:
    found = target_for("debian-13", "arm64", "debian", None, FACTS)
    environment = tuple(sorted(found.markers.items()))
    assert marker_holds(str(Requirement(requirement).marker), environment, "") is expected


def test_unknown_names_say_what_is_known() -> None:
    with pytest.raises(UnknownTargetError) as caught:
        target_for("debian-14", "arm64", "debian", None, FACTS)
    assert str(caught.value) == "nothing is known about 'debian-14'; known: debian-12, debian-13"
    with pytest.raises(UnknownTargetError):
        target_for("debian-13", "sparc", "debian", None, FACTS)

"""
`card --offline --built`: wheels that a robot of the same kind built and kept, carried to the next.

The robot needs two source archives; what it keeps is laid out as `install.sh` does it, under the
keys that stand in the script.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import shutil
import tarfile
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from robokit_plan.cli._app import run
from robokit_plan.edge import built_wheels
from robokit_plan.edge.python_facts import read_python_facts
from robokit_plan.model import DistributionName, SourceBuild
from robokit_plan.render import CarriedBuilds, render_builds
from robokit_plan.resolve.python import build_minutes
from tests.cli.conftest import Done
from tests.cli.skiff import Skiff
from tests.edge.index_server import metadata, tarball, wheel

CARD = "card-skiff"
TAG = "cp313-cp313-linux_aarch64"
PACKAGES = ("build-essential", "ca-certificates", "mosquitto", "python3-dev", "python3-venv")
Call = Callable[..., Done]


def archive(name: str) -> bytes:
    top = f"{name}-1.0"
    build = b'[build-system]\nrequires = ["hammer"]\nbuild-backend = "hammer"\n'
    info = metadata(name, "1.0", level="2.2")
    return tarball({f"{top}/PKG-INFO": info, f"{top}/pyproject.toml": build})


@pytest.fixture
def call(skiff: Skiff, capsys: pytest.CaptureFixture[str]) -> Call:
    """Serve two source archives and what building takes, lock the robot, and give a function that calls."""
    bodies = {name: f"the package {name}\n".encode() * 40 for name in PACKAGES}
    listed = "\n".join(
        f"Package: {name}\nVersion: 1.0-1\nArchitecture: arm64\nInstalled-Size: 6\n"
        f"Filename: pool/{name}.deb\nSize: {len(body)}\nSHA256: {hashlib.sha256(body).hexdigest()}\n"
        for name, body in bodies.items()
    )
    skiff.mirror.add_suite("trixie", listed, date=time.time() - 60, valid=time.time() + 86_400)
    skiff.mirror.files |= {f"/debian/pool/{name}.deb": body for name, body in bodies.items()}
    for name in ("fathom", "lead-line"):
        plain = name.replace("-", "_")
        skiff.index.add(name, {f"{plain}-1.0.tar.gz": archive(plain)})
    skiff.index.add("hammer", {"hammer-1.0-py3-none-any.whl": wheel("hammer", "1.0")})
    skiff.plugin("leak", 'python: {requires: ["alpha>=1", "fathom", "lead-line"]}\n')

    def called(*words: str) -> Done:
        capsys.readouterr()
        status = run(list(words))
        said = capsys.readouterr()
        return Done(status=status, out=said.out, err=said.err)

    done = called("lock")
    assert done.status == 0, done
    return called


def keys(skiff: Skiff) -> dict[str, str]:
    """Return what the script calls the wheel of each source archive."""
    script = (skiff.root / CARD / "robot/install.sh").read_text()
    rows = script.partition("\nsource_rows() {\n")[2].partition("\n}\n")[0]
    return dict(re.findall(r"'([a-z-]+)' '1\.0' '[a-z_]+-1\.0\.tar\.gz' '([0-9a-f]{16})'", rows))


@pytest.fixture
def kept(skiff: Skiff, call: Call, tmp_path: Path) -> Path:
    """The folder of a robot of this kind that has built everything."""
    assert call("card").status == 0
    folder = tmp_path / "robot/built"
    for name, key in keys(skiff).items():
        plain = name.replace("-", "_")
        put(folder / key, f"{plain}-1.0-{TAG}.whl", wheel(plain, "1.0"))
    assert len(list(folder.iterdir())) == 2
    return folder


def put(place: Path, name: str, body: bytes) -> None:
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir(parents=True)
    (place / name).write_bytes(body)
    (place / "SHA256SUMS").write_text(f"{hashlib.sha256(body).hexdigest()}  {name}\n")


def carried(skiff: Skiff) -> dict[str, bytes]:
    folder = skiff.root / CARD / "packages/built"
    return {
        one.relative_to(folder).as_posix(): one.read_bytes()
        for one in folder.rglob("*")
        if one.is_file()
    }


def page(skiff: Skiff) -> str:
    return " ".join((skiff.root / CARD / "READ-ME.md").read_text().split())


def test_what_was_built_is_carried_as_it_was_kept(skiff: Skiff, call: Call, kept: Path) -> None:
    done = call("card", "--offline", "--archive", "--built", str(kept))
    assert done.status == 0, done.err
    told = "nothing is built on the board: 2 source archives come built"
    assert told in done.err
    assert f"N{told[1:]}." in page(skiff)
    assert "--built FOLDER" not in page(skiff)
    wanted = {
        one.relative_to(kept).as_posix(): one.read_bytes()
        for one in kept.rglob("*")
        if one.is_file()
    }
    assert carried(skiff) == wanted
    sums = (skiff.root / CARD / "SHA256SUMS").read_text()
    assert all(f"  packages/built/{name}\n" in sums for name in wanted)
    # the archives and all that building takes come along, should the robot have to build after all
    there = {one.name for one in (skiff.root / CARD / "packages/python").iterdir()}
    assert {"fathom-1.0.tar.gz", "lead_line-1.0.tar.gz", "hammer-1.0-py3-none-any.whl"} <= there
    # again, from a copy of another day with other modes: the same bytes
    first = (skiff.root / "card-skiff.tar").read_bytes()
    for path in kept.rglob("*"):
        os.utime(path, (1, 1))
        path.chmod(0o700)
    assert call("card", "--offline", "--archive", "--built", str(kept)).status == 0
    assert (skiff.root / "card-skiff.tar").read_bytes() == first
    # what is not asked for any more is not carried
    assert call("card", "--offline").status == 0
    assert carried(skiff) == {}
    assert "The board builds fathom 1.0 and lead-line 1.0. What it has built it keeps in" in page(
        skiff
    )


def test_what_is_missing_is_named_and_built_on_the_board(
    skiff: Skiff, call: Call, kept: Path
) -> None:
    shutil.rmtree(kept / keys(skiff)["fathom"])
    done = call("card", "--offline", "--built", str(kept))
    assert done.status == 0
    assert "1 of 2 source archives comes built; the board builds fathom 1.0\n" in done.err
    assert {name.partition("/")[0] for name in carried(skiff)} == {keys(skiff)["lead-line"]}
    assert "`robokit-plan card --offline --built FOLDER` spares the next robot" in page(skiff)


def test_several_folders_are_looked_through_in_order(
    skiff: Skiff, call: Call, kept: Path, tmp_path: Path
) -> None:
    key = keys(skiff)["fathom"]
    first = tmp_path / "first"
    put(first / key, f"fathom-1.0-{TAG}.whl", wheel("fathom", "1.0", files={"more.py": b""}))
    done = call("card", "--offline", "--built", str(first), "--built", str(kept))
    assert done.status == 0
    assert "2 source archives come built" in done.err
    wheel_ = f"{key}/fathom-1.0-{TAG}.whl"
    assert carried(skiff)[wheel_] == (first / wheel_).read_bytes()


def test_what_was_built_from_something_else_is_not_carried(
    skiff: Skiff, call: Call, kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Other tools to build with, another key: a newer hammer."""
    skiff.index.add("hammer", {"hammer-2.0-py3-none-any.whl": wheel("hammer", "2.0")})
    monkeypatch.setenv("ROBOKIT_PLAN_CACHE", str(tmp_path / "another cache"))
    assert call("lock", "--upgrade").status == 0
    done = call("card", "--offline", "--built", str(kept))
    assert done.status == 0
    assert "the board builds fathom 1.0 and lead-line 1.0\n" in done.err
    assert carried(skiff) == {}


def test_a_folder_within_the_robots_own_is_carried_once(
    skiff: Skiff, call: Call, kept: Path
) -> None:
    shutil.copytree(kept, skiff.root / "built")
    assert call("card", "--offline", "--built", "built").status == 0
    assert len(carried(skiff)) == 4
    assert not (skiff.root / CARD / "robot/built").exists()


def test_without_offline_it_is_wrong_use(skiff: Skiff, call: Call, kept: Path) -> None:
    done = call("card", "--built", str(kept))
    assert (done.status, done.err) == (
        2,
        "error what a robot has built is carried by an offline card\n"
        "  why  --built is typed without --offline\n"
        f"  fix  robokit-plan card --offline --built {kept}\n",
    )


def test_a_folder_that_holds_nothing_of_it(
    skiff: Skiff, call: Call, kept: Path, tmp_path: Path
) -> None:
    """The robot's whole folder, a file, nothing at all: told, with what to type."""
    for folder, message, why in (
        (kept.parent, "holds nothing that a robot built and kept", "16 hexadecimal digits"),
        (tmp_path / "none", "cannot be read as a folder", "no such file or directory"),
        (skiff.root / "robot.yaml", "cannot be read as a folder", "not a directory"),
    ):
        done = call("card", "--offline", "--built", str(folder))
        assert done.status == 2
        assert f"error {folder} {message}\n  why  " in done.err
        assert why in done.err
        assert "  fix  scp -r ROBOT:/opt/ROBOT/built .   and then --built built\n" in done.err


# --- damaged and foreign --------------------------------------------------------------------------

NAME = f"fathom-1.0-{TAG}.whl"


def with_name(name: str) -> Callable[[Path], None]:
    return lambda place: put(place, name, wheel("fathom", "1.0"))


def with_body(body: bytes) -> Callable[[Path], None]:
    return lambda place: put(place, NAME, body)


def members(*names: str) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as made:
        for name in names:
            made.writestr(name, b"")
    return held.getvalue()


def flip(place: Path) -> None:
    body = bytearray((place / NAME).read_bytes())
    body[10] ^= 1
    (place / NAME).write_bytes(body)


def listing(text: str) -> Callable[[Path], None]:
    def change(place: Path) -> None:
        (place / "SHA256SUMS").write_text(text)

    return change


def link_wheel(place: Path) -> None:
    (place / NAME).rename(place / "real")
    (place / NAME).symlink_to("real")


def link_list(place: Path) -> None:
    (place / "SHA256SUMS").rename(place / "real")
    (place / "SHA256SUMS").symlink_to("real")


def link_folder(place: Path) -> None:
    place.rename(place.parent / "real")
    place.symlink_to("real")


def pipe_wheel(place: Path) -> None:
    (place / NAME).unlink()
    os.mkfifo(place / NAME)


def pipe_list(place: Path) -> None:
    (place / "SHA256SUMS").unlink()
    os.mkfifo(place / "SHA256SUMS")


def file_for_folder(place: Path) -> None:
    shutil.rmtree(place)
    place.write_text("x")


def second_wheel(place: Path) -> None:
    (place / f"other-1.0-{TAG}.whl").write_bytes(b"x")


INFO = "fathom-1.0.dist-info"
WHOLE_INFO = [f"{INFO}/{one}" for one in ("METADATA", "RECORD", "WHEEL")]
NOT_ALONE = f"{NAME} does not hold fathom 1.0 alone"
FOREIGN = "is for another machine or another Python"
UNFIT: dict[str, tuple[Callable[[Path], None], str]] = {
    "other bytes": (flip, f"the SHA-256 of {NAME} is not the one in its SHA256SUMS"),
    "no hash": (listing(""), "is not the one in its SHA256SUMS"),
    "a hash of something else": (listing(f"{'0' * 64}  ../../etc/passwd\n"), "is not the one in"),
    "a list without end": (listing("0" * 2_000), "SHA256SUMS is larger than 1 kB"),
    "no list": (lambda place: (place / "SHA256SUMS").unlink(), "it holds no SHA256SUMS"),
    "no wheel": (lambda place: (place / NAME).unlink(), "it holds no wheel"),
    "two wheels": (second_wheel, "it holds more than one wheel"),
    "linked wheel": (link_wheel, f"{NAME} is a link or cannot be read"),
    "linked list": (link_list, "SHA256SUMS is a link or cannot be read"),
    "linked folder": (link_folder, "it is a link or no folder"),
    "a file": (file_for_folder, "it is a link or no folder"),
    "a pipe": (pipe_wheel, f"{NAME} is no ordinary file"),
    "a pipe for a list": (pipe_list, "SHA256SUMS is no ordinary file"),
    "another project": (with_name(f"lead_line-1.0-{TAG}.whl"), "is not named as a wheel of fathom"),
    "another version": (with_name(f"fathom-1.1-{TAG}.whl"), "is not named as a wheel of fathom 1.0"),
    "no name of a wheel": (with_name("fathom.whl"), "is not named as a wheel of fathom 1.0"),
    "another Python": (with_name("fathom-1.0-cp311-cp311-linux_aarch64.whl"), FOREIGN),
    "another machine": (with_name("fathom-1.0-cp313-cp313-linux_x86_64.whl"), FOREIGN),
    "a newer C library": (with_name("fathom-1.0-cp313-cp313-manylinux_2_99_aarch64.whl"), FOREIGN),
    "no ZIP": (with_body(b"half a wheel"), f"{NAME} is no readable wheel"),
    "half": (with_body(wheel("fathom", "1.0")[:-40]), f"{NAME} is no readable wheel"),
    "another inside": (with_body(wheel("other", "1.0")), NOT_ALONE),
    "another version inside": (with_body(wheel("fathom", "2.0")), NOT_ALONE),
    "two inside": (with_body(members(*WHOLE_INFO, "other-1.0.dist-info/METADATA")), NOT_ALONE),
    "no metadata": (with_body(members(*WHOLE_INFO[1:])), NOT_ALONE),
    "an empty ZIP": (with_body(members()), NOT_ALONE),
    "a version that is none": (with_body(members("fathom-x.dist-info/METADATA")), NOT_ALONE),
}  # fmt: skip


@pytest.mark.parametrize("how", UNFIT)
def test_what_is_damaged_or_foreign_is_refused(
    skiff: Skiff, call: Call, kept: Path, how: str
) -> None:
    """Told before anything is fetched; the card of before stays as it is."""
    change, why = UNFIT[how]
    place = kept / keys(skiff)["fathom"]
    change(place)
    before = (skiff.root / CARD / "SHA256SUMS").read_bytes()
    skiff.index.seen.clear()
    done = call("card", "--offline", "--built", str(kept))
    assert done.status == 2, done
    first, told, *fixes = done.err.splitlines()
    assert first == f"error {place} cannot be carried for fathom 1.0"
    assert told.startswith("  why  ")
    assert why in told
    assert fixes == [
        "  fix  copy the folder anew from the robot; sudo sh install.sh mends what is damaged",
        f"  fix  rm -r {place}   and the board builds it itself",
    ]
    assert skiff.index.seen == []
    assert (skiff.root / CARD / "SHA256SUMS").read_bytes() == before
    assert [one.name for one in skiff.root.iterdir() if one.name.startswith(".")] == []


def test_a_wheel_without_end_is_not_read(
    skiff: Skiff, call: Call, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(built_wheels, "MAX_WHEEL", 100)
    done = call("card", "--offline", "--built", str(kept))
    assert (done.status, f"{NAME} is larger than 100 bytes" in done.err) == (2, True)
    assert keys(skiff)["fathom"] in done.err


def test_a_list_of_members_without_end_is_not_read(
    skiff: Skiff, call: Call, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(
        kept / keys(skiff)["fathom"],
        NAME,
        members(*WHOLE_INFO, *(f"fathom/{at}.py" for at in range(50))),
    )
    with monkeypatch.context() as patched:
        patched.setattr(built_wheels, "MAX_DIRECTORY", 1_000)
        done = call("card", "--offline", "--built", str(kept))
    assert (done.status, f"{NAME} is no readable wheel" in done.err) == (2, True)
    assert call("card", "--offline", "--built", str(kept)).status == 0


def test_an_archive_of_it_lists_every_file(skiff: Skiff, call: Call, kept: Path) -> None:
    assert call("card", "--offline", "--archive", "--built", str(kept)).status == 0
    with tarfile.open(skiff.root / "card-skiff.tar") as bundle:
        names = [one.name for one in bundle.getmembers() if "/packages/built/" in one.name]
    assert len(names) == 2 + 4


# --- words ----------------------------------------------------------------------------------------


def build_of(name: str, version: str, key: str) -> SourceBuild:
    return SourceBuild(name=DistributionName(name), version=version, filename="", key=key)


def test_how_long_a_board_builds_is_told_where_it_is_known() -> None:
    """The facts' own figure for dlib: about three hours (native_needs.yaml, with its source)."""
    facts = read_python_facts()
    dlib = build_of("dlib", "19.24.6", "a")
    spidev = build_of("spidev", "3.8", "b")
    minutes = build_minutes(dlib.name, dlib.version, facts)
    assert minutes == 180
    assert build_minutes(spidev.name, spidev.version, facts) is None
    assert build_minutes(DistributionName("nobody-knows"), "1", facts) is None
    assert build_minutes(dlib.name, "no version", facts) is None
    told = render_builds(
        CarriedBuilds(builds=(dlib, spidev), carried=frozenset("b"), minutes={dlib.name: minutes})
    )
    assert told == (
        "1 of 2 source archives comes built; "
        "the board builds dlib 19.24.6 (about 3 hours on a small board)"
    )

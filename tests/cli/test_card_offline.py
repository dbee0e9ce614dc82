"""`card --offline`: every file is fetched from where the robot would fetch it, or the reason is told."""

from __future__ import annotations

import hashlib
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from robokit_plan.cli._app import run
from tests.cli.conftest import Done
from tests.cli.skiff import Skiff

DEBS = {
    "mosquitto": "2.0.21-1",
    "python3-venv": "3.13.5-1",
    "ca-certificates": "20250419",
}
CARD = "card-skiff"
Call = Callable[..., Done]


def body_of(name: str) -> bytes:
    return f"the package {name}\n".encode() * 40


def path_of(name: str) -> str:
    return f"/debian/pool/{name}_{DEBS[name]}_arm64.deb"


@pytest.fixture
def call(skiff: Skiff, capsys: pytest.CaptureFixture[str]) -> Call:
    """Serve the packages, lock the robot, and give a function that runs one call."""
    listed = "\n".join(
        f"Package: {name}\nVersion: {version}\nArchitecture: arm64\nInstalled-Size: 6\n"
        f"Filename: {path_of(name).removeprefix('/debian/')}\nSize: {len(body_of(name))}\n"
        f"SHA256: {hashlib.sha256(body_of(name)).hexdigest()}\n"
        for name, version in DEBS.items()
    )
    skiff.mirror.add_suite("trixie", listed, date=time.time() - 60, valid=time.time() + 86_400)
    skiff.mirror.files |= {path_of(name): body_of(name) for name in DEBS}

    def called(*words: str) -> Done:
        capsys.readouterr()
        status = run(list(words))
        said = capsys.readouterr()
        return Done(status=status, out=said.out, err=said.err)

    assert called("lock").status == 0
    return called


def fetched(skiff: Skiff) -> list[str]:
    """Return what was asked for since this was asked last, sorted."""
    seen = [one.rpartition("/")[2] for one in skiff.mirror.seen if one.endswith(".deb")]
    seen += [one.rpartition("/")[2] for one in skiff.index.paths() if one.endswith(".whl")]
    skiff.mirror.seen.clear()
    skiff.index.seen.clear()
    return sorted(seen)


EVERYTHING = sorted([*(Path(path_of(name)).name for name in DEBS), "alpha-1.0-py3-none-any.whl"])


def test_the_card_has_every_file_and_the_next_one_asks_nobody(skiff: Skiff, call: Call) -> None:
    fetched(skiff)
    assert call("card", "--offline").status == 0
    packages = skiff.root / CARD / "packages"
    found = {one.name: one.read_bytes() for one in packages.rglob("*") if one.is_file()}
    assert sorted(found) == EVERYTHING == fetched(skiff)
    assert {name: found[Path(path_of(name)).name] for name in DEBS} == {
        name: body_of(name) for name in DEBS
    }
    assert call("card", "--offline").status == 0
    assert fetched(skiff) == []


def test_what_was_fetched_before_the_network_went_is_not_fetched_again(
    skiff: Skiff, call: Call, tmp_path: Path
) -> None:
    name = "mosquitto"
    gone = skiff.mirror.files.pop(path_of(name))
    fetched(skiff)
    done = call("card", "--offline")
    assert done.status == 3
    assert "the Debian package mosquitto 2.0.21-1 could not be fetched" in done.err
    assert "this exact version is there no more" in done.err
    assert "robokit-plan lock --upgrade" in done.err
    assert sorted(one.name for one in skiff.root.iterdir() if "card" in one.name) == []
    had = set(fetched(skiff)) - {Path(path_of(name)).name}
    skiff.mirror.files[path_of(name)] = gone
    assert call("card", "--offline").status == 0
    more = set(fetched(skiff))
    assert had
    assert had.isdisjoint(more)
    assert sorted(had | more) == EVERYTHING
    # nothing of it stays behind
    assert list((tmp_path / "cache/card").iterdir()) == []
    shutil.rmtree(skiff.root / CARD)
    assert call("card", "--offline").status == 0
    assert fetched(skiff) == EVERYTHING


def test_a_file_that_was_replaced_is_refused(skiff: Skiff, call: Call) -> None:
    skiff.mirror.files[path_of("mosquitto")] = body_of("mosquitto").replace(b"package", b"PACKAGE")
    done = call("card", "--offline")
    assert done.status == 3
    assert "the Debian package mosquitto 2.0.21-1 is not the file that was locked" in done.err
    assert not (skiff.root / CARD).exists()


def test_a_damaged_copy_is_fetched_anew(skiff: Skiff, call: Call) -> None:
    """A card that somebody edited, or a file that a full disk cut off."""
    assert call("card", "--offline").status == 0
    file = skiff.root / CARD / "packages/debian" / Path(path_of("mosquitto")).name
    file.write_bytes(b"half")
    fetched(skiff)
    assert call("card", "--offline").status == 0
    assert fetched(skiff) == [file.name]
    assert file.read_bytes() == body_of("mosquitto")

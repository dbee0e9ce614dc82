"""Files: written whole or not at all, found inside a folder only, read within bounds."""

from __future__ import annotations

import os
import stat
import tempfile
import threading
from pathlib import Path

import pytest

from robokit_plan.edge.files import (
    CannotWrite,
    backup,
    check_unchanged,
    find_inside,
    held,
    passing_folder,
    read_text,
    write_atomically,
    write_folder,
)
from robokit_plan.formats.unreadable import UnreadableFile

IS_ROOT = hasattr(os, "geteuid") and os.geteuid() == 0


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_a_new_file_gets_the_usual_mode(tmp_path: Path) -> None:
    old = os.umask(0o027)
    try:
        write_atomically(tmp_path / "a", "é\n")
    finally:
        os.umask(old)
    assert (tmp_path / "a").read_bytes() == b"\xc3\xa9\n"
    assert mode(tmp_path / "a") == 0o640


def test_the_mode_of_a_replaced_file_stays_unless_asked(tmp_path: Path) -> None:
    path = tmp_path / "install.sh"
    path.write_text("old")
    path.chmod(0o750)
    write_atomically(path, "new")
    assert (path.read_text(), mode(path)) == ("new", 0o750)
    write_atomically(path, "newer", mode=0o600)
    assert mode(path) == 0o600


def test_nothing_is_left_beside_it(tmp_path: Path) -> None:
    write_atomically(tmp_path / "a", "1")
    write_atomically(tmp_path / "a", "2")
    assert [one.name for one in tmp_path.iterdir()] == ["a"]


def test_a_failure_leaves_the_old_file_and_no_rubbish(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a"
    path.write_text("old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(CannotWrite) as caught:
        write_atomically(path, "new")
    assert str(caught.value) == f"{path} cannot be written: no space left on device"
    assert path.read_text() == "old"
    assert [one.name for one in tmp_path.iterdir()] == ["a"]


def test_a_missing_folder_says_how_to_make_it(tmp_path: Path) -> None:
    path = tmp_path / "no" / "a"
    with pytest.raises(CannotWrite) as caught:
        write_atomically(path, "x")
    assert caught.value.repair == f"mkdir -p {path.parent}"


@pytest.mark.skipif(IS_ROOT, reason="root may write anywhere")
def test_a_folder_without_permission_is_told(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(CannotWrite, match="permission denied"):
        write_atomically(tmp_path / "a", "x")


def test_a_folder_of_that_name_is_told(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    with pytest.raises(CannotWrite, match="a folder has that name"):
        write_atomically(tmp_path / "a", "x")


def test_a_link_that_leads_away_is_not_followed(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "passwd").write_text("keep")
    robot = tmp_path / "robot"
    robot.mkdir()
    (robot / "robot.yaml").symlink_to(outside / "passwd")
    with pytest.raises(CannotWrite, match="leads out of its folder"):
        write_atomically(robot / "robot.yaml", "x")
    assert (outside / "passwd").read_text() == "keep"


def test_a_link_inside_the_folder_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real.yaml").write_text("old")
    (tmp_path / "robot.yaml").symlink_to("real.yaml")
    write_atomically(tmp_path / "robot.yaml", "new")
    assert (tmp_path / "robot.yaml").is_symlink()
    assert (tmp_path / "real.yaml").read_text() == "new"


def test_a_backup_stands_beside(tmp_path: Path) -> None:
    path = tmp_path / "robot.yaml"
    path.write_bytes(b"a: 1\r\n")
    path.chmod(0o604)
    copy = backup(path)
    assert copy == tmp_path / "robot.yaml.before"
    assert (copy.read_bytes(), mode(copy)) == (b"a: 1\r\n", 0o604)
    with pytest.raises(CannotWrite):
        backup(tmp_path / "none")


@pytest.mark.parametrize(
    "relative",
    ["", "/etc", "..", "a/../../b", "~/x", "a/..", "..\\x", "link/passwd", "link", "a\0b"],
)
def test_paths_that_lead_out_are_not_found(tmp_path: Path, relative: str) -> None:
    (tmp_path / "link").symlink_to("/etc")
    assert find_inside(tmp_path, relative) is None


def test_paths_inside_are_found_whether_they_exist_or_not(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to("real")
    assert find_inside(tmp_path, "plugins") == tmp_path / "plugins"
    assert find_inside(tmp_path, "link/x") == tmp_path / "link" / "x"


def test_a_link_to_itself_is_told(tmp_path: Path) -> None:
    (tmp_path / "loop").symlink_to("loop")
    with pytest.raises(UnreadableFile):
        read_text(tmp_path / "loop", "f.yaml")


def test_what_is_no_ordinary_file_is_not_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for name, words in (("pipe", "it is a pipe"), ("", "a folder"), ("none", "no such file")):
        with pytest.raises(UnreadableFile, match=words):
            read_text(tmp_path / name, "f.yaml")


def test_a_file_that_grows_without_end_is_read_to_the_limit_only(tmp_path: Path) -> None:
    big = tmp_path / "big"
    with big.open("wb") as stream:
        stream.truncate(5_000_000_000)  # sparse: no disk is used
    with pytest.raises(UnreadableFile, match="larger than 1 MB"):
        read_text(big, "f.yaml")


def test_a_folder_appears_whole(tmp_path: Path) -> None:
    folder = tmp_path / "plugins" / "vane"
    write_folder(folder, {"manifest.yaml": "a: 1\n", "vane/code.py": ""})
    assert (folder / "manifest.yaml").read_text() == "a: 1\n"
    assert (folder / "vane" / "code.py").read_text() == ""
    assert mode(folder) == mode(folder.parent)


def test_a_folder_that_cannot_be_written_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(CannotWrite, match="vane cannot be written"):
        write_folder(tmp_path / "vane", {"a": "", "a/b": ""})
    assert [*tmp_path.iterdir()] == []


def test_what_somebody_else_wrote_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "robot.yaml"
    path.write_text("\ufeffa: 1\n", "utf-8")
    check_unchanged(path, "a: 1\n")
    path.write_text("a: 2\n")
    with pytest.raises(CannotWrite, match="it was changed while this command ran"):
        check_unchanged(path, "a: 1\n")
    path.unlink()
    with pytest.raises(UnreadableFile, match="there is no such file"):
        check_unchanged(path, "a: 1\n")


def test_one_holds_a_folder_at_a_time(tmp_path: Path) -> None:
    order: list[str] = []
    inside = threading.Event()

    def second() -> None:
        inside.wait()
        with held(tmp_path):
            order.append("second")

    other = threading.Thread(target=second)
    other.start()
    with held(tmp_path):
        inside.set()
        other.join(0.2)
        order.append("first")
    other.join()
    assert order == ["first", "second"]
    assert [*tmp_path.iterdir()] == []


def test_a_folder_that_is_not_there_holds_nobody_up(tmp_path: Path) -> None:
    with held(tmp_path / "none"):
        pass


def test_no_room_for_passing_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tempfile, "tempdir", None)
    monkeypatch.setattr(tempfile, "_candidate_tempdir_list", lambda: [str(tmp_path / "none")])
    monkeypatch.setenv("TMPDIR", "/full")
    with pytest.raises(CannotWrite, match="/full cannot be written: no folder for passing files"):
        passing_folder()

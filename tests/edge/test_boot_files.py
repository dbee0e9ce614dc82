"""Files that a boot file includes: those of its folder, and no others."""

from __future__ import annotations

from pathlib import Path

from robokit_plan.edge.boot_files import included_files


def test_files_of_the_folder_are_followed(tmp_path: Path) -> None:
    """Names are meant from the boot folder, whoever includes them; a ring ends."""
    boot = tmp_path / "boot"
    (boot / "parts").mkdir(parents=True)
    (boot / "config.txt").write_text("include parts/a.txt   # more\n#include no.txt\n")
    (boot / "parts" / "a.txt").write_text("gpio=4=op\ninclude b.txt\ninclude parts/a.txt\n")
    (boot / "b.txt").write_text("[all]\n")
    found = included_files(tmp_path, "boot/config.txt")
    assert list(found) == ["parts/a.txt", "b.txt"]
    assert found["b.txt"] == "[all]\n"


def test_nothing_outside_of_the_boot_folder_is_read(tmp_path: Path) -> None:
    """Neither by a path that climbs, nor an absolute one, nor a link, nor where there is none."""
    boot = tmp_path / "boot"
    boot.mkdir()
    secret = tmp_path / "secret.txt"
    secret.write_text("gpio=4=op\n")
    (boot / "link.txt").symlink_to(secret)
    names = ("../secret.txt", str(secret), "link.txt", "missing.txt", ".")
    (boot / "config.txt").write_text("".join(f"include {name}\n" for name in names))
    assert included_files(tmp_path, "boot/config.txt") == {}


def test_files_without_end_are_given_up(tmp_path: Path) -> None:
    """So many files are followed and no more."""
    for number in range(200):
        (tmp_path / f"{number}.txt").write_text(f"include {number + 1}.txt\n")
    assert len(included_files(tmp_path, "0.txt")) == 32

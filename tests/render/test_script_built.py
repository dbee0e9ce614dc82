"""
What is compiled is kept by what it follows from, whole or not at all, and taken from there again.

The functions run as they stand in the script, in a real shell, on a folder; the plug is pulled at
each command that changes something (SIGKILL to the whole process group, signal(7)).
"""

from __future__ import annotations

import hashlib
import signal
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from robokit_plan.formats.lock import parse_lock, render_lock
from robokit_plan.model import BoardId, DistributionName, Plan, PythonPin
from robokit_plan.render import source_builds
from tests.edge.index_server import wheel as wheel_bytes
from tests.render.plans import HERON, LOCK_ORIGIN, deb, sdist, sha, wheel
from tests.render.test_script import function_of, script_of

PLAN = replace(HERON, build_environment={}, python=(*HERON.python, sdist("lgpio", "0.2.2.0")))
SCRIPT = script_of(PLAN)
LGPIO, SPIDEV = source_builds(PLAN)
ACTS = ("cp", "chmod", "ln", "mkdir", "mv", "rm", "sync")
NAME = "spidev-3.8-cp313-cp313-linux_aarch64.whl"
BODY = wheel_bytes("spidev", "3.8")


def key_of(plan: Plan, name: str = "spidev") -> str:
    return next(one.key for one in source_builds(plan) if one.name == name)


# --- the key --------------------------------------------------------------------------------------


def with_pin(plan: Plan, name: str, **changes: object) -> Plan:
    def changed(pin: PythonPin) -> PythonPin:
        return replace(pin, file=replace(pin.file, **changes)) if pin.name == name else pin  # type: ignore[arg-type]

    return replace(
        plan, python=tuple(map(changed, plan.python)), build=tuple(map(changed, plan.build))
    )


MAKERS_GCC = replace(
    HERON,
    debian=tuple(
        replace(pin, source="maker") if pin.name == "gcc" else pin for pin in HERON.debian
    ),
)
OTHERS = {
    "archive": with_pin(HERON, "spidev", sha256=sha("other")),
    "python": replace(HERON, target=replace(HERON.target, python="3.12")),
    "architecture": replace(HERON, target=replace(HERON.target, architecture="armhf")),
    "release": replace(HERON, target=replace(HERON.target, release="debian-12")),
    "image": replace(HERON, target=replace(HERON.target, image="vendor")),
    "board": replace(HERON, board=BoardId("raspberrypi,5-model-b")),
    "build tool": with_pin(HERON, "setuptools", sha256=sha("other")),
    "further build tool": replace(HERON, build=(*HERON.build, wheel("wheel", "0.45.1"))),
    "variables": replace(HERON, build_environment={}),
    "compiler of a declared archive": MAKERS_GCC,
}
SAME = {
    "another wheel": replace(HERON, python=(*HERON.python, wheel("smbus2", "0.5.0"))),
    "another sdist": replace(HERON, python=(*HERON.python, sdist("lgpio", "0.2.2.0"))),
    "a compiler of the release": replace(
        HERON,
        debian=tuple(
            replace(pin, version="4:14.2.0-2") if pin.name == "gcc" else pin for pin in HERON.debian
        ),
    ),
    "a package that runs": replace(HERON, debian=(*HERON.debian, deb("tree", "2.2.1-1"))),
    "profile": replace(HERON, profile="bench"),
    "variables of another build": replace(
        HERON,
        build_environment={
            **HERON.build_environment,
            DistributionName("lgpio"): (("PYPI", "1"),),
        },
    ),
    "order of the build tools": replace(
        OTHERS["further build tool"], build=OTHERS["further build tool"].build[::-1]
    ),
}


def test_what_a_wheel_follows_from_is_in_its_key() -> None:
    keys = {name: key_of(plan) for name, plan in OTHERS.items()}
    assert len({key_of(HERON), *keys.values()}) == len(OTHERS) + 1, keys


@pytest.mark.parametrize("name", SAME)
def test_what_it_does_not_follow_from_is_not(name: str) -> None:
    before = OTHERS["further build tool"] if name.startswith("order") else HERON
    assert key_of(SAME[name]) == key_of(before)


def test_the_key_is_that_of_the_lock_file() -> None:
    read = parse_lock(render_lock(PLAN), file=LOCK_ORIGIN.file)
    assert source_builds(read) == source_builds(PLAN)
    assert len(SPIDEV.key) == 16
    assert f"'spidev' '3.8' 'spidev-3.8.tar.gz' '{SPIDEV.key}'" in SCRIPT


def test_a_version_is_told_as_the_name_of_a_wheel_has_it() -> None:
    """PEP 440, normalization; PyPA, Binary distribution format: the name holds that form."""
    (build,) = source_builds(replace(HERON, python=(sdist("a", "v2026.01.5-1"),)))
    assert build.version == "2026.1.5.post1"


# --- on a machine ---------------------------------------------------------------------------------


class Machine:
    """A robot's folder, a bundle, and the functions of the script."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.home, self.bundle, self.work = (folder / name for name in ("home", "bundle", "work"))
        for path in (self.home, self.bundle, self.work / "wheels", folder / "bin"):
            path.mkdir(parents=True)
        for name in ACTS:
            real = next(
                path for path in (Path("/usr/bin", name), Path("/bin", name)) if path.exists()
            )
            tool = folder / "bin" / name
            tool.write_text(
                "#!/bin/sh\n"
                f'count=$(($(cat {folder}/count) + 1))\necho "$count" >{folder}/count\n'
                f'[ "$count" -ne "$(cat {folder}/last)" ] || kill -9 0\n'
                f'exec {real} "$@"\n'
            )
            tool.chmod(0o755)

    def run(self, call: str, *, last: int = 0) -> subprocess.CompletedProcess[str]:
        """Run *call*, with the plug pulled at command number *last*; a build copies what `made` holds."""
        (self.folder / "count").write_text("0\n")
        (self.folder / "last").write_text(f"{last}\n")
        built = SCRIPT[SCRIPT.index("# ---- built:") : SCRIPT.index("\nbuild_wheels_0() {")]
        stub = "\n".join(
            f'build_{at}() {{ echo made {one.name}; /bin/cp -r {self.folder}/made/{one.name} "$work/made"; }}'
            for at, one in enumerate((LGPIO, SPIDEV))
        )
        code = "\n".join(
            [
                f"set -eu; LC_ALL=C; umask 022; PATH={self.folder}/bin:$PATH",
                f"home={self.home}; bundle={self.bundle}; work={self.work}; venv_id=1; dry_run=no",
                'say() { printf \'%s\\n\' "$*"; }; will() { say "$*"; }; attention() { say note; }',
                'fail() { code=$1; shift; say "stopped: $*"; exit "$code"; }',
                'build_environment() { echo environment; /bin/mkdir "$work/build"; }',
                stub,
                built,
                *(function_of(SCRIPT, name) for name in ("planned_builds", "remove_builds")),
                call,
            ]
        )
        return subprocess.run(
            ["sh", "-c", code], capture_output=True, text=True, start_new_session=True, check=False
        )

    def put(self, place: Path, body: bytes = BODY, name: str = NAME) -> Path:
        """Keep a wheel by hand; return its folder."""
        folder = place / "built" / SPIDEV.key
        folder.mkdir(parents=True)
        (folder / name).write_bytes(body)
        (folder / "SHA256SUMS").write_text(f"{hashlib.sha256(body).hexdigest()}  {name}\n")
        return folder

    def take(self, last: int = 0) -> subprocess.CompletedProcess[str]:
        """As the step takes spidev."""
        subprocess.run(["rm", "-rf", self.work], check=True)
        (self.work / "wheels").mkdir(parents=True)
        clean = 'rm -rf -- "$home"/built/*.new'  # how each run begins
        row = f"spidev 3.8 spidev-3.8.tar.gz {SPIDEV.key} 1"
        return self.run(f'{clean}; : >"$work/built.txt"; take_wheel {row}', last=last)

    def is_whole(self) -> bool:
        done = self.run(f'kept_wheel "$home/built" spidev 3.8 {SPIDEV.key}')
        return done.returncode == 0

    def kept(self) -> dict[str, bytes]:
        return {
            path.relative_to(self.home / "built").as_posix(): path.read_bytes()
            for path in (self.home / "built").rglob("*")
            if path.is_file()
        }


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    found = Machine(tmp_path)
    made = tmp_path / "made/spidev"
    made.mkdir(parents=True)
    (made / NAME).write_bytes(BODY)
    return found


WHOLE = {
    f"{SPIDEV.key}/{NAME}": BODY,
    f"{SPIDEV.key}/SHA256SUMS": f"{hashlib.sha256(BODY).hexdigest()}  {NAME}\n".encode(),
}


def installs(machine: Machine) -> None:
    """What pip is told is the wheel that was kept, with its hash."""
    told = (machine.work / "built.txt").read_text()
    assert told == f"spidev==3.8 --hash=sha256:{hashlib.sha256(BODY).hexdigest()}\n"
    assert (machine.work / "wheels" / NAME).read_bytes() == BODY


def test_what_was_compiled_is_kept_and_not_compiled_again(machine: Machine) -> None:
    done = machine.take()
    assert done.stdout == "environment\n  build spidev 3.8\nmade spidev\n", done.stderr
    assert machine.kept() == WHOLE
    installs(machine)
    # sha256sum of coreutils reads the list as well
    where = machine.home / "built" / SPIDEV.key
    subprocess.run(["sha256sum", "--check", "--status", "SHA256SUMS"], cwd=where, check=True)
    assert [oct(path.stat().st_mode & 0o777) for path in (where, *sorted(where.iterdir()))] == [
        "0o755", "0o644", "0o644",
    ]  # fmt: skip
    assert machine.take().stdout == ""
    installs(machine)


def test_what_a_bundle_brings_is_not_compiled_and_stays(machine: Machine) -> None:
    """The robot has it when the bundle is gone, with the same tree as if it had compiled it."""
    (machine.put(machine.bundle) / NAME).chmod(0o755)  # as files of a FAT file system show
    assert machine.take().stdout == ""
    assert machine.kept() == WHOLE
    assert (machine.home / "built" / SPIDEV.key / NAME).stat().st_mode & 0o777 == 0o644
    installs(machine)


def test_a_wheel_of_another_name_is_used_and_not_kept(machine: Machine) -> None:
    """As of a back end that makes other names; pip is what judges it then."""
    odd = machine.folder / "made/spidev" / NAME
    odd.rename(odd.with_name(NAME.replace("3.8", "03.8")))
    done = machine.take()
    assert "it is not kept, since its name says something else: spidev-03.8-" in done.stdout
    assert not (machine.home / "built").exists()
    assert "spidev==3.8 --hash=" in (machine.work / "built.txt").read_text()


def test_a_build_without_a_wheel_is_told(machine: Machine) -> None:
    (machine.folder / "made/spidev" / NAME).unlink()
    done = machine.take()
    assert done.returncode == 1
    assert "stopped: building spidev-3.8.tar.gz gave no wheel" in done.stdout


def test_a_plug_pulled_at_any_command_leaves_it_whole_or_absent(tmp_path: Path) -> None:
    """Compiled, or copied from a bundle, or in the place of a damaged one."""
    pulled = 0
    for how in ("compiled", "brought", "damaged before"):
        last, ended = 0, False
        while not ended:
            last += 1
            machine = Machine(tmp_path / f"{how[:7]}-{last}")
            made = machine.folder / "made/spidev"
            made.mkdir(parents=True)
            (made / NAME).write_bytes(BODY)
            if how == "brought":
                machine.put(machine.bundle)
            if how == "damaged before":
                (machine.put(machine.home) / NAME).write_bytes(b"half")
            done = machine.take(last)
            assert done.returncode in {0, -signal.SIGKILL}, done.stdout + done.stderr
            ended = done.returncode == 0
            pulled += not ended
            if machine.is_whole():
                assert machine.kept() == WHOLE
            assert machine.take().returncode == 0
            assert machine.kept() == WHOLE, (how, last)
            installs(machine)
    assert pulled > 20


def other_bytes(folder: Path) -> None:
    (folder / NAME).write_bytes(BODY[:-1] + b"x")


def half(folder: Path) -> None:
    (folder / NAME).write_bytes(BODY[: len(BODY) // 2])


def empty_list(folder: Path) -> None:
    (folder / "SHA256SUMS").write_text("")


def no_list(folder: Path) -> None:
    (folder / "SHA256SUMS").unlink()


def longer_list(folder: Path) -> None:
    with (folder / "SHA256SUMS").open("a") as file:
        file.write("0" * 64 + "  ../../../etc/passwd\n")


def two_wheels(folder: Path) -> None:
    (folder / "x-1-py3-none-any.whl").write_bytes(BODY)


def no_wheel(folder: Path) -> None:
    (folder / NAME).unlink()


def linked_wheel(folder: Path) -> None:
    (folder / NAME).rename(folder.parent / "w")
    (folder / NAME).symlink_to("../w")


def linked_list(folder: Path) -> None:
    (folder / "SHA256SUMS").rename(folder.parent / "s")
    (folder / "SHA256SUMS").symlink_to("../s")


def linked_folder(folder: Path) -> None:
    folder.rename(folder.parent / "there")
    folder.symlink_to("there")


def link_to_nothing(folder: Path) -> None:
    subprocess.run(["rm", "-r", folder], check=True)
    folder.symlink_to("nowhere")


def renamed(name: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        (folder / NAME).rename(folder / name)
        (folder / "SHA256SUMS").write_text(f"{hashlib.sha256(BODY).hexdigest()}  {name}\n")

    return change


DAMAGED: dict[str, Callable[[Path], None]] = {
    "other bytes": other_bytes,
    "half": half,
    "empty list": empty_list,
    "no list": no_list,
    "longer list": longer_list,
    "two wheels": two_wheels,
    "no wheel": no_wheel,
    "linked wheel": linked_wheel,
    "linked list": linked_list,
    "linked folder": linked_folder,
    "link to nothing": link_to_nothing,
    "another project": renamed("spydev-3.8-cp313-cp313-linux_aarch64.whl"),
    "another version": renamed("spidev-3.80-cp313-cp313-linux_aarch64.whl"),
    "a name too short": renamed("spidev-3.8-linux_aarch64.whl"),
    "a name with words": renamed("spidev-3.8-cp313-$(touch PWNED)-any.whl"),
    "a name with a line break": renamed("spidev-3.8-cp313\n-none-any.whl"),
}


@pytest.mark.parametrize("how", DAMAGED)
def test_what_is_damaged_here_is_told_and_compiled_anew(machine: Machine, how: str) -> None:
    DAMAGED[how](machine.put(machine.home))
    told = machine.run("tell_builds")
    assert told.stdout.splitlines()[:2] == [
        "  kept, but damaged since: spidev 3.8",
        "  to be built here: lgpio 0.2.2.0, spidev 3.8",
    ]
    assert "  build spidev 3.8" in machine.take().stdout
    kept = machine.kept()
    assert {name: kept[name] for name in kept if name.startswith(SPIDEV.key)} == WHOLE
    installs(machine)
    assert not list(machine.folder.rglob("PWNED"))


@pytest.mark.parametrize("how", DAMAGED)
def test_what_is_damaged_in_a_bundle_is_refused_before_anything_changes(
    machine: Machine, how: str
) -> None:
    folder = machine.put(machine.bundle)
    DAMAGED[how](folder)
    told = machine.run("tell_builds")
    assert told.returncode == 7
    assert told.stdout == (
        f"stopped: {folder} does not hold the wheel that was carried; nothing was changed: "
        "copy the bundle anew, or delete that folder, and it is built here\n"
    )


def test_what_is_compiled_and_what_not_is_told(machine: Machine) -> None:
    assert machine.run("tell_builds").stdout.splitlines()[0] == (
        "  to be built here: lgpio 0.2.2.0, spidev 3.8"
    )
    (machine.put(machine.home) / "notes").write_text("a person's\n")
    assert machine.run("tell_builds").stdout.splitlines()[:2] == [
        "  built before: spidev 3.8",
        "  to be built here: lgpio 0.2.2.0",
    ]
    # the robot's own is enough, whatever a bundle holds
    DAMAGED["half"](machine.put(machine.bundle))
    assert machine.run("tell_builds").returncode == 0


@pytest.mark.parametrize(
    ("file", "name", "version", "same"),
    [
        ("Foo.Bar_baz-1.0-py3-none-any.whl", "foo-bar-baz", "1.0", True),
        ("foo__bar-1.0-1-py3-none-any.whl", "foo-bar", "1.0", True),
        ("a-1!2.0+x.1-py3-none-any.whl", "a", "1!2.0+x.1", True),
        ("a-1.0-py3-none-any.whl", "a", "1.00", False),
        ("a-1.0-py3-none-any.whl", "a", "1", False),
        ("a-1.0-py3-none-any.WHL", "a", "1.0", False),
        ("-a-1.0-py3-none-any.whl", "a", "1.0", False),
        ("a-1.0-py3-none-any.whl.part", "a", "1.0", False),
        ("ä-1.0-py3-none-any.whl", "ä", "1.0", False),
    ],
)
def test_names_of_wheels(machine: Machine, file: str, name: str, version: str, same: bool) -> None:
    """PyPA, Binary distribution format, "File name convention"; names compare as PEP 503 has them."""
    done = machine.run(f"is_wheel_of '{file}' '{name}' '{version}'")
    assert (done.returncode == 0) is same


def test_only_what_nothing_planned_was_compiled_into_goes(machine: Machine) -> None:
    machine.put(machine.home)
    built = machine.home / "built"
    for name in ("0123456789abcdef", "left.new"):
        (built / name).mkdir()
    (built / "link").symlink_to("nowhere")
    before = sorted(built.iterdir())
    assert machine.run("remove_builds").stdout == ""  # another environment is still in use
    assert sorted(built.iterdir()) == before
    (machine.home / "venv").symlink_to("venvs/1")
    said = machine.run('will() { say "would $*"; return 1; }; dry_run=yes; remove_builds').stdout
    assert said.count("would remove") == 3
    assert sorted(built.iterdir()) == before
    machine.run("remove_builds")
    assert [one.name for one in built.iterdir()] == [SPIDEV.key]
    machine.run("planned_builds() { :; }; remove_builds")
    assert not built.exists()


def test_a_plan_that_compiles_nothing_has_no_word_of_it() -> None:
    script = script_of(replace(HERON, python=(wheel("numpy", "2.3.1"),), debian_build=()))
    for word in ("tell_builds", "take_wheel", "something_to_build", "source_rows"):
        assert word not in script
    # and what an earlier one kept goes
    assert function_of(script, "planned_builds") == "planned_builds() {\n  :\n}\n"

"""A script that carries several profiles: one of everything, and a choice of what the program loads."""

from __future__ import annotations

import json
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from robokit_plan.formats.lock import LockError, lock_name, parse_lock, render_lock
from robokit_plan.model import BootSetting, DebianName, Machine, Plan, PlannedSource
from robokit_plan.render import (
    Locked,
    ProfilesDifferError,
    UnsafeValueError,
    render_script,
    union_of,
)
from tests.render.plans import HERON, LOCK_ORIGIN, deb, instance, names, sdist, sha, wheel
from tests.render.test_script import SHELLCHECK, function_of, sh

BENCH = replace(
    HERON,
    profile="bench",
    instances=(instance("compass"),),
    assignments=(),
    python=(wheel("smbus2", "0.5.0"), HERON.python[0]),
    debian=(deb("i2c-tools", "4.4-2"), HERON.debian[0]),
    boot=(BootSetting(kind="parameter", text="dtparam=audio=on"),),
    machine=Machine(groups={"video": names("compass")}, load={"i2c-dev": names("compass")}),
    modules={"smbus2": names("compass")},
)


def locked(plan: Plan) -> Locked:
    return Locked(plan=plan, name=lock_name(plan), sha256=sha(lock_name(plan)))


def script_of(*plans: Plan) -> str:
    first, *others = [locked(one) for one in plans]
    return render_script(
        first.plan, lock_name=first.name, lock_sha256=first.sha256, also=tuple(others)
    )


def test_shellcheck_finds_nothing(tmp_path: Path) -> None:
    path = tmp_path / "install.sh"
    path.write_text(script_of(HERON, BENCH), encoding="utf-8")
    checked = subprocess.run(
        [str(SHELLCHECK), "--shell=sh", "--severity=style", str(path)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert checked.stdout + checked.stderr == ""


def test_it_installs_what_any_of_them_needs() -> None:
    union = union_of([locked(HERON), locked(BENCH)])
    assert {pin.name for pin in union.python} == {pin.name for pin in HERON.python} | {"smbus2"}
    assert {pin.name for pin in union.debian} == {pin.name for pin in HERON.debian} | {"i2c-tools"}
    assert set(union.machine.groups) == set(HERON.machine.groups) | {"video"}
    assert set(union.modules) == set(HERON.modules) | {"smbus2"}
    assert union.hazards == HERON.hazards
    assert union_of([locked(HERON)]) is HERON


def test_the_order_of_the_others_does_not_matter() -> None:
    third = replace(BENCH, profile="show", debian=(deb("tree", "2.2.1-1"),))
    one, two = (
        union_of([locked(HERON), *map(locked, rest)]) for rest in ((BENCH, third), (third, BENCH))
    )
    assert one == two


def test_each_profile_has_its_own_wiring_and_boot_settings() -> None:
    script = script_of(HERON, BENCH)
    code = "\n".join(
        function_of(script, name) for name in ("wiring_text_0", "wiring_text_1", "wiring_text")
    )
    for plan, word in ((HERON, "heron"), (BENCH, "bench")):
        shown = json.loads(sh(f"profile={word}\n{code}\nwiring_text").stdout)
        assert shown["profile"] == plan.profile
        assert set(shown["instances"]) == {one.name for one in plan.instances}
    assert "dtparam=audio=on" in function_of(script, "boot_block_1_0")
    assert "dtparam=audio=on" not in function_of(script, "boot_block_0_0")


def test_the_head_says_what_it_carries_and_how_to_choose() -> None:
    script = script_of(HERON, BENCH)
    head = script.partition("\nset -eu")[0]
    assert "# Sets up the robot heron, profiles heron, bench on raspberrypi,4-model-b" in head
    assert f"# and from pylock.heron-bench.toml, SHA-256 {sha('pylock.heron-bench.toml')};" in head
    assert "#   profile      which profile it runs as: the one that was chosen last" in head
    usage = function_of(script, "usage")
    assert "[--profile NAME]" in usage
    assert "run as heron, bench from now on" in usage
    assert "--profile" not in script_of(HERON)


def test_a_profile_that_it_does_not_carry_is_told(tmp_path: Path) -> None:
    (tmp_path / "install.sh").write_text(script_of(HERON, BENCH))
    done = sh('sh "$1" --profile show', str(tmp_path / "install.sh"))
    assert (done.returncode, done.stderr) == (
        2,
        "no profile is named show; there are: heron bench\n",
    )


SOURCE = PlannedSource(name="maker", url="https://other.example/debian", suites=("trixie",))


@pytest.mark.parametrize(
    ("other", "message"),
    [
        (
            replace(BENCH, python=(wheel("numpy", "2.2.0"),)),
            "Python package numpy: 2.3.1 in pylock.heron.toml, 2.2.0 in pylock.heron-bench.toml",
        ),
        (
            replace(BENCH, debian=(replace(HERON.debian[0], version="9", sha256=sha("9")),)),
            "Debian package espeak-ng:arm64: 1.52.0+dfsg-5 in pylock.heron.toml, 9 in pylock.heron-bench.toml",
        ),
        (
            replace(BENCH, sources=(SOURCE,)),
            "archive maker: https://maker.example/debian in pylock.heron.toml, "
            "https://other.example/debian in pylock.heron-bench.toml",
        ),
        (
            replace(BENCH, target=replace(HERON.target, release="debian-12")),
            "release: debian-13 in pylock.heron.toml, debian-12 in pylock.heron-bench.toml",
        ),
        (
            replace(BENCH, machine=Machine(block={"i2c-dev": names("compass")})),
            "kernel module i2c-dev: one profile needs it, another keeps it out",
        ),
        (
            replace(BENCH, profile="heron"),
            "pylock.heron.toml and pylock.heron-heron.toml are both of heron",
        ),
        (
            replace(BENCH, system_packages=True),
            "Python: pylock.heron.toml has paho-mqtt, spidev and was planned apart from Debian's own "
            "Python modules, which another profile uses",
        ),
    ],
)  # fmt: skip
def test_what_cannot_share_a_machine_is_told(other: Plan, message: str) -> None:
    with pytest.raises(ProfilesDifferError) as caught:
        script_of(HERON, other)
    assert message in caught.value.differences


def test_what_sees_debians_modules_may_hold_what_the_other_needs() -> None:
    seeing = replace(HERON, profile="show", system_packages=True)
    assert union_of([locked(HERON), locked(seeing)]).system_packages


def test_a_package_that_one_builds_with_and_another_runs_with_is_no_build_package() -> None:
    plan = replace(HERON, debian_build=(DebianName("gcc"),))
    other = replace(BENCH, debian=HERON.debian, debian_build=())
    assert union_of([locked(plan), locked(other)]).debian_build == ()
    assert union_of([locked(plan), locked(BENCH)]).debian_build == (DebianName("gcc"),)


def test_an_sdist_of_one_profile_is_built_for_all() -> None:
    other = replace(BENCH, python=(sdist("lgpio", "0.2.2.0"),))
    rows = function_of(script_of(HERON, other), "source_rows")
    assert "'lgpio' '0.2.2.0'" in rows
    assert "'spidev' " in rows


def test_a_hostile_profile_is_refused_by_lock_and_script() -> None:
    plan = replace(BENCH, profile="$(id)")
    with pytest.raises(UnsafeValueError, match="a profile cannot stand in a script"):
        script_of(HERON, plan)
    with pytest.raises(LockError, match="is not a name"):
        parse_lock(render_lock(plan), file=LOCK_ORIGIN.file)

"""The install script: clean, readable, and deaf to what manifests say."""

from __future__ import annotations

import json
import os
import re
import stat
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from robokit_plan.formats.lock import LockError, parse_lock, render_lock
from robokit_plan.model import (
    BootSetting,
    ClaimName,
    DebianName,
    DistributionName,
    InstanceName,
    LineName,
    LineUse,
    Machine,
    PinId,
    Plan,
    PlannedAsset,
    PlannedSource,
    PythonPin,
    Variable,
)
from robokit_plan.render import (
    UnsafeValueError,
    render_script,
    render_wiring_json,
    sh_quote,
)
from robokit_plan.render._script._head import SYSTEM_PATH
from robokit_plan.render._script._words import here_document
from tests.render.plans import HERON, LOCK_ORIGIN, deb, instance, names, sdist, sha, wheel

SHELLCHECK = Path(sys.executable).parent / "shellcheck"
BARE = replace(
    HERON, python=(), build=(), debian=(), boot=(), machine=Machine(), program=None,
    program_user=None, hazards={}, assignments=(), instances=(), providers={}, sources=(),
    modules={}, udev_rules=(), build_environment={},
)  # fmt: skip


def script_of(plan: Plan) -> str:
    return render_script(plan, lock_name="pylock.heron.toml", lock_sha256=sha("lock"))


def function_of(script: str, name: str) -> str:
    """Return one function of *script* with its body."""
    start = script.index(f"\n{name}() {{\n") + 1
    here = re.match(r"[^\n]*\n  cat <<'(END_*)'\n", script[start:])
    end = f"\n{here[1]}\n}}\n" if here else "\n}\n"
    return script[start : script.index(end, start) + len(end)]


def sh(code: str, *arguments: str, **options: object) -> subprocess.CompletedProcess[str]:
    done: subprocess.CompletedProcess[str] = subprocess.run(
        ["sh", "-c", code, "sh", *arguments], capture_output=True, text=True, check=False, **options
    )  # type: ignore[call-overload]
    return done


# --- form -----------------------------------------------------------------------------------------

VARIED = {
    "heron": HERON,
    "bare": BARE,
    "wheels only": replace(BARE, python=(wheel("numpy", "2.3.1"),)),
    "further index": replace(
        HERON,
        python=(wheel("numpy", "2.3.1"), wheel("torch", "2.9.0+cpu", index="cpu")),
        indexes={"cpu": "https://cpu.example/simple/"},
    ),
    "system packages": replace(HERON, system_packages=True),
    "command line": replace(
        BARE, boot=(BootSetting(kind="kernel-command-line", text="spidev.bufsiz=65536"),)
    ),
    "boot files": replace(
        BARE,
        boot=(
            BootSetting(
                kind="overlay",
                text="dtoverlay=x",
                file="/etc/default/raspi-firmware-custom",
                apply="DEB_MAINT_PARAMS=configure /etc/kernel/postinst.d/z50-raspi-firmware",
            ),
            BootSetting(kind="kernel-command-line-remove", text="console=ttyS2", frees=True),
        ),
    ),
    "modules by boot settings": replace(
        BARE, boot=(BootSetting(kind="module-block", text="dvb_usb_rtl28xxu"),)
    ),
    "unknown right": replace(BARE, machine=Machine(permissions={"fly": names("helm")})),
    "own user": replace(BARE, program="python -m heron", keep_logs=0),
}


@pytest.mark.parametrize("plan", VARIED.values(), ids=VARIED.keys())
def test_shellcheck_finds_nothing(plan: Plan, tmp_path: Path) -> None:
    """shellcheck, every severity, as POSIX sh."""
    path = tmp_path / "install.sh"
    path.write_text(script_of(plan), encoding="utf-8")
    checked = subprocess.run(
        [str(SHELLCHECK), "--shell=sh", "--severity=style", str(path)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert checked.stdout + checked.stderr == ""
    assert sh('sh -n "$1"', str(path)).returncode == 0


def test_a_plan_without_something_has_no_step_for_it() -> None:
    steps = re.search(r"steps='([^']*)'", script_of(BARE))
    assert steps
    assert steps[1] == "preflight debian venv wiring remove"
    steps = re.search(r"steps='([^']*)'", script_of(replace(BARE, debian_known=False)))
    assert steps
    assert steps[1] == "preflight venv wiring remove"


def test_header_says_what_it_does_and_what_can_hurt() -> None:
    head = script_of(HERON).partition("\nset -eu")[0]
    assert head.startswith(
        "#!/bin/sh\n# Sets up the robot heron on raspberrypi,4-model-b, debian-13, arm64.\n"
    )
    assert f"pylock.heron.toml, SHA-256 {sha('lock')}" in head
    assert "#   debian       4 Debian packages at exact versions (103 kB to fetch)" in head
    assert "# CAUTION\n#   motion (helm): parts move by themselves" in head
    assert "local codes" in head
    assert "CAUTION" not in script_of(BARE)


def test_no_clock_no_path_of_this_machine_and_the_same_bytes_again() -> None:
    script = script_of(HERON)
    assert script == script_of(HERON)
    assert str(Path.home()) not in script.replace("/root", "", 0) or Path.home() == Path("/root")
    assert "\r" not in script


def test_requirements_are_as_pip_reads_them() -> None:
    """pip documentation, "Secure installs": name, version and hash per line."""
    pip = function_of(script_of(HERON), "wheels_0")
    numpy, paho = HERON.python[:2]
    assert pip == (
        "wheels_0() {\n  cat <<'END'\n"
        f"numpy==2.3.1 --hash=sha256:{numpy.file.sha256}\n"
        f"paho-mqtt==2.1.0 --hash=sha256:{paho.file.sha256}\n"
        "END\n}\n"
    )


def test_each_further_index_is_asked_for_its_own_only() -> None:
    script = script_of(VARIED["further index"])
    make = function_of(script, "venv_make")
    assert "torch" not in function_of(script, "wheels_0")
    assert "numpy" not in function_of(script, "wheels_1")
    assert (
        "install --index-url 'https://cpu.example/simple/' --no-deps --require-hashes "
        '--only-binary :all: -r "$work/wheels_1.txt"'
    ) in make
    default = next(line for line in make.split("\n") if "wheels_0.txt" in line and "pip_of" in line)
    assert "--index-url" not in default


def test_a_further_index_without_address_is_named_by_file() -> None:
    pin = wheel("torch", "2.9.0", index="cpu")
    listed = function_of(script_of(replace(BARE, python=(pin,), indexes={})), "wheels_0")
    assert f"\ntorch @ {pin.file.url} --hash=sha256:{pin.file.sha256}\n" in listed


def test_sdists_are_built_apart_with_hashed_tools() -> None:
    script = script_of(HERON)
    tools = function_of(script, "build_environment")
    assert 'TMPDIR="$work" "$python" -m venv "$work/build"' in tools
    assert 'pip_of "$work/build" install --no-deps --require-hashes --only-binary :all:' in tools
    build = function_of(script, "build_0")
    assert "wheel --no-deps --require-hashes --no-build-isolation" in build
    make = function_of(script, "venv_make")
    assert (
        "install --no-deps --no-index --require-hashes "
        '--find-links "$work/wheels" -r "$work/built.txt"'
    ) in make
    assert 'pip_of "$new" install --no-deps --require-hashes --only-binary :all:' in make


def test_apt_gets_exact_versions_and_nothing_else() -> None:
    """apt-get(8), install: package=version selects that version, package:arch that architecture."""
    words = apt_words(HERON)
    assert words == [
        "espeak-ng=1.52.0+dfsg-5",
        "libespeak-ng1=1.52.0+dfsg-5",
        "python3-venv=3.13.5-1",
        "gcc=4:14.2.0-1",
    ]


@pytest.mark.parametrize(
    ("asked", "noted", "built", "kept", "there"),
    [
        ("", False, False, False, True),
        ("", False, True, True, True),  # nobody sent them away
        ("drop", False, False, False, True),  # they are still to be used
        ("drop", False, True, True, False),
        ("drop", False, True, False, False),
        ("drop", False, False, True, False),  # what they built was kept, or brought along
        ("", True, True, True, False),  # sent away in an earlier run
        ("", True, False, False, True),  # a new lock file: something new is built
        ("", True, False, True, False),
        ("keep", True, True, True, True),
    ],
)
def test_what_only_builds_need_goes_when_it_was_sent_away(
    asked: str, noted: bool, built: bool, kept: bool, there: bool, tmp_path: Path
) -> None:
    script = script_of(HERON)
    names = ("debian_rows", "debian_run_rows", "debian_build_rows", "build_tools_wanted")
    code = "\n".join(function_of(script, name) for name in names)
    if noted:
        (tmp_path / "no-build-tools").touch()
    told = sh(
        f"state={tmp_path}\nhome=/x\nvenv_id=1\nbuild_tools={asked}\n"
        f"venv_ready() {{ {'true' if built else 'false'}; }}\n"
        f"something_to_build() {{ {'false' if kept else 'true'}; }}\n"
        f"name() {{ printf '%s\\n' \"$1\"; }}\n{code}\ndebian_rows name"
    ).stdout.split()
    assert ("gcc" in told, "espeak-ng" in told) == (there, True)


def test_a_plan_that_builds_nothing_has_no_word_of_it() -> None:
    script = script_of(replace(HERON, debian_build=()))
    assert "build-tools" not in script
    assert "tidy" not in script


def apt_words(plan: Plan) -> list[str]:
    script = script_of(plan)
    functions = ["debian_rows", "apt_word", "package_word"]
    if "\ndebian_build_rows()" in script:
        functions += ["debian_run_rows", "debian_build_rows", "build_tools_wanted"]
    code = "build_tools=keep\n" + "\n".join(function_of(script, name) for name in functions)
    return sh(
        f"architecture=arm64\nfrom_bundle() {{ false; }}\n{code}debian_rows apt_word"
    ).stdout.split()


def test_foreign_architectures_are_named() -> None:
    plan = replace(BARE, debian=(deb("libc6", "2.41-12", architecture="armhf"),))
    assert apt_words(plan) == ["libc6:armhf=2.41-12"]


def test_a_build_sees_its_variables_and_no_other_does() -> None:
    plan = replace(
        HERON,
        python=(*HERON.python, sdist("lgpio", "0.2.2.0")),
        build_environment={DistributionName("lgpio"): (("PYPI", "1"),)},
    )
    script = script_of(plan)
    assert script.count("export PYPI='1'") == 1
    assert "sdist_0.txt" in function_of(script, "build_0").partition("export PYPI='1'")[2]
    assert "lgpio==" in function_of(script, "sdist_0")
    assert "spidev==" in function_of(script, "sdist_1")


def test_a_declared_archive_is_bound_to_its_key_and_its_packages() -> None:
    """sources.list(5), deb822 form; apt_preferences(5), origin "host"."""
    script = script_of(HERON)
    code = "\n".join(
        function_of(script, name)
        for name in ("archive_lines_0", "archive_base64_0", "archive_pins_0")
    )
    shown = sh(code + "archive_lines_0; archive_base64_0 | base64 -d; archive_pins_0").stdout
    assert shown == (
        "Types: deb\nURIs: https://maker.example/debian\nSuites: trixie\nComponents: main\n"
        "not a key\n"
        'Package: *\nPin: origin "maker.example"\nPin-Priority: 1\n\n'
        'Package: maker-tools\nPin: origin "maker.example"\nPin-Priority: 600\n'
    )
    assert 'key="$2/keyrings/robokit-$robot-maker.gpg"' in function_of(script, "archive_files")


def test_a_snapshot_may_have_run_out() -> None:
    source = PlannedSource(
        name="debian-snapshot", url="https://snapshot.example/debian/20261101T000000Z/",
        suites=("trixie",), keyring="/usr/share/keyrings/debian-archive-keyring.gpg", dated=True,
    )  # fmt: skip
    script = script_of(replace(BARE, sources=(source,)))
    assert "Check-Valid-Until: no\n" in function_of(script, "archive_lines_0")
    assert "key=/usr/share/keyrings/debian-archive-keyring.gpg" in script


def test_the_program_waits_for_its_serial_port() -> None:
    """systemd-escape --path of the same names, systemd 252."""
    port = replace(
        HERON.assignments[1],
        device="/dev/serial/by-id/usb-maker_fin-if00",
        section="controllers",
        claim=ClaimName("link"),
    )
    unit = function_of(script_of(replace(HERON, assignments=(port,))), "unit_start")
    escaped = r"dev-serial-by\x2did-usb\x2dmaker_fin\x2dif00.device"
    assert f"Wants={escaped}\nAfter={escaped}\n" in unit
    assert "i2c" not in function_of(script_of(HERON), "unit_start")


def test_the_program_starts_in_a_folder_of_its_own() -> None:
    """systemd.exec(5): some libraries for lines make pipes where they stand, and a unit starts in /."""
    unit = function_of(script_of(HERON), "unit_start")
    assert "StateDirectory=heron\nWorkingDirectory=/var/lib/heron\n" in unit
    assert 'cd -- "$work/test"' in function_of(script_of(HERON), "step_test")


def test_sound_needs_no_login() -> None:
    """loginctl(1), enable-linger; the session's sockets are in XDG_RUNTIME_DIR (pam_systemd(8))."""
    horn = replace(HERON.assignments[0], section="audio", claim=ClaimName("horn"))
    script = script_of(replace(HERON, assignments=(horn,)))
    assert "\n  lingers=yes\n" in script
    assert '/var/lib/systemd/linger/$user"' in function_of(script, "planned_files")
    assert "XDG_RUNTIME_DIR=/run/user/%s" in function_of(script, "program_unit")
    silent = script_of(replace(HERON, assignments=()))
    assert "\n  lingers=no\n" in silent
    assert "XDG_RUNTIME_DIR" not in silent


def test_a_line_is_named_by_the_label_of_its_chip() -> None:
    """Chip numbers change with the kernel, labels do not (linux/gpio.h, struct gpiochip_info)."""
    use = LineUse(
        signal="leak",
        line=LineName("gpio22"),
        position=PinId("15"),
        chip="pinctrl-bcm2711",
        offset=22,
    )
    leak = replace(
        HERON.assignments[0], section="signals", claim=ClaimName("leak"), lines=(use,), device=None
    )
    plan = replace(HERON, assignments=(leak,))
    claim = json.loads(render_wiring_json(plan))["instances"][leak.instance]["claims"]["leak"]
    assert (claim["chip"], claim["offset"]) == ("pinctrl-bcm2711", 22)
    assert "gpiochip" not in json.dumps(claim)


def test_a_machine_that_can_hurt_is_not_started_by_itself() -> None:
    assert "\n  autostart=no\n" in script_of(HERON)
    assert "\n  autostart=yes\n" in script_of(replace(HERON, hazards={}))


# --- strangers ------------------------------------------------------------------------------------

WORDS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=40)
EVIL = st.sampled_from(
    [
        "'; touch PWNED; '", "$(touch PWNED)", "`touch PWNED`", "-rf", "--help", "a\nEND\ntouch PWNED",
        '"; touch PWNED; "', "\\'; touch PWNED", "%s%n", "a\rb", "\x1b[2J", "* ? [a]", "~", "!!", "${IFS}",
        "END", "END_", "\nEND\n}\ntouch PWNED\n{",
    ]
)  # fmt: skip


@given(st.lists(WORDS | EVIL, min_size=1, max_size=6))
@settings(max_examples=30, deadline=None)
def test_quoted_words_arrive_as_they_are(words: list[str]) -> None:
    """POSIX.1-2017, 2.2.2: single quotes preserve every character."""
    code = "printf '%s\\0' " + " ".join(sh_quote(word) for word in words)
    done = subprocess.run(["sh", "-c", code], capture_output=True, check=True)
    assert done.stdout == b"".join(word.encode() + b"\0" for word in words)


@pytest.mark.parametrize("content", ["", "END", "END\n$(id)\n", "a\nEND\nEND_\n`id`\n", "END_\n"])
def test_what_a_function_prints_ends_where_it_ends(content: str) -> None:
    """A line of a file may be the mark at which the shell would stop reading it."""
    done = subprocess.run(
        ["sh", "-eu"],
        input=f"{here_document('told', content)}told\n",
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == (content if content.endswith("\n") or not content else f"{content}\n")
    assert done.stderr == ""


def test_nul_is_no_argument() -> None:
    with pytest.raises(UnsafeValueError, match=r"a word cannot stand in a script: a\\x00b"):
        sh_quote("a\0b")


@given(st.data())
@settings(max_examples=25, deadline=None)
def test_strangers_words_do_nothing(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """
    Free text of manifests and robot files: the functions that hold it run, nothing else does.

    wiring.json, the secrets template, the usage and the unit come out as they went in.
    """
    evil = EVIL | WORDS
    purpose, summary, setting, board_note = (data.draw(evil) for _ in range(4))
    plan = replace(
        HERON,
        instances=(
            instance("helm", summary=summary, settings={setting: setting}, behaviour=board_note),
        ),
        machine=replace(
            HERON.machine,
            environment=(
                (
                    InstanceName("helm"),
                    Variable(name="TOKEN", secret=True, purpose=purpose, origin=LOCK_ORIGIN),
                ),
            ),
        ),
    )
    script = script_of(plan)
    folder = tmp_path_factory.mktemp("harness")
    (folder / "install.sh").write_bytes(script.encode())
    assert sh('sh -n "$1"', str(folder / "install.sh")).returncode == 0
    helped = sh('sh "$1" --help', str(folder / "install.sh"), cwd=folder)
    assert helped.returncode == 0
    assert helped.stderr == ""
    code = "\n".join(function_of(script, name) for name in ("wiring_text", "secrets_text"))
    shown = subprocess.run(
        ["sh", "-c", f"{code}\nwiring_text"], cwd=folder, capture_output=True, check=True
    )
    assert shown.stdout.decode() == render_wiring_json(plan)
    secrets = sh(f"{code}\nsecrets_text", cwd=folder).stdout
    assert [line for line in secrets.split("\n") if not line.startswith("#")] == ["TOKEN=", ""]
    assert sorted(path.name for path in folder.iterdir()) == ["install.sh"]


@given(url=EVIL | WORDS, path=EVIL | WORDS)
@settings(max_examples=25, deadline=None)
def test_assets_arrive_as_arguments_or_are_refused(url: str, path: str) -> None:
    plan = replace(
        BARE,
        machine=Machine(
            assets=(
                PlannedAsset(
                    instance=InstanceName("helm"), url=url, sha256=sha(url), size=7, path=path,
                    license=None,
                ),
            )
        ),
    )  # fmt: skip
    try:
        rows = function_of(script_of(plan), "asset_rows")
    except UnsafeValueError:
        return
    done = subprocess.run(
        ["sh", "-c", f"show() {{ printf '%s\\0' \"$@\"; }}\n{rows}\nasset_rows show"],
        capture_output=True, check=True,
    )  # fmt: skip
    assert done.stdout.decode().split("\0")[1:] == [sha(url), "7", f"assets/helm/{path}", ""]
    assert ".." not in path.split("/")


def hostile(**changes: object) -> Plan:
    return replace(BARE, **changes)  # type: ignore[arg-type]


def source(**changes: object) -> PlannedSource:
    made = PlannedSource(name="maker", url="https://maker.example/debian", suites=("trixie",))
    return replace(made, **changes)  # type: ignore[arg-type]


def bent(pin: PythonPin, **changes: object) -> PythonPin:
    return replace(pin, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("plan", "message"),
    [
        (hostile(machine=Machine(groups={"-o": ()})), "a group cannot stand in a script: -o"),
        (hostile(machine=Machine(groups={"gpio\n": ()})), r"a group cannot stand in a script: gpio\n"),
        (hostile(machine=Machine(start={"a b": ()})), "a service cannot stand in a script: a b"),
        (hostile(machine=Machine(stop={"": ()})), "a service cannot stand in a script: "),
        (hostile(machine=Machine(load={"x\ninstall y": ()})), r"a kernel module cannot stand in a script: x\ninstall y"),
        (hostile(machine=Machine(block={"$(id)": ()})), "a kernel module cannot stand in a script: $(id)"),
        (hostile(boot=(BootSetting(kind="module-load", text="a b"),)), "a kernel module cannot stand in a script: a b"),
        (hostile(boot=(BootSetting(kind="parameter", text="a\nb"),)), r"a boot setting cannot stand in a script: a\nb"),
        (hostile(sources=(source(url="https://x.example/ [trusted=yes]"),)), "an address cannot stand in a script: https://x.example/ [trusted=yes]"),
        (hostile(sources=(source(url="ext::sh -c id"),)), "an address cannot stand in a script: ext::sh -c id"),
        (hostile(sources=(source(suites=("a b",)),)), "a suite cannot stand in a script: a b"),
        (hostile(sources=(source(suites=("../x",)),)), "a suite cannot stand in a script: ../x"),
        (hostile(sources=(source(components=("$(id)",)),)), "a suite cannot stand in a script: $(id)"),
        (hostile(sources=(source(key="$(id)"),)), "a key cannot stand in a script: $(id)"),
        (hostile(sources=(source(keyring="/etc/shadow"),)), "a keyring cannot stand in a script: /etc/shadow"),
        (hostile(sources=(source(name="a/../b"),)), "an archive cannot stand in a script: a/../b"),
        (hostile(sources=(source(only=("-o x",)),)), "a Debian package cannot stand in a script: -o x"),
        (hostile(udev_rules=('KERNEL=="x", RUN+="/bin/sh"',)), 'a udev rule cannot stand in a script: KERNEL=="x", RUN+="/bin/sh"'),
        (hostile(udev_rules=('KERNEL=="x", SYMLINK+="../x"',)), 'a udev rule cannot stand in a script: KERNEL=="x", SYMLINK+="../x"'),
        (hostile(modules={"os;x": ()}), "a module cannot stand in a script: os;x"),
        (hostile(modules={"-c": ()}), "a module cannot stand in a script: -c"),
        (hostile(build_environment={DistributionName("x"): (("A B", "1"),)}), "a variable cannot stand in a script: A B"),
        (hostile(build_environment={DistributionName("x;y"): ()}), "a distribution cannot stand in a script: x;y"),
        (hostile(debian=(replace(deb("tree", "2.1"), filename="../tree.deb"),)), "a file name cannot stand in a script: ../tree.deb"),
        (hostile(program='python "'), 'a program cannot stand in a script: python "'),
        (hostile(program="x\nUser=root"), r"a program cannot stand in a script: x\nUser=root"),
        (hostile(program="python", program_user="a;b"), "a user cannot stand in a script: a;b"),
        (hostile(debian=(replace(deb("tree", "2.1"), name=DebianName("-y")),)), "a Debian package cannot stand in a script: -y"),
        (hostile(debian=(replace(deb("tree", "2.1"), version="2.1 x"),)), "a Debian version cannot stand in a script: 2.1 x"),
        (hostile(python=(bent(wheel("numpy", "1"), name="-r x"),)), "a distribution cannot stand in a script: -r x"),
        (hostile(python=(bent(wheel("numpy", "1"), version="1 --pre"),)), "a version cannot stand in a script: 1 --pre"),
        (hostile(python=(bent(wheel("numpy", "1"), file=replace(wheel("n", "1").file, sha256=None)),)), "a hash cannot stand in a script: "),
    ],
)  # fmt: skip
def test_what_would_say_more_in_a_system_file_is_refused(plan: Plan, message: str) -> None:
    with pytest.raises(UnsafeValueError) as caught:
        script_of(plan)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    "plan",
    [
        hostile(sources=(source(url="ext::sh -c id"),)),
        hostile(sources=(source(suites=("a b",)),)),
        hostile(sources=(source(key="$(id)"),)),
        hostile(sources=(source(keyring="/etc/shadow"),)),
        hostile(sources=(source(name="a/../b"),)),
        hostile(udev_rules=('KERNEL=="x", RUN+="/bin/sh"',)),
        hostile(modules={"os;x": names("helm")}),
        hostile(build_environment={DistributionName("x"): (("A B", "1"),)}),
    ],
)
def test_a_lock_file_that_says_so_is_refused_as_well(plan: Plan) -> None:
    with pytest.raises(LockError):
        parse_lock(render_lock(plan), file=LOCK_ORIGIN.file)


@given(value=EVIL | WORDS)
@settings(max_examples=25, deadline=None)
def test_a_value_of_a_build_stays_a_value(value: str) -> None:
    """What a build sees is what stands in the lock file, whatever it is."""
    plan = replace(
        HERON, build_environment={DistributionName("spidev"): (("SPIDEV_CHECK", value),)}
    )
    script = script_of(plan)
    line = script[script.index("    export SPIDEV_CHECK=") :].partition("\n    pip_of")[0]
    done = subprocess.run(
        ["sh", "-c", f"{line}\nprintf '%s' \"$SPIDEV_CHECK\""], capture_output=True, check=True
    )
    assert done.stdout == value.encode()


@given(
    words=st.lists(
        st.text(st.characters(categories=["L", "N", "P", "S"]), min_size=1, max_size=8),
        min_size=1,
        max_size=4,
    )
)
@settings(max_examples=25, deadline=None)
def test_the_program_stays_one_line_of_its_unit(words: list[str]) -> None:
    import shlex

    script = script_of(replace(BARE, program=shlex.join(words)))
    run = sh(f"{function_of(script, 'unit_run')}\nunit_run").stdout
    assert run.count("\n") == 1
    quoted = re.findall(r'"((?:[^"\\]|\\.)*)"', run.removeprefix("ExecStart=/usr/bin/env "))
    undone = [re.sub(r"\\(.)", r"\1", one).replace("%%", "%").replace("$$", "$") for one in quoted]
    assert undone == words


# --- a run without changes ------------------------------------------------------------------------


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    """A folder of commands that say what a Debian 13 arm64 machine would, and write down their use."""
    tools = tmp_path / "bin"
    tools.mkdir()
    for name, body in {
        "dpkg": "case $1 in --print-architecture) echo arm64 ;; *) exit 1 ;; esac",
        "dpkg-query": "exit 1",
        "sed": 'case $* in *VERSION_ID*) echo 13 ;; *os-release*) echo debian ;; *) exec /bin/sed "$@" ;; esac',
        "df": "printf 'h\\n/ 1 1 99000000 1%% /\\n'",
        "apt-get": 'case $* in *" update") exit 100 ;; esac; echo "$0 $*" >>"$(dirname "$0")/../acted"; exit 99',
        "getent": "exit 2",
        **dict.fromkeys(
            [
                "useradd",
                "usermod",
                "groupadd",
                "systemctl",
                "mv",
                "mkfifo",
            ],
            'echo "$0 $*" >>"$(dirname "$0")/../acted"; exit 99',
        ),
    }.items():
        path = tools / name
        path.write_text(f"#!/bin/sh\n{body}\n")
        path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return tmp_path


def _over(machine: Path, script: str) -> str:
    """Return *script* with the machine's own programs before those of the system."""
    line = f"\nPATH={SYSTEM_PATH}\n"
    assert script.count(line) == 1
    return script.replace(line, f"\nPATH={machine / 'bin'}:{SYSTEM_PATH}\n")


def test_a_dry_run_acts_on_nothing(machine: Path) -> None:
    (machine / "install.sh").write_text(_over(machine, script_of(HERON)))
    done = sh(
        'sh "$1" --dry-run', str(machine / "install.sh"), cwd=machine,
        env={**os.environ, "ROBOT_HOME": str(machine / "home")},
    )  # fmt: skip
    if Path("/proc/device-tree/compatible").exists():  # a board of its own
        pytest.skip("this machine is a board")
    assert done.returncode == 0, done.stderr
    assert (
        "would install 4 Debian packages\n    espeak-ng 1.52.0+dfsg-5\n    gcc 4:14.2.0-1\n"
    ) in done.stdout
    assert f"would make the virtual environment {machine}/home/venvs/" in done.stdout
    assert "\n    numpy 2.3.1\n    paho-mqtt 2.1.0\n    spidev 3.8\n" in done.stdout
    assert "would make the user robot" in done.stdout
    assert "heron differs from its plan in what stands above" in done.stdout
    acted = (machine / "acted").read_text() if (machine / "acted").exists() else ""
    assert [line for line in acted.split("\n") if line and "systemctl is-" not in line] == []
    assert not (machine / "home").exists()


def test_a_card_that_is_too_small_is_told_before_anything_is_done(machine: Path) -> None:
    """
    50 MB of headroom; HERON's files as its plan lists them, by hand: Debian 102,700 B and four
    times that installed; Python and setuptools 14,030,000 B and three times that; 48,123 B; 30 MB to build spidev.
    """
    (machine / "install.sh").write_text(_over(machine, script_of(HERON)))
    (machine / "bin/df").write_text("#!/bin/sh\nprintf 'h\\n/ 1 1 2000 1%% /\\n'\n")
    done = sh('sh "$1" --dry-run', str(machine / "install.sh"), cwd=machine)
    assert done.returncode == 4
    assert done.stderr == "stopped: / has 2 MB left, up to 136 MB are needed\n"


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (["--help"], 0, "usage: sh install.sh [--dry-run] [--only STEP]"),
        (["--only"], 2, "usage: "),
        (["--only", "paint"], 2, "no step is named paint; there are: preflight sources debian"),
        (["--force"], 2, "usage: "),
    ],
)
def test_wrong_use_is_told(machine: Path, arguments: list[str], status: int, words: str) -> None:
    (machine / "install.sh").write_text(script_of(HERON))
    done = sh('shift 0; exec sh "$@"', str(machine / "install.sh"), *arguments)
    assert done.returncode == status
    assert words in done.stdout + done.stderr


@pytest.mark.parametrize("home", ["relative", "/a b", "/a/../b", "/a'b", "/a$(id)", "/x\ny"])
def test_a_home_that_would_break_a_file_is_refused(machine: Path, home: str) -> None:
    (machine / "install.sh").write_text(script_of(HERON))
    done = sh(
        'sh "$1" --dry-run', str(machine / "install.sh"),
        env={**os.environ, "ROBOT_HOME": home},
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.startswith("stopped: ROBOT_HOME ")


def test_wiring_json_is_what_the_script_writes() -> None:
    content = json.loads(render_wiring_json(HERON))
    imu = content["instances"]["compass"]["claims"][ClaimName("imu")]
    expected = {
        "section": "i2c",
        "resource": "i2c1 0x28",
        "bus": "i2c1",
        "address": 0x28,
        "device": "/dev/i2c-1",
        "lines": {"sda": "gpio2", "scl": "gpio3"},
    }
    assert {name: imu[name] for name in expected} == expected
    assert content["instances"]["bow-lights"]["claims"]["data"]["line"] == "gpio10"
    assert content["instances"]["bow-lights"]["settings"] == {"dim": None, "leds": 8, "name": "bow"}


BLOCK = ["# heron: made by install.sh, do not edit from here", "[all]", "dtparam=i2c_arm=on", "dtparam=spi=on", "# heron: to here"]  # fmt: skip
MARK, END_MARK = BLOCK[0], BLOCK[-1]


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ([], BLOCK),
        (["a=1"], ["a=1", *BLOCK]),
        (["a=1", *BLOCK, "b=2"], ["a=1", "b=2", *BLOCK]),
        (["a=1", MARK, "old=1", END_MARK, "b=2"], ["a=1", "b=2", *BLOCK]),
        # the end was deleted by hand: no line of anybody else's goes
        (["a=1", MARK, "old=1", "b=2"], ["a=1", "old=1", "b=2", *BLOCK]),
        ([MARK, "b=2", MARK, "old=1", END_MARK, "c=3"], ["b=2", "c=3", *BLOCK]),
    ],
)
def test_only_our_block_of_the_firmware_file_is_replaced(
    tmp_path: Path, before: list[str], after: list[str]
) -> None:
    path = tmp_path / "config.txt"
    path.write_text("".join(f"{line}\n" for line in before))
    call = f'place_block boot_block_0 "{path}" /boot/firmware/config.txt'
    run_boot(
        script_of(HERON),
        tmp_path,
        "without_block",
        "place_block",
        "boot_block_0",
        calls=[call, call],
    )
    assert path.read_text() == "".join(f"{line}\n" for line in after)


def run_boot(script: str, work: Path, *functions: str, calls: list[str]) -> str:
    """Run some functions of the boot step as they stand in *script*; return what they say."""
    code = "\n".join(
        [
            "set -eu; work=$1; home=$1; robot=heron; boot_changed=no; boot_hook=no; dry_run=no",
            "say() { printf '%s\\n' \"$*\"; }",
            "will() { printf 'will %s\\n' \"$*\"; }; attention() { printf 'note %s\\n' \"$*\"; }",
            "fail() { shift; printf 'stopped %s\\n' \"$*\"; exit 1; }",
            "note_ours() { :; }; boot_writable() { :; }; existing_folder() { echo /; }",
            *(
                line
                for line in script.split("\n")
                if line.startswith(("block_first=", "block_last="))
            ),
            *(
                function_of(script, name)
                for name in ("replace_boot_file", "copy_whole", *functions)
            ),
            *calls,
        ]
    )
    done = sh(code, str(work))
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def boot_plan(*settings: BootSetting) -> Plan:
    return replace(BARE, boot=settings)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("console=serial0,115200 console=tty1 root=/dev/x\n", "console=tty1 root=/dev/x spidev.bufsiz=65536\n"),
        ("console=serial0,9600n8 quiet", "quiet spidev.bufsiz=65536\n"),
        ("console=tty1 spidev.bufsiz=65536\n", "console=tty1 spidev.bufsiz=65536\n"),
        ("  console=tty1   spidev.bufsiz=65536", "  console=tty1   spidev.bufsiz=65536"),
        ("", "spidev.bufsiz=65536\n"),
    ],
)  # fmt: skip
def test_words_of_the_command_line_come_and_go(tmp_path: Path, before: str, after: str) -> None:
    """Kernel documentation, serial-console: console=device,options; the device is what goes."""
    script = script_of(
        boot_plan(
            BootSetting(kind="kernel-command-line", text="spidev.bufsiz=65536"),
            BootSetting(
                kind="kernel-command-line-remove", text="console=serial0,115200", frees=True
            ),
        )
    )
    path = tmp_path / "cmdline.txt"
    path.write_text(before)
    call = f'place_words boot_words_0 "{path}" /boot/firmware/cmdline.txt'
    names_ = ("place_words", "add_word", "drop_word", "boot_words_0")
    run_boot(script, tmp_path, *names_, calls=[call])
    assert path.read_text() == after
    assert run_boot(script, tmp_path, *names_, calls=[call]) == ""


def test_settings_stand_in_the_file_that_the_image_reads() -> None:
    """Only what becomes part of config.txt knows the filter [all]."""
    script = script_of(
        boot_plan(
            BootSetting(kind="overlay", text="dtoverlay=x", file="/etc/default/raspi-firmware-custom"),
            BootSetting(kind="file-line", text='CONSOLES="tty0"', file="/etc/default/raspi-firmware"),
            BootSetting(kind="firmware", text="disable_uboot_overlay_video=1", file="/boot/uEnv.txt"),
        )
    )  # fmt: skip
    step = function_of(script, "step_boot")
    found = re.findall(r"boot_file '([^']*)'\); then\n    place_block (\w+)", step)
    blocks = {file: function_of(script, name).split("\n")[2:-3] for file, name in found}
    assert blocks == {
        "/boot/uEnv.txt": ["disable_uboot_overlay_video=1"],
        "/etc/default/raspi-firmware": ['CONSOLES="tty0"'],
        "/etc/default/raspi-firmware-custom": ["[all]", "dtoverlay=x"],
    }


def test_a_boot_entry_among_several_is_left_to_a_person() -> None:
    setting = BootSetting(
        kind="overlay", text="fdtoverlays /boot/dtbo/x.dtbo", file="/boot/extlinux/extlinux.conf"
    )
    step = function_of(script_of(boot_plan(setting)), "step_boot")
    assert "place_" not in step
    assert (
        "attention 'put this into the entry of /boot/extlinux/extlinux.conf that starts: "
        "fdtoverlays /boot/dtbo/x.dtbo'"
    ) in step


HOOK = "DEB_MAINT_PARAMS=configure /etc/kernel/postinst.d/z50-raspi-firmware"


def test_a_hook_runs_once_after_a_change_with_its_variables(tmp_path: Path) -> None:
    setting = BootSetting(
        kind="overlay", text="x", file="/etc/default/raspi-firmware-custom", apply=HOOK
    )
    script = script_of(boot_plan(setting, replace(setting, text="y")))
    step = function_of(script, "step_boot")
    assert (
        step.count(
            "apply_boot '/etc/kernel/postinst.d/z50-raspi-firmware' 'DEB_MAINT_PARAMS=configure'\n"
        )
        == 1
    )
    hook = tmp_path / "hook"
    hook.write_text('#!/bin/sh\necho "hook $DEB_MAINT_PARAMS"\n')
    hook.chmod(0o755)
    call = f"apply_boot '{hook}' 'DEB_MAINT_PARAMS=configure'"
    assert run_boot(script, tmp_path, "apply_boot", calls=[call]) == ""
    assert (
        run_boot(script, tmp_path, "apply_boot", calls=["boot_changed=yes", call])
        == f"  run {hook}\nhook configure\n"
    )
    (tmp_path / ".boot-pending").touch()
    assert "hook configure" in run_boot(script, tmp_path, "apply_boot", calls=[call])
    gone = run_boot(
        script, tmp_path, "apply_boot", calls=["boot_changed=yes", "apply_boot /none a=b"]
    )
    assert gone.startswith("note /none is not on this machine")


def test_every_file_and_hook_of_our_facts_can_stand_in_a_script() -> None:
    folder = Path(__file__).parents[2] / "robokit_plan/data/boot"
    for path in folder.glob("*.yaml"):
        facts = yaml.safe_load(path.read_text(encoding="utf-8"))
        files = [facts.get("settings_file"), facts.get("command_line_file")]
        files += [one["file"] for one in facts.get("console_off", []) if "file" in one]
        for file in filter(None, files):
            script_of(boot_plan(BootSetting(kind="firmware", text="x", file=file)))
        if facts.get("apply"):
            script_of(boot_plan(BootSetting(kind="firmware", text="x", apply=facts["apply"])))


def test_boot_settings_survive_the_lock() -> None:
    plan = boot_plan(
        BootSetting(
            kind="kernel-command-line-remove", text="console=serial0,115200", frees=True,
            file="/boot/firmware/cmdline.txt", apply=HOOK,
        )
    )  # fmt: skip
    assert parse_lock(render_lock(plan), file=LOCK_ORIGIN.file).boot == plan.boot


@pytest.mark.parametrize(
    "change",
    [
        {"file": "/etc/shadow"},
        {"file": "/boot/../etc/shadow"},
        {"file": "boot/config.txt"},
        {"apply": "rm -rf /"},
        {"apply": "/etc/kernel/postinst.d/../../../bin/rm"},
        {"apply": "A=$(id) /etc/kernel/postinst.d/x"},
    ],
)
def test_boot_settings_reach_no_other_file_and_no_other_command(change: dict[str, str]) -> None:
    plan = boot_plan(replace(BootSetting(kind="firmware", text="x"), **change))  # type: ignore[arg-type]
    with pytest.raises(UnsafeValueError):
        script_of(plan)
    with pytest.raises(LockError):
        parse_lock(render_lock(plan), file=LOCK_ORIGIN.file)

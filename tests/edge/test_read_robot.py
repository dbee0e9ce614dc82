"""Robot files: every key arrives; names are held against the plugins; nothing outside is read."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.edge import reading
from robokit_plan.edge.reading import Reading, find_robot_file, read_robot
from robokit_plan.edge.robots import parse_robot
from robokit_plan.edge.rules import read_rules
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import Origin, Robot, Severity

HERON = """\
format: 1
robot: heron
board: "raspberrypi,4-model-b"
system:
  release: debian-12
  image: vendor
  architecture: armhf
  python: "3.11"
  mirror: https://deb.example/debian
  suites: [bookworm]
  base: card/status
  recommends: true
  sources: [{name: vendor, url: "https://vendor.example/debian", suites: [bookworm], components: [main], signed-by: keys/vendor.asc, priority: 600, only: [python3-picam]}]
  snapshot: 2026-11-01
  boot-config: card/config.txt
  sdists: [spidev]
plugin-paths: [plugins]
enabled: [helm, {as: bow-lights, plugin: nav-lights, set: {leds: 8}}]
profiles:
  bench: [helm]
choose: {alarm-sound: helm}
variant: {bow-lights: spi}
roles: {drive: pack-a, hull-mcu: fin-mcu}
wiring:
  helm.imu: {bus: i2c3, address: 0x29}
  bow-lights.data: gpio10
  helm.leak: {port: P4}
indexes: [{name: own, url: "https://index.example/simple", only: [own-tools]}]
controllers:
  fin-mcu: {chip: rp2040, link: usb, usb-id: "2E8A:000A", supply: main-5v, moves-alone: [rudder], released-by: command, host-timeout-ms: 500, inhibit: {pin: 15, active: low, stops: [rudder]}}
supplies:
  main-5v: {volts: 5.1, max-ma: 3000, feeds: board}
  pack-a: {volts: 7.4, max-ma: 10000, battery: {chemistry: li-ion, cells: 2, capacity-mah: 5200, discharge-c: 10.5, fuse-a: 7.5, cut-off: true}}
ports:
  - {name: P1, kind: i2c, bus: i2c1, volts: 3.3}
  - {name: P4, kind: 5V, lines: {io: 22}, supply: main-5v, count: 2}
measured: {gpio17: 3.0, 18: 1.8}
program: {run: "python -m heron", user: robot, log: {keep: 2}}
"""


def parse(text: str) -> Robot:
    robot, findings = parse_robot(text, "robot.yaml")
    assert not findings
    assert robot is not None
    return robot


def test_the_whole_grammar_arrives() -> None:
    robot = parse(HERON)
    system = robot.system
    assert (robot.name, robot.board) == ("heron", "raspberrypi,4-model-b")
    assert (system.release, system.image, system.architecture) == ("debian-12", "vendor", "armhf")
    assert (system.python, system.mirror) == ("3.11", "https://deb.example/debian")
    assert (system.suites, system.base, system.recommends) == (("bookworm",), "card/status", True)
    assert (system.snapshot, system.boot_config) == ("2026-11-01", "card/config.txt")
    assert system.sdists == ("spidev",)
    (source,) = system.sources
    assert (source.signed_by, source.priority, source.only) == (
        "keys/vendor.asc",
        600,
        ("python3-picam",),
    )
    helm, bow = robot.enabled
    assert (helm.instance, helm.plugin) == ("helm", "helm")
    assert (bow.instance, bow.plugin, dict(bow.settings)) == (
        "bow-lights",
        "nav-lights",
        {"leds": 8},
    )
    assert bow.setting_places["leds"] == Origin(file="robot.yaml", line=18, column=66)
    assert [one.instance for one in robot.profiles["bench"]] == ["helm"]
    assert str(robot.choose["alarm-sound"]) == "helm"  # type: ignore[index]
    assert robot.variants["bow-lights"][0] == "spi"  # type: ignore[index]
    assert {role: str(one) for role, one in robot.roles.items()} == {
        "drive": "pack-a",
        "hull-mcu": "fin-mcu",
    }
    assert [
        (one.instance, one.claim, one.line, one.bus, one.address, one.port) for one in robot.wiring
    ] == [
        ("bow-lights", "data", "gpio10", None, None, None),
        ("helm", "imu", None, "i2c3", 0x29, None),
        ("helm", "leak", None, None, None, "P4"),
    ]
    (index,) = robot.indexes
    assert (index.name, index.only) == ("own", ("own-tools",))
    fin = robot.controllers["fin-mcu"]  # type: ignore[index]
    assert (fin.chip, fin.usb_id, fin.supply, fin.host_timeout_ms) == (
        "rp2040",
        "2e8a:000a",
        "main-5v",
        500,
    )
    assert (fin.moves_alone, fin.released_by) == (("rudder",), "command")
    assert fin.inhibit is not None
    assert (fin.inhibit.pin, fin.inhibit.active, fin.inhibit.stops) == ("15", "low", ("rudder",))
    main, pack = robot.supplies["main-5v"], robot.supplies["pack-a"]  # type: ignore[index]
    assert (main.volts, main.max_current, main.feeds) == (5100, 3000, ("board",))
    assert pack.battery is not None
    assert (pack.battery.discharge_tenth_c, pack.battery.fuse, pack.battery.cut_off) == (
        105,
        7500,
        True,
    )
    one, four = robot.ports
    assert (one.kind, one.bus, one.volts) == ("i2c", "i2c1", 3300)
    assert (dict(four.lines), four.supply, four.count) == ({"io": "gpio22"}, "main-5v", 2)
    assert dict(robot.measured) == {"gpio17": 3000, "gpio18": 1800}
    assert robot.program is not None
    assert (robot.program.user, robot.program.keep_logs) == ("robot", 2)


def test_absent_keys_take_the_designs_defaults() -> None:
    robot = parse('format: 1\nrobot: x\nboard: "a,b"\n')
    system = robot.system
    assert (system.release, system.image, system.architecture) == ("debian-13", "debian", "arm64")
    assert (system.python, system.recommends, system.suites) == (None, False, ())
    assert robot.plugin_paths == ("plugins",)
    assert (robot.enabled, robot.program) == ((), None)


def test_a_profile_is_chosen_by_name() -> None:
    robot = parse(HERON)
    assert [one.instance for one in robot.chosen()] == ["helm", "bow-lights"]
    assert [one.instance for one in robot.chosen("bench")] == ["helm"]
    assert robot.chosen("none") == ()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            "board: [raspberrypi,4-model-b]",
            "schema: `board` must be a device-tree compatible string in quotes, such as "
            '`"raspberrypi,4-model-b"`, not a list',
        ),
        (
            "system: {python: 3.10}",
            "yaml-surprise: `3.10` without quotes is read as the number 3.1, but a text is wanted",
        ),
        (
            "system: {release: trixie}",
            "schema: `release` of `system` must be `debian-12` or `debian-13`, not `trixie`",
        ),
        ("enabled: helm", "schema: `enabled` must be a list, not `helm`"),
        ("enabled: [{as: x}]", "schema: item 1 of `enabled` lacks `plugin`"),
        ("enabled: [helm, helm]", "instance-twice: `helm` stands 2 times in enabled"),
        (
            "profiles: {a: [helm, {as: helm, plugin: x}]}",
            "instance-twice: `helm` stands 2 times in profiles.a",
        ),
        ("wiring: {leak: gpio4}", "schema: `leak` is no key for `wiring`"),
        (
            "wiring: {a.b: {}}",
            "schema: `a.b` of `wiring` must be a map with at least 1 in it, not an empty one",
        ),
        (
            "wiring: {a.b: {adress: 3}}",
            "unknown-key: key `adress` is not known in `wiring.a.b`; `address` is",
        ),
        (
            "supplies: {a: {volt: 5}}",
            "unknown-key: key `volt` is not known in `supplies.a`; `volts` is",
        ),
        (
            "plugin-path: [a]",
            "unknown-key: key `plugin-path` is not known in this file; `plugin-paths` is",
        ),
        (
            "measured: {gpio1: high}",
            "schema: `gpio1` of `measured` must be the level of a line in volts, such as `3.3`, not `high`",
        ),
        ("program: {user: robot}", "schema: `program` lacks `run`"),
        (
            "controllers: {m: {chip: rp2040, usb-id: 2e8a}}",
            'schema: `usb-id` of `controllers.m` must be vendor and product in hexadecimal and in quotes, such as `"0bda:2838"`, not `2e8a`',
        ),
    ],
)
def test_each_bad_key_alone_is_told(text: str, told: str) -> None:
    base = "format: 1\nrobot: x\n" + ("" if text.startswith("board") else 'board: "a,b"\n')
    _, findings = parse_robot(base + text + "\n", "robot.yaml")
    assert told in [f"{one.rule}: {one.message}" for one in findings]


# -- a folder of files --------------------------------------------------------------------------

MANIFESTS = {
    "helm": "variants: {plain: {}, fast: {}}\nhardware: {i2c: {imu: {part: bno055}}, signals: {leak: {function: input}, fin: {controller: mcu, function: pwm}}, uart: {gnss: {}}, camera: {eye: {}}, audio: {horn: {}}, power: {motor: {supply: drive}}}\nprovides: [steering]\n",
    "lamp": "settings: {leds: {type: integer, default: 12, min: 1, max: 60}, mode: {type: string, default: dim, choices: [dim, full]}, on-deck: {type: boolean, default: false}}\n",
}


def lay(root: Path, robot: str, manifests: dict[str, str] | None = None) -> Path:
    (root / "robot.yaml").write_text('format: 1\nrobot: x\nboard: "a,b"\n' + robot)
    for name, text in (MANIFESTS if manifests is None else manifests).items():
        folder = root / "plugins" / name
        folder.mkdir(parents=True, exist_ok=True)
        head = "" if text.startswith("format") else f'format: 1\nplugin: {name}\nversion: "1"\n'
        (folder / "manifest.yaml").write_text(head + text)
    return root


def told(one_reading: Reading) -> list[str]:
    return [f"{one.severity.value} {one.rule}: {one.message}" for one in one_reading.findings]


def test_all_manifests_are_read_enabled_or_not(tmp_path: Path) -> None:
    reading = read_robot(lay(tmp_path, "enabled: [helm]\n"))
    assert told(reading) == []
    assert list(reading.manifests) == ["helm", "lamp"]
    assert [one.instance for one in reading.enabled] == ["helm"]
    assert sorted(reading.texts) == [
        "plugins/helm/manifest.yaml",
        "plugins/lamp/manifest.yaml",
        "robot.yaml",
    ]
    assert reading.manifests["helm"].origin.file == "plugins/helm/manifest.yaml"  # type: ignore[index]
    assert reading.root == tmp_path


def test_names_of_files_do_not_depend_on_where_the_robot_lies(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    robot = lay(tmp_path, "enabled: [helm, nobody]\n")
    monkeypatch.chdir(tmp_path / "plugins")
    one = read_robot()
    monkeypatch.chdir("/")
    two = read_robot(robot / "robot.yaml")
    assert one.findings == two.findings
    assert one.manifests == two.manifests


@pytest.mark.parametrize(
    ("robot", "expected"),
    [
        ("enabled: [hlem]\n", ["error plugin-unknown: there is no plugin `hlem`; `helm` is there"]),
        (
            "profiles: {show: [hlem]}\n",
            ["warning plugin-unknown: there is no plugin `hlem`; `helm` is there"],
        ),
        (
            "enabled: [{plugin: lamp, set: {led: 8}}]\n",
            ["error setting-unknown: `lamp` has no setting `led`"],
        ),
        (
            "enabled: [{plugin: lamp, set: {leds: 0}}]\n",
            ["error setting-invalid: `leds` of `lamp` cannot be `0`: the least is 1"],
        ),
        (
            "enabled: [{plugin: lamp, set: {leds: 61}}]\n",
            ["error setting-invalid: `leds` of `lamp` cannot be `61`: the most is 60"],
        ),
        (
            "enabled: [{plugin: lamp, set: {leds: 1.5}}]\n",
            ["error setting-invalid: `leds` of `lamp` cannot be `1.5`: a whole number is wanted"],
        ),
        (
            "enabled: [{plugin: lamp, set: {leds: true}}]\n",
            ["error setting-invalid: `leds` of `lamp` cannot be `true`: a whole number is wanted"],
        ),
        (
            "enabled: [{plugin: lamp, set: {mode: off-shore}}]\n",
            [
                "error setting-invalid: `mode` of `lamp` cannot be `off-shore`: `dim` or `full` is wanted"
            ],
        ),
        (
            "enabled: [{plugin: lamp, set: {on-deck: 1}}]\n",
            ["error setting-invalid: `on-deck` of `lamp` cannot be `1`: true or false is wanted"],
        ),
        (
            "enabled: [helm]\nwiring: {hlem.leak: 4}\n",
            [
                "error instance-unknown: wiring speaks of `hlem`, which is enabled nowhere; `helm` is"
            ],
        ),
        (
            "enabled: [helm]\nwiring: {bow-lights.data: 4}\n",
            ["warning instance-unknown: wiring speaks of `bow-lights`, which is enabled nowhere"],
        ),
        ("enabled: [lamp]\nwiring: {helm.leak: 4}\n", []),
        (
            "enabled: [helm]\nwiring: {helm.laek: 4}\n",
            ["error claim-unknown: `helm` has no claim `laek`"],
        ),
        (
            "enabled: [helm]\nwiring: {helm.motor: 4}\n",
            ["error claim-unknown: `helm` has no claim `motor`"],
        ),
        (
            "enabled: [helm]\nports: [{name: P4, kind: 5V}]\nwiring: {helm.leak: {port: P44}}\n",
            ["error port-unknown: there is no port `P44`; `P4` is there"],
        ),
        (
            "ports: [{name: P4, kind: 5V}, {name: P4, kind: i2c}]\n",
            ["error port-twice: 2 ports are called `P4`"],
        ),
        (
            "enabled: [helm]\nvariant: {helm: fats}\n",
            ["error variant-unknown: `helm` has no variant `fats`"],
        ),
        (
            "enabled: [lamp]\nvariant: {lamp: spi}\n",
            ["error variant-unknown: `lamp` has no variant `spi`"],
        ),
        (
            "enabled: [helm]\nvariant: {hlem: fast}\n",
            ["error instance-unknown: variant speaks of `hlem`, which is enabled nowhere"],
        ),
        (
            "roles: {drive: pack}\nsupplies: {pack-a: {volts: 7}}\n",
            ["error role-unbound: role `drive` is bound to `pack`, no supply and no controller"],
        ),
        (
            "roles: {drvie: 5V}\n",
            ["warning role-unknown: no plugin has a role `drvie`; `drive` is one"],
        ),
        (
            "choose: {sterring: helm}\n",
            [
                "error capability-unknown: no plugin provides or needs `sterring`; `steering` is provided"
            ],
        ),
        (
            "controllers: {mcu: {chip: rp2040, supply: mian}}\nsupplies: {main: {volts: 5}}\n",
            [
                "error supply-unknown: controller `mcu` is fed by `mian`, which is no supply of this file"
            ],
        ),
        (
            "supplies: {main: {volts: 5, feeds: [boat]}}\n",
            ["error supply-unknown: supply `main` feeds `boat`, which this file does not have"],
        ),
        (
            "plugin-paths: [plugins, more]\n",
            ["error folder-missing: plugin path `more` is no folder"],
        ),
        (
            "plugin-paths: [plugins, ../other]\n",
            ["error path-escape: plugin path `../other` leads out of the robot's folder"],
        ),
        (
            "plugin-paths: [plugins, /etc]\n",
            ["error path-escape: plugin path `/etc` leads out of the robot's folder"],
        ),
    ],
)
def test_names_that_nothing_bears_are_told(tmp_path: Path, robot: str, expected: list[str]) -> None:
    assert told(read_robot(lay(tmp_path, robot))) == expected


def test_an_unknown_profile_names_the_nearest(tmp_path: Path) -> None:
    reading = read_robot(lay(tmp_path, "profiles: {bench: [helm]}\n"), profile="bnech")
    (one,) = reading.findings
    assert one.message == "there is no profile `bnech`"
    assert one.repair == ("--profile bench",)
    assert reading.enabled == ()


@pytest.mark.parametrize(
    ("value", "field", "claim"),
    [
        ("leak: gpio4", "line", "gpio4"),
        ("leak: 4", "line", "gpio4"),
        ("fin: 12", "pin", "12"),
        ("fin: GP12", "pin", "GP12"),
        ("imu: i2c3", "bus", "i2c3"),
        ("imu: P1", "port", "P1"),
        ("gnss: uart2", "port", "uart2"),
        ("eye: cam1", "connector", "cam1"),
        ("horn: hdmi", "via", "hdmi"),
    ],
)
def test_one_word_of_wiring_means_what_the_claim_needs(
    tmp_path: Path, value: str, field: str, claim: str
) -> None:
    robot = f"enabled: [helm]\nports: [{{name: P1, kind: i2c}}]\nwiring: {{helm.{value}}}\n"
    reading = read_robot(lay(tmp_path, robot))
    assert told(reading) == []
    assert reading.robot is not None
    (one,) = reading.robot.wiring
    fields = ("line", "position", "bus", "address", "select", "port", "pin", "connector", "via")
    assert {name: getattr(one, name) for name in fields if getattr(one, name) is not None} == {
        field: claim
    }


def test_a_variant_chosen_for_a_plugin_holds_for_its_instances(tmp_path: Path) -> None:
    robot = "enabled: [{as: left, plugin: helm}, {as: right, plugin: helm}]\nvariant: {helm: fast, right: plain}\n"
    reading = read_robot(lay(tmp_path, robot))
    assert told(reading) == []
    assert reading.robot is not None
    chosen = {name: variant for name, (variant, _) in reading.robot.variants.items()}
    assert (chosen["left"], chosen["right"]) == ("fast", "plain")  # type: ignore[index]


def test_a_name_that_is_not_the_folders_is_told(tmp_path: Path) -> None:
    lay(tmp_path, "enabled: [lamp]\n", {"lamp": 'format: 1\nplugin: lantern\nversion: "1"\n'})
    (one,) = read_robot(tmp_path).findings
    assert one.message == "the manifest in folder `lamp` calls its plugin `lantern`"
    assert one.repair == ("plugin: lamp", "mv plugins/lamp plugins/lantern")
    assert one.severity is Severity.ERROR


def test_two_plugins_of_one_name_are_told_with_both_places(tmp_path: Path) -> None:
    lay(tmp_path, "plugin-paths: [plugins, more]\nenabled: [lamp]\n")
    (tmp_path / "more" / "lamp").mkdir(parents=True)
    (tmp_path / "more" / "lamp" / "manifest.yaml").write_text(
        'format: 1\nplugin: lamp\nversion: "2"\n'
    )
    (one,) = read_robot(tmp_path).findings
    assert one.message == "two folders hold a plugin `lamp`"
    assert [str(place.origin) for place in one.places] == [
        "more/lamp/manifest.yaml:2:1",
        "plugins/lamp/manifest.yaml:2:1",
    ]


def test_an_enabled_plugin_that_does_not_parse_stops_with_all_that_was_found(
    tmp_path: Path,
) -> None:
    lay(
        tmp_path,
        "enabled: [helm, lamp]\nfoo: 1\n",
        {"helm": "format: 1\na: [\n", "lamp": "format: 1\n\tb"},
    )
    with pytest.raises(UnreadableFile) as caught:
        read_robot(tmp_path)
    rules = [one.rule for one in caught.value.findings]
    assert rules == ["file-unreadable", "file-unreadable", "unknown-key"]


def test_what_is_not_enabled_cannot_stop_a_robot(tmp_path: Path) -> None:
    lay(
        tmp_path,
        "enabled: [lamp]\n",
        {**MANIFESTS, "wreck": "format: 1\na: [\n", "odd": "foo: 1\n"},
    )
    reading = read_robot(tmp_path)
    assert [one.severity for one in reading.findings] == [Severity.WARNING] * 2
    assert sorted(one.rule for one in reading.findings) == ["file-unreadable", "unknown-key"]


def test_a_link_out_of_the_robots_folder_is_not_followed(tmp_path: Path) -> None:
    outside = tmp_path / "outside" / "spy"
    outside.mkdir(parents=True)
    (outside / "manifest.yaml").write_text('format: 1\nplugin: spy\nversion: "1"\n')
    robot = tmp_path / "robot"
    robot.mkdir()
    lay(robot, "enabled: [spy]\n")
    (robot / "plugins" / "spy").symlink_to(outside)
    reading = read_robot(robot)
    assert "spy" not in reading.manifests
    assert [one.rule for one in reading.findings] == ["path-escape", "plugin-unknown"]
    assert not any("spy" in name for name in reading.texts)


def test_a_plugin_path_that_links_out_is_not_followed(tmp_path: Path) -> None:
    robot = tmp_path / "robot"
    robot.mkdir()
    (tmp_path / "shelf").mkdir()
    lay(robot, "plugin-paths: [linked]\n", {})
    (robot / "linked").symlink_to(tmp_path / "shelf")
    assert [one.rule for one in read_robot(robot).findings] == ["path-escape"]


def test_a_pipe_in_place_of_a_manifest_does_not_hang(tmp_path: Path) -> None:
    lay(tmp_path, "enabled: [lamp]\n")
    manifest = tmp_path / "plugins" / "lamp" / "manifest.yaml"
    manifest.unlink()
    os.mkfifo(manifest)
    with pytest.raises(UnreadableFile, match="it is a pipe"):
        read_robot(tmp_path)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: path.write_bytes(b"\x7fELF\x00\x01"), "it holds zero bytes"),
        (lambda path: path.write_bytes(b"robot: \xff"), "is not UTF-8"),
        (lambda path: path.write_text("robot:\n\tx: 1\n"), "indented with a tab"),
        (lambda path: path.mkdir(), "it is a folder"),
        (lambda _: None, "there is no such file"),
    ],
)
def test_a_robot_file_that_cannot_be_read_raises_one_exception(
    tmp_path: Path, make: Any, words: str
) -> None:
    make(tmp_path / "robot.yaml")
    with pytest.raises(UnreadableFile, match=words):
        read_robot(tmp_path)


@pytest.mark.parametrize("text", ["", "[]", "3", "format: 9\n", "robot: x\n"])
def test_a_robot_file_without_a_usable_form_gives_findings(tmp_path: Path, text: str) -> None:
    (tmp_path / "robot.yaml").write_text(text)
    reading = read_robot(tmp_path)
    assert reading.robot is None
    assert any(one.severity is Severity.ERROR for one in reading.findings)


def test_the_nearest_robot_file_upward_is_found(tmp_path: Path) -> None:
    deep = tmp_path / "a" / "b"
    deep.mkdir(parents=True)
    lay(tmp_path, "")
    assert find_robot_file(here=deep) == tmp_path / "robot.yaml"
    assert find_robot_file(tmp_path) == tmp_path / "robot.yaml"
    with pytest.raises(UnreadableFile, match="there is no such file"):
        find_robot_file(deep)


def test_no_robot_file_at_all_says_how_to_name_one() -> None:
    with pytest.raises(UnreadableFile) as caught:
        find_robot_file(here=Path("/"))
    assert "there is none in this folder or in one above it" in str(caught.value)
    assert caught.value.repair == ("--robot PATH, with the path of a robot.yaml or of its folder",)


def test_a_parser_that_remembers_may_stand_in(tmp_path: Path) -> None:
    from robokit_plan.edge.manifests import parse_manifest

    asked: list[str] = []

    def remembering(text: str, file: str) -> Any:
        asked.append(file)
        return parse_manifest(text, file)

    reading = read_robot(lay(tmp_path, "enabled: [lamp]\n"), parse=remembering)
    assert asked == ["plugins/helm/manifest.yaml", "plugins/lamp/manifest.yaml"]
    assert reading == read_robot(tmp_path)


def test_findings_are_sorted_whatever_the_order_of_folders(tmp_path: Path) -> None:
    lay(tmp_path, "enabled: [b, a]\n", {"b": "foo: 1\n", "a": "foo: 1\n"})
    files = [one.places[0].origin.file for one in read_robot(tmp_path).findings]
    assert files == ["plugins/a/manifest.yaml", "plugins/b/manifest.yaml"]


# -- what `rules NAME` shows ----------------------------------------------------------------------

ELSEWHERE = {
    "plugin-name-mismatch",
    "plugin-twice",
    "path-escape",
    "folder-missing",
    "profile-unknown",
}
"""Their examples need several files or a call; the tests above have them."""
EXAMPLES = [
    entry
    for entry in read_rules().values()
    if entry.domain == "reading" and entry.rule not in ELSEWHERE
]
NAV_LIGHTS = (
    "provides: [alarm-sound]\nsettings: {leds: {type: integer, default: 12, min: 1}}\n"
    "variants: {spi: {}}\nhardware: {i2c: {imu: {part: bno055}}, "
    "signals: {leak: {function: input, port: 5V}}, power: {lamp: {supply: drive}}}\n"
)


@pytest.mark.parametrize("entry", EXAMPLES, ids=lambda entry: entry.rule)
def test_the_example_of_a_rule_triggers_it(tmp_path: Path, entry: Any) -> None:
    """What `rules NAME` shows is no invention."""
    names = ("nav-lights", "leak-guard", "compass", "water-probe")
    plugins = dict.fromkeys(names, NAV_LIGHTS)
    text = entry.example + "\n"
    top = set(re.findall(r"(?m)^([a-z-]+):", text))
    if top & {"hardware", "plugin", "version", "boards"} or entry.rule == "format-too-new":
        head = 'format: 1\nplugin: nav-lights\nversion: "1"\n'
        lines = [line for line in head.splitlines() if line.partition(":")[0] not in top]
        if entry.rule == "format-missing":
            lines.remove("format: 1")
        plugins["nav-lights"] = "\n".join([*lines, text])
        lay(tmp_path, "enabled: [nav-lights]\n", {})
        for name, body in plugins.items():
            head = "" if name == "nav-lights" else f'format: 1\nplugin: {name}\nversion: "1"\n'
            folder = tmp_path / "plugins" / name
            folder.mkdir(parents=True, exist_ok=True)
            (folder / "manifest.yaml").write_text(head + body)
    else:
        if "enabled" not in top:
            text += "enabled: [nav-lights, leak-guard, compass]\n"
        lay(tmp_path, text, plugins)
    try:
        findings = read_robot(tmp_path).findings
    except UnreadableFile as error:
        findings = error.findings
    severities = {one.severity.value for one in findings if one.rule == entry.rule}
    assert entry.severity in severities, [str(one) for one in findings]


def test_every_rule_of_reading_is_described() -> None:
    package = Path(reading.__file__).parent.parent
    mine = [
        *(file for file in (package / "formats").glob("*.py") if file.name != "lock.py"),
        *(package / "edge" / f"{name}.py" for name in ("manifests", "robots", "reading")),
    ]
    source = "".join(file.read_text("utf-8") for file in mine)
    emitted = set(re.findall(r'finding\(\s*"([a-z-]+)"', source)) | {"file-unreadable"}
    described = {name for name, entry in read_rules().items() if entry.domain == "reading"}
    assert emitted == described

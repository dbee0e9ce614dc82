"""The raft `heron`: its files agree with each other, with its code and with the schemas."""

from __future__ import annotations

import ast
import json
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any
from unittest.mock import MagicMock

import jsonschema
import pytest

from robokit_plan.app.session import open_session
from robokit_plan.edge.manifests import parse_manifest
from robokit_plan.edge.robots import parse_robot
from robokit_plan.model import Finding, Plan, PlannedInstance, Severity, Target
from robokit_plan.planner import Problem, instances_of
from robokit_plan.planner._hardware import assigned
from robokit_plan.render import render_findings_text, render_wiring_json
from robokit_plan.resolve.behaviour import (
    actuator_findings,
    choose_providers,
    machine_of,
    plugin_findings,
    topic_findings,
)
from tests import plain_yaml

ROOT = Path(__file__).resolve().parents[1]
SAMPLE = ROOT / "sample_robot"
FOLDERS = sorted(path for path in (SAMPLE / "plugins").iterdir() if path.is_dir())
ROBOT_YAML = SAMPLE / "robot.yaml"

OWN_MODULES = {"heron"}
# Our words for the raft in the design page; the sample may have more plugins, never fewer.
EXPECTED = {
    "helm", "thrusters", "leak-guard", "compass", "position", "sonar", "water-probe", "pack-watch",
    "nav-lights", "lookout", "fog-signal", "spoken-alarm", "hydrophone", "shore-radio",
    "ship-receiver", "sampler", "survey-log", "tablet-view",
}  # fmt: skip


def read(path: Path) -> dict[str, Any]:
    value: dict[str, Any] = plain_yaml.load(path.read_text(encoding="utf-8"))
    return value


def manifest(folder: Path) -> dict[str, Any]:
    return read(folder / "manifest.yaml")


def robot() -> dict[str, Any]:
    return read(ROBOT_YAML)


def code(folder: Path) -> list[Path]:
    return sorted(folder.rglob("*.py"))


def plugin_names(entries: list[Any]) -> list[str]:
    return [entry if isinstance(entry, str) else entry["plugin"] for entry in entries]


def instance_names(entries: list[Any]) -> list[str]:
    return [
        entry if isinstance(entry, str) else entry.get("as", entry["plugin"]) for entry in entries
    ]


def parts(needs: dict[str, Any]) -> list[dict[str, Any]]:
    """The manifest itself and each of its variants."""
    return [needs, *needs.get("variants", {}).values()]


def claims(needs: dict[str, Any]) -> list[tuple[str, str, dict[str, Any]]]:
    return [
        (section, name, claim)
        for part in parts(needs)
        for section, found in part.get("hardware", {}).items()
        for name, claim in found.items()
    ]


def by_name(path: Path) -> str:
    return path.name


@pytest.fixture(autouse=True)
def _own_modules_only() -> Iterator[None]:
    """Plugins of the raft are imported with stand-ins; the next test must not meet them."""
    yield
    for name, module in list(sys.modules.items()):
        if str(getattr(module, "__file__", "")).startswith(f"{SAMPLE}/"):
            del sys.modules[name]


every_plugin = pytest.mark.parametrize("folder", FOLDERS, ids=by_name)


def test_all_plugins_of_the_raft_are_there() -> None:
    assert {folder.name for folder in FOLDERS} >= EXPECTED


@every_plugin
def test_manifest_is_named_like_its_folder(folder: Path) -> None:
    assert manifest(folder)["plugin"] == folder.name


@every_plugin
def test_first_line_points_an_editor_to_the_schema(folder: Path) -> None:
    first = (folder / "manifest.yaml").read_text(encoding="utf-8").splitlines()[0]
    found = re.fullmatch(r"# yaml-language-server: \$schema=(\S+)", first)
    assert found is not None
    assert (folder / found[1]).resolve() == ROOT / "schemas" / "manifest.schema.json"
    assert (folder / found[1]).is_file()


@every_plugin
def test_manifest_fits_the_schema(folder: Path) -> None:
    schema = json.loads((ROOT / "schemas/manifest.schema.json").read_text(encoding="utf-8"))
    errors = jsonschema.Draft202012Validator(schema).iter_errors(manifest(folder))
    assert [f"{error.json_path}: {error.message}" for error in errors] == []


def test_robot_file_fits_the_schema() -> None:
    schema = json.loads((ROOT / "schemas/robot.schema.json").read_text(encoding="utf-8"))
    errors = jsonschema.Draft202012Validator(schema).iter_errors(robot())
    assert [f"{error.json_path}: {error.message}" for error in errors] == []


@every_plugin
def test_reader_finds_nothing_to_say_about_a_manifest(folder: Path) -> None:
    text = (folder / "manifest.yaml").read_text(encoding="utf-8")
    value, findings = parse_manifest(text, f"plugins/{folder.name}/manifest.yaml")
    assert findings == ()
    assert value is not None
    assert value.plugin == folder.name


def test_reader_finds_nothing_to_say_about_the_robot_file() -> None:
    value, findings = parse_robot(ROBOT_YAML.read_text(encoding="utf-8"), "robot.yaml")
    assert findings == ()
    assert value is not None
    assert [one.instance for one in value.enabled] == instance_names(robot()["enabled"])


@every_plugin
def test_behaviour_names_a_class_of_the_code(folder: Path) -> None:
    module, _, name = manifest(folder)["behaviour"].partition(":")
    path = folder.joinpath(*module.split(".")).with_suffix(".py")
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found = [node for node in tree.body if isinstance(node, ast.ClassDef) and node.name == name]
    assert len(found) == 1
    methods = {node.name for node in found[0].body if isinstance(node, ast.FunctionDef)}
    assert {"open", "hear", "step", "close"} <= methods


def imported(path: Path) -> set[str]:
    """Top-level names that *path* imports from outside its own package."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and not node.level and node.module is not None:
            names.add(node.module.partition(".")[0])
    return names


@every_plugin
def test_modules_are_what_the_code_imports(folder: Path) -> None:
    needs = manifest(folder)
    declared = {name for part in parts(needs) for name in part.get("python", {}).get("modules", [])}
    used = {name for path in code(folder) for name in imported(path)}
    assert used - set(sys.stdlib_module_names) == declared


@every_plugin
def test_no_pin_stands_in_the_code(folder: Path) -> None:
    """Lines, header positions and device paths that may move come from wiring.json alone."""
    for path in code(folder):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"(?i)\bgpio\d|\bGPIO\w*\d|/dev/(i2c|spidev|tty|video|snd)", text), (
            path
        )


@every_plugin
def test_helper_is_the_same_in_every_plugin(folder: Path) -> None:
    """Each plugin carries the small reader of wiring.json, so that it stands alone."""
    ours = folder / folder.name.replace("-", "_")
    for name in ("_wiring.py", "_lines.py"):
        texts = {path.read_bytes() for path in (SAMPLE / "plugins").glob(f"*/*/{name}")}
        assert len(texts) == 1
    assert (ours / "_wiring.py").is_file()


@every_plugin
def test_claim_names_are_unique_across_sections(folder: Path) -> None:
    needs = manifest(folder)
    for variant in [{}, *needs.get("variants", {}).values()]:
        names = [
            name for part in ({**needs, "variants": {}}, variant) for _, name, _ in claims(part)
        ]
        assert len(names) == len(set(names)), names


@every_plugin
def test_what_can_hurt_has_a_safe_state_and_a_caution(folder: Path) -> None:
    needs = manifest(folder)
    hazardous = [
        (section, name, claim)
        for section, name, claim in claims(needs)
        if claim.get("hazard", "none") != "none"
    ]
    if not hazardous:
        return
    assert "# CAUTION" in (folder / "manifest.yaml").read_text(encoding="utf-8")
    for section, name, claim in hazardous:
        if section == "actuators":
            assert claim.get("safe-state"), name
    stopped = robot()["controllers"]["fin-mcu"]["inhibit"]["stops"]
    moving = {n for s, n, c in hazardous if s == "actuators" and c["hazard"] == "motion"}
    assert moving <= set(stopped)


def test_robot_file_names_only_plugins_that_are_there() -> None:
    raft = robot()
    known = {folder.name for folder in FOLDERS}
    lists = [raft["enabled"], *raft["profiles"].values()]
    for entries in lists:
        assert set(plugin_names(entries)) <= known
        assert len(instance_names(entries)) == len(set(instance_names(entries)))
    assert len(set(plugin_names(raft["enabled"]))) >= 10


def test_wiring_names_claims_of_enabled_plugins() -> None:
    raft = robot()
    plugin_of = dict(
        zip(instance_names(raft["enabled"]), plugin_names(raft["enabled"]), strict=True)
    )
    for key in raft["wiring"]:
        instance, _, claim = key.partition(".")
        needs = manifest(SAMPLE / "plugins" / plugin_of[instance])
        assert claim in {name for _, name, _ in claims(needs)}, key


def test_toggles_page_names_plugins_that_are_there() -> None:
    page = (SAMPLE / "TOGGLES.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`(?:enable|disable) ([a-z-]+)`", page))
    raft = robot()
    enabled = set(plugin_names(raft["enabled"]))
    known = {folder.name for folder in FOLDERS}
    assert named <= known
    assert set(re.findall(r"`disable ([a-z-]+)`", page)) <= enabled
    assert not set(re.findall(r"`enable ([a-z-]+)`", page)) & enabled
    comments = {
        word
        for pair in re.findall(r"(?m)^#   (?:enable|disable) ([a-z-]+)", ROBOT_YAML.read_text())
        for word in [pair]
    }
    assert comments <= named


def test_tour_names_files_and_plugins_that_are_there() -> None:
    page = (SAMPLE / "README.md").read_text(encoding="utf-8")
    known = {folder.name for folder in FOLDERS}
    for name in re.findall(r"(?m)^\$ robokit-plan (?:enable|disable) ([a-z-]+)", page):
        assert name in known | {"mast-light"}  # made by the step before
    for path in re.findall(r"`((?:plugins|heron)/[^`]+)`|\]\(([^)]+)\)", page):
        assert (SAMPLE / (path[0] or path[1])).is_file(), path


def test_findings_of_the_tour_are_what_the_planner_says(tmp_path: Path) -> None:
    """Each quoted block is the beginning of a finding, word for word."""
    page = (SAMPLE / "README.md").read_text(encoding="utf-8")
    said = "".join(
        render_findings_text(planned_findings(changed(tmp_path / verb, **change)), prefix="")
        for verb, change in (("less", {"drop": "fog-signal"}), ("more", {"add": "ship-receiver"}))
    )
    quoted = re.findall(r"(?ms)^```text\n(error .*?)^```", page)
    assert len(quoted) == 2
    for block in quoted:
        assert block in said


def test_sample_uses_the_whole_grammar() -> None:
    """A reader of the sample meets every section of a manifest at least once."""
    needs = [manifest(folder) for folder in FOLDERS]
    keys = {key for one in needs for key in one}
    assert keys >= {
        "format", "plugin", "version", "summary", "license", "behaviour", "boards", "settings",
        "provides", "needs", "plugins", "excludes", "python", "debian", "machine", "variants",
        "hardware", "topics",
    }  # fmt: skip
    machine = {key for one in needs for part in parts(one) for key in part.get("machine", {})}
    assert machine >= {
        "groups", "services", "kernel", "permissions", "environment", "assets", "load",
    }  # fmt: skip
    sections = {section for one in needs for section, _, _ in claims(one)}
    assert sections >= {
        "signals", "i2c", "spi", "uart", "i2s", "one-wire", "camera", "usb", "audio", "ports",
        "power", "actuators",
    }  # fmt: skip
    claim_keys = {key for one in needs for _, _, claim in claims(one) for key in claim}
    assert claim_keys >= {
        "gpio", "header", "controller", "pin", "pull", "active", "volts", "divider-ohm", "shifter",
        "current-ma", "hz", "backend", "drives", "hazard", "leds", "ma-per-led", "brightness",
        "supply", "port", "wire", "part", "address", "bus", "select", "behind", "baud", "parity",
        "direction", "clock", "connector", "via", "id", "optional", "share", "safe-state",
        "typical-ma", "peak-ma", "stall-ma", "count",
    }  # fmt: skip


def test_signature_of_a_message_guards_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """RFC 2104: HMAC; the value is test case 2 of RFC 4231 for SHA-256, cut to eight bytes."""
    stand_in = ModuleType("cbor2")  # the raft's library; the message is bytes already
    stand_in.dumps = bytes  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "cbor2", stand_in)
    monkeypatch.syspath_prepend(str(SAMPLE / "plugins" / "shore-radio"))
    from shore_radio import link  # type: ignore[import-not-found]

    signed = link.message(b"what do ya want for nothing?", b"Jefe")
    assert signed.endswith(bytes.fromhex("5bdcc146bf60754e"))


def test_bits_of_a_led_string_are_stretched(monkeypatch: pytest.MonkeyPatch) -> None:
    """0xA5 is 1010 0101; one is 110 and zero is 100 at three times the bit rate (worked by hand)."""
    monkeypatch.syspath_prepend(str(SAMPLE / "plugins" / "nav-lights"))
    from nav_lights import lights  # type: ignore[import-not-found]

    bits = "".join({"1": "110", "0": "100"}[bit] for bit in "10100101")
    assert lights.stretched([0xA5]) == int(bits, 2).to_bytes(3, "big")


def test_pilot_finds_bearing_and_distance(monkeypatch: pytest.MonkeyPatch) -> None:
    """
    Land's End to John o' Groats: 968.9 km, initial bearing 009 deg 07' 11", R = 6371 km.

    Source: worked example of a widely used web page on great circles, from memory.
    """
    pytest.importorskip("numpy")
    monkeypatch.setitem(sys.modules, "serial", ModuleType("serial"))
    monkeypatch.syspath_prepend(str(SAMPLE / "plugins" / "helm"))
    from helm import pilot  # type: ignore[import-not-found]

    here = (50 + 3 / 60 + 59 / 3600, -(5 + 42 / 60 + 53 / 3600))
    there = (58 + 38 / 60 + 38 / 3600, -(3 + 4 / 60 + 12 / 3600))
    bearing, distance = pilot.bearing_and_distance(here, there)
    assert bearing == pytest.approx(9 + 7 / 60 + 11 / 3600, abs=1 / 3600)
    assert distance == pytest.approx(968_900, abs=100)


def test_a_broken_behaviour_is_closed_and_the_others_go_on(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.syspath_prepend(str(SAMPLE))
    from heron.__main__ import Crew  # type: ignore[import-not-found]

    class Part:
        period_s = 0.0

        def __init__(self, *, broken: bool) -> None:
            self.broken = broken
            self.events: list[str] = []

        def open(self) -> None:
            self.events.append("open")

        def hear(self, topic: str, value: object) -> None:
            self.events.append(f"hear {topic} {value}")

        def step(self) -> None:
            self.events.append("step")
            if self.broken:
                message = "no answer on the bus"
                raise OSError(message)
            crew.stopping.set()

        def close(self) -> None:
            self.events.append("close")

    crew = Crew({"instances": {}})
    crew.behaviours = {"probe": Part(broken=True), "lights": Part(broken=False)}
    crew.run("probe")
    crew.say("hull/leak", value=True)
    crew.run("lights")
    assert crew.behaviours["probe"].events == ["open", "step", "close", "hear hull/leak True"]
    assert crew.behaviours["lights"].events == ["hear hull/leak True", "open", "step", "close"]
    assert capsys.readouterr().err == "probe: OSError('no answer on the bus')\n"


# --- what the planner says of the raft, without the software's indices ----------------------------


def changed(folder: Path, *, add: str = "", drop: str = "", profile: str | None = None) -> Problem:
    """The raft as it would be after `enable` or `disable`; in *folder*, the sample stays as it is."""
    made = shutil.ignore_patterns("pylock.*.toml", "install.sh", "__pycache__")
    shutil.copytree(SAMPLE, folder, ignore=made, dirs_exist_ok=True)
    path = folder / "robot.yaml"
    text = path.read_text(encoding="utf-8")
    if add:
        text = text.replace("enabled:\n", f"enabled:\n  - {add}\n", 1)
    if drop:
        text, times = re.subn(rf"(?m)^  - {drop}\n", "", text, count=1)
        assert times == 1
    path.write_text(text, encoding="utf-8")
    return open_session(folder, profile=profile, locked=False).problem


def planned_findings(problem: Problem) -> list[Finding]:
    """All but what needs the Python and Debian indices."""
    instances = instances_of(problem.robot, problem.profile, problem.manifests)
    hardware = assigned(problem, instances, frozenset())
    return [
        *problem.reading,
        *choose_providers(problem.robot, instances, problem.manifests).findings,
        *plugin_findings(problem.robot, problem.board, instances, problem.manifests),
        *topic_findings(instances, problem.manifests),
        *actuator_findings(problem.robot, instances, hardware.variants),
        *machine_of(instances, hardware.variants)[1],
        *hardware.findings,
    ]


def rules(findings: list[Finding], severity: Severity) -> set[str]:
    return {one.rule for one in findings if one.severity is severity}


def toggles() -> list[tuple[str, str, str]]:
    """Rows of the first table of TOGGLES.md: enable or disable, plugin, rule."""
    page = (SAMPLE / "TOGGLES.md").read_text(encoding="utf-8")
    return re.findall(r"(?m)^\| `(enable|disable) ([a-z-]+)` \| `([a-z-]+)` \|", page)


COMMAND = "from robokit_plan.cli import main; main()"
NEEDS_INDICES = {"python-conflict", "debian-conflict"}


def test_lint_finds_nothing_to_mend() -> None:
    answer = subprocess.run(
        [sys.executable, "-c", COMMAND, "lint", str(SAMPLE), "--format", "json"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert answer.returncode == 0, answer.stderr
    found = json.loads(answer.stdout)["findings"]
    assert [one for one in found if one["severity"] != "note"] == []


def test_toggles_end_in_many_kinds_of_findings() -> None:
    assert len({rule for _, _, rule in toggles()}) >= 4
    assert {rule for _, _, rule in toggles()} > NEEDS_INDICES


@pytest.mark.parametrize("profile", [None, "bench", "show"])
def test_the_raft_has_no_errors_or_warnings(profile: str | None, tmp_path: Path) -> None:
    findings = planned_findings(changed(tmp_path, profile=profile))
    assert [one.message for one in findings if one.severity is not Severity.NOTE] == []


@pytest.mark.parametrize(
    ("verb", "plugin", "rule"), [row for row in toggles() if row[2] not in NEEDS_INDICES]
)
def test_a_toggle_ends_in_the_finding_that_its_page_promises(
    verb: str, plugin: str, rule: str, tmp_path: Path
) -> None:
    add, drop = (plugin, "") if verb == "enable" else ("", plugin)
    findings = planned_findings(changed(tmp_path, add=add, drop=drop))
    assert rules(findings, Severity.ERROR) == {rule}


@pytest.mark.live
@pytest.mark.parametrize(
    ("verb", "plugin", "rule"), [row for row in toggles() if row[2] in NEEDS_INDICES]
)
def test_a_toggle_of_software_ends_in_its_finding(
    verb: str, plugin: str, rule: str, tmp_path: Path
) -> None:
    """The real indices: gTTS 2.5's own metadata, and Debian's Conflicts: time-daemon."""
    changed(tmp_path)
    answer = subprocess.run(
        [sys.executable, "-c", COMMAND, verb, plugin, "--dry-run", "--json"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert answer.returncode == 1, answer.stderr
    assert rule in answer.stdout


def test_every_behaviour_starts_from_the_planned_wiring(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """wiring.json has what each plugin looks for; third-party libraries are stand-ins."""
    monkeypatch.setenv("ROBOT_WIRING", str(tmp_path / "wiring.json"))
    problem = changed(tmp_path)
    instances = instances_of(problem.robot, None, problem.manifests)
    hardware = assigned(problem, instances, frozenset())
    plan = Plan(
        robot=problem.robot.name,
        profile=None,
        board=problem.board.id,
        target=Target(release="", image="", architecture="", python="", tags=(), markers={}),
        instances=tuple(
            PlannedInstance(
                name=one.name,
                plugin=one.manifest.plugin,
                version=one.manifest.version,
                variant=hardware.variants[one.name],
                settings=one.settings,
                behaviour=one.manifest.behaviour,
                provides=(),
                digest="",
            )
            for one in instances
        ),
        assignments=hardware.assignments,
    )
    (tmp_path / "wiring.json").write_text(render_wiring_json(plan), encoding="utf-8")
    for module in ("numpy", "serial", "gpiod", "gpiod.line", "smbus2", "pynmea2", "linuxpy"):
        monkeypatch.setitem(sys.modules, module, MagicMock())
    for module in ("linuxpy.video", "linuxpy.video.device", "sounddevice", "cbor2", "aiohttp"):
        monkeypatch.setitem(sys.modules, module, MagicMock())
    for module in ("paho", "paho.mqtt"):
        monkeypatch.setitem(sys.modules, module, MagicMock())
    monkeypatch.syspath_prepend(str(SAMPLE))
    monkeypatch.setattr(sys, "path", list(sys.path))
    from heron.__main__ import Crew

    crew = Crew(json.loads((tmp_path / "wiring.json").read_text(encoding="utf-8")))
    crew.muster()
    assert sorted(crew.behaviours) == sorted(instance_names(robot()["enabled"]))

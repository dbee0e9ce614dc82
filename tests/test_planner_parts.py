"""What the planner joins: each part by itself, and what it must not mix up between two questions."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path
from typing import Any

from robokit_plan.app.session import problem_of
from robokit_plan.edge.facts import read_controllers
from robokit_plan.edge.reading import read_robot
from robokit_plan.hardware import HardwareAnswer
from robokit_plan.model import (
    DebianName,
    DistributionName,
    Finding,
    InstanceName,
    Origin,
    Plan,
    PluginName,
    Severity,
    SignalClaim,
    Snapshot,
    VariantName,
    finding,
    variant_needs,
)
from robokit_plan.planner import Planner, Problem, Solved, instances_of
from robokit_plan.planner._archives import suites_of
from robokit_plan.planner._debian import debian_problem
from robokit_plan.planner._early import of_profile
from robokit_plan.planner._hardware import (
    _pins_of,
    assigned,
    electrical_of,
    hazards_by_word,
)
from robokit_plan.planner._plan import Software, _blamed, _variant_notes
from robokit_plan.resolve.debian import DebianAnswer, DebianProblem
from robokit_plan.resolve.python import PythonAnswer, PythonProblem, target_for
from robokit_plan.resolve.python._problem import NativeNeed
from tests.casebook import grown, plan_of, rows_of, snapshot_of, write_case
from tests.render.plans import deb, names

AT = Origin(file="robot.yaml", line=1, column=1)
STANZA = """\
Package: {}
Version: 1
Architecture: arm64
Filename: pool/{}_1.deb
Size: 1000
SHA256: 1111111111111111111111111111111111111111111111111111111111111111

"""


def told(
    *repair: str, severity: Severity = Severity.ERROR, plugins: tuple[str, ...] = ()
) -> Finding:
    return finding("mast-loose", severity, "it sways", places=[AT], repair=repair, plugins=plugins)


def problem(case: dict[str, Any], folder: Path) -> Problem:
    write_case(case, folder)
    return problem_of(read_robot(folder))


def planned(case: dict[str, Any], folder: Path) -> Plan:
    return plan_of(problem(case, folder), case)


def test_a_repair_switches_plugins_of_the_profile_that_was_planned() -> None:
    """Typed without ``--profile`` it would change what the whole robot enables."""
    fixes = (
        "robokit-plan disable sonar   in robot.yaml",
        "robokit-plan enable helm mast",
        "robokit-plan lock --build-metadata",
        "wiring: {sonar.ping: gpio4}",
    )
    (one,) = of_profile((told(*fixes),), "bench")
    assert [shlex.split(fix.partition("   ")[0]) for fix in one.repair[:2]] == [
        ["robokit-plan", "disable", "sonar", "--profile", "bench"],
        ["robokit-plan", "enable", "helm", "mast", "--profile", "bench"],
    ]
    assert one.repair[0].endswith("   in robot.yaml")
    assert one.repair[2:] == fixes[2:]
    assert of_profile((told(*fixes),), None) == (told(*fixes),)


def test_suites_of_debian_are_those_of_its_own_packages() -> None:
    own = replace(deb("tooter", "1"), suite="trixie", source="")
    dated = replace(deb("piper", "1"), suite="trixie-updates", source="")
    maker = replace(deb("tool", "1"), suite="stable", source="maker")
    assert suites_of(DebianAnswer(pins=(dated, own, own, maker))) == ("trixie", "trixie-updates")
    assert suites_of(None) == ()


def test_what_wheels_and_builds_need_of_debian_is_asked_for_whom_it_serves(tmp_path: Path) -> None:
    case = {"plugins": {"horn": "python: {requires: [ping]}\n"}}
    found = problem(case, tmp_path)
    instances = instances_of(found.robot, None, found.manifests)
    target = target_for("debian-13", "arm64", "debian", None, found.python_facts)
    native = NativeNeed(
        distribution=DistributionName("ping"),
        build=(DebianName("gcc"),),
        run=(DebianName("libping1"),),
        # An instance that is not planned any more asks for nothing.
        wanted_by=(InstanceName("gone"), InstanceName("horn")),
    )
    needs = {one.name: variant_needs(one.manifest, None) for one in instances}
    asked = debian_problem(found, instances, needs, target, PythonAnswer(native=(native,)))
    wanted = {(one.text, one.label, one.build) for one in asked.wanted}
    assert wanted >= {("gcc", "to build ping", True), ("libping1", "to run ping", False)}
    assert {one.instance for one in asked.wanted} == {InstanceName("horn")}
    plain = debian_problem(found, instances, needs, target, PythonAnswer())
    assert {one.text for one in plain.wanted} == {"python3-venv", "ca-certificates"}


def test_a_pin_that_only_reads_drives_nothing() -> None:
    """Source: ESP32 series data sheet, section 2.2: GPIO34 to GPIO39 can be set as input only."""
    pins = _pins_of(read_controllers()["esp32"])
    driving = {"output", "servo", "clock", "led-string", "ir-out", "pwm"}
    for name in ("34", "35", "36", "39"):
        pin = next(one for one in pins.pins if one.removeprefix("gpio") == name)
        assert {"input", "ir-in"} <= pins.functions[pin]
        assert not pins.functions[pin] & driving
    both = next(one for one in pins.pins if one.removeprefix("gpio") == "25")
    assert {"input", "ir-in", *driving} <= pins.functions[both]


def test_a_lithium_battery_is_a_hazard_of_its_own(tmp_path: Path) -> None:
    robot = (
        'format: 1\nrobot: case\nboard: "raspberrypi,4-model-b"\nenabled: [horn]\nsupplies:\n'
        "  pack: {{volts: 7.4, max-ma: 9000, battery: {{chemistry: {}, cells: 2, capacity-mah: 5200}}}}\n"
    )
    for number, (chemistry, expected) in enumerate(
        [("li-ion", ("pack",)), ("lifepo4", ("pack",)), ("nimh", ()), ("lead-acid", ())]
    ):
        folder = tmp_path / str(number)
        folder.mkdir()
        found = problem({"robot": robot.format(chemistry), "plugins": {"horn": ""}}, folder)
        instances = instances_of(found.robot, None, found.manifests)
        words = hazards_by_word(found.robot, instances, {one.name: None for one in instances})
        assert words.get("lithium", ()) == expected
        assert ("lithium" in words) is bool(expected)


def test_without_facts_nothing_is_said_of_currents(tmp_path: Path) -> None:
    found = problem({"plugins": {"horn": ""}}, tmp_path)
    instances = instances_of(found.robot, None, found.manifests)
    hardware = assigned(found, instances, frozenset())
    for without in (
        replace(found, electrical=None),
        replace(found, i2c=None),
        replace(found, electrical=None, i2c=None),
    ):
        answer = electrical_of(without, instances, hardware)
        assert (answer.rails, answer.findings) == ((), ())
    assert electrical_of(found, instances, hardware).rails


def test_blame_is_for_errors_alone() -> None:
    warning = told(severity=Severity.WARNING, plugins=("sail",))
    assert _blamed([warning]) is None
    assert _blamed([]) is None
    errors = [told(plugins=("sonar", "helm")), warning, told(plugins=("mast", "helm"))]
    assert _blamed(errors) == names("helm", "mast", "sonar")
    assert _blamed([told()]) == ()


ROWS = {
    "strand": [{"file": "strand-1.0-py3-none-any.whl"}],
    "rope": [{"file": "rope-1.0-py3-none-any.whl"}],
}
LIGHTS = (
    'variants: {spi: {python: {requires: ["strand>=3"]}}, pwm: {python: {requires: [strand]}}}\n'
)
SAFE = "variants: {one: {python: {requires: [rope]}}, two: {}}\n"


def variants(plan: Plan) -> dict[str, str | None]:
    return {str(one.plugin): one.variant for one in plan.instances}


def test_only_the_plugin_that_is_refused_is_built_up_otherwise(tmp_path: Path) -> None:
    """Neighbours keep their first variants, whether their names come before or after."""
    case = {"plugins": {"anchor": SAFE, "lights": LIGHTS, "zeal": SAFE}, "python": ROWS}
    plan = planned(case, tmp_path)
    assert plan.ok
    assert variants(plan) == {"anchor": "one", "lights": "pwm", "zeal": "one"}


def test_a_variant_that_the_robot_file_names_is_not_exchanged(tmp_path: Path) -> None:
    robot = (
        'format: 1\nrobot: case\nboard: "raspberrypi,4-model-b"\nenabled: [lights, zeal]\n'
        "variant: {lights: spi}\n"
    )
    plan = planned(
        {"robot": robot, "plugins": {"lights": LIGHTS, "zeal": SAFE}, "python": ROWS}, tmp_path
    )
    assert not plan.ok
    assert variants(plan) == {"lights": "spi", "zeal": "one"}


def test_what_a_wheel_needs_of_debian_is_planned_where_python_sees_debians_modules(
    tmp_path: Path,
) -> None:
    """
    Debian is asked before Python, for its modules, and after it, for its libraries.

    Source: spatialaudio/python-sounddevice issue 126: its wheel loads libportaudio2.
    """
    packages = ("python3-libgpiod", "libportaudio2", "python3-venv", "ca-certificates")
    case = {
        "plugins": {
            "horn": "debian: {packages: [python3-libgpiod]}\npython: {requires: [sounddevice]}\n"
        },
        "debian": "".join(STANZA.format(name, name) for name in packages),
        "python": {"sounddevice": [{"file": "sounddevice-0.5-py3-none-any.whl"}]},
    }
    plan = planned(case, tmp_path)
    assert plan.ok
    assert plan.system_packages
    assert {str(one.name) for one in plan.debian} == set(packages)


def asked_of(planner: Planner, case: dict[str, Any]) -> Plan:
    snapshot = snapshot_of(case)
    for _ in range(50):
        answer = planner.resolve(snapshot)
        if isinstance(answer, Plan):
            return answer
        snapshot = grown(snapshot, answer, rows_of(case), case)
    raise AssertionError("no plan")


class Remembered:
    """What another planner solved."""

    def __init__(self, solved: list[Solved]) -> None:
        self._solved = solved

    def find_python(self, asked: PythonProblem) -> PythonAnswer | None:
        for question, answer in self._solved:
            if question == asked and isinstance(answer, PythonAnswer):
                return answer
        return None

    def find_debian(self, asked: DebianProblem) -> DebianAnswer | None:
        for question, answer in self._solved:
            if question == asked and isinstance(answer, DebianAnswer):
                return answer
        return None


def test_an_answer_that_is_known_is_not_computed_again(tmp_path: Path) -> None:
    """What was computed is handed on, whole answers alone; with it the next one asks nobody."""
    case = {
        "plugins": {"horn": "debian: {packages: [tooter]}\npython: {requires: [rope]}\n"},
        "debian": "".join(
            STANZA.format(name, name) for name in ("tooter", "python3-venv", "ca-certificates")
        ),
        "python": ROWS,
    }
    asked = problem(case, tmp_path)
    first = Planner(asked)
    plan = asked_of(first, case)
    assert plan == plan_of(asked, case)
    kinds = [type(answer) for _, answer in first.solved]
    assert kinds.count(PythonAnswer) == 1
    assert DebianAnswer in kinds
    assert set(kinds) == {PythonAnswer, DebianAnswer}
    second = Planner(asked, known=Remembered(first.solved))
    # No row of Python's index is wanted: Debian's are, as an archive says what is there.
    assert asked_of(second, {**case, "python": {}}) == plan
    assert second.solved == []


def test_a_plan_says_which_side_has_no_answer_and_whose_it_would_be(tmp_path: Path) -> None:
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    good = {"plugins": {"horn": "debian: {packages: [tooter]}\n", "mast": ""}}
    debian = STANZA.format("tooter", "tooter")
    plan = planned({**good, "debian": debian}, tmp_path / "one")
    assert (plan.debian_known, plan.undecided) == (True, {})
    asks = {"horn": 'python: {requires: ["rope>=9"]}\n', "mast": "debian: {packages: [sail]}\n"}
    packages = "".join(STANZA.format(name, name) for name in ("python3-venv", "ca-certificates"))
    plan = planned({"plugins": asks, "debian": packages, "python": ROWS}, tmp_path / "two")
    assert plan.undecided == {"python": names("horn"), "debian": names("mast")}


def test_a_robot_without_a_known_archive_says_so(tmp_path: Path) -> None:
    case = {"plugins": {"horn": ""}}
    asked = problem(case, tmp_path)
    plan = Planner(asked).resolve(Snapshot())
    assert isinstance(plan, Plan)
    assert (plan.debian_known, plan.debian) == (False, ())
    assert plan_of(asked, {**case, "debian": ""}).debian_known


def test_a_changed_variant_is_explained_by_its_own_errors(tmp_path: Path) -> None:
    """Neither by what is only worth knowing, nor by what stands against somebody else."""
    case = {"plugins": {"lights": LIGHTS, "zeal": SAFE}, "python": ROWS}
    found = problem(case, tmp_path)
    instances = instances_of(found.robot, None, found.manifests)
    lights, zeal = names("lights", "zeal")
    before = HardwareAnswer(
        assignments=(), variants={lights: VariantName("spi"), zeal: VariantName("one")}
    )
    after = replace(before, variants={**before.variants, lights: VariantName("pwm")})
    findings = [
        finding("a", Severity.ERROR, "strand is old", places=[AT], plugins=["lights"]),
        finding("a", Severity.WARNING, "strand is withdrawn", places=[AT], plugins=["lights"]),
        finding("a", Severity.ERROR, "rope is short", places=[AT], plugins=["zeal"]),
    ]
    first = Software(python=PythonAnswer(findings=tuple(findings)), debian=None)
    (one,) = _variant_notes(
        instances, (before, first), (after, Software(python=PythonAnswer(), debian=None))
    )
    assert one.why == ("strand is old",)
    assert one.plugins == (lights,)


LAMP = """\
settings: {leds: {type: integer, default: 12}, hue: {type: string, default: red}}
hardware: {signals: {data: {function: led-string, gpio: 10, leds: 12, ma-per-led: 60}}}
variants: {dim: {hardware: {signals: {more: {function: led-string, gpio: 12, leds: 12}}}}}
"""


def test_an_instance_has_what_the_robot_file_sets_over_what_the_manifest_says(
    tmp_path: Path,
) -> None:
    robot = (
        'format: 1\nrobot: case\nboard: "raspberrypi,4-model-b"\n'
        "enabled: [lamp, {as: bow, plugin: lamp, set: {leds: 8, stranger: 1}}]\n"
    )
    found = problem({"robot": robot, "plugins": {"lamp": LAMP}}, tmp_path)
    made = {str(one.name): one for one in instances_of(found.robot, None, found.manifests)}
    assert dict(made["bow"].settings) == {"leds": 8, "hue": "red"}
    assert dict(made["lamp"].settings) == {"leds": 12, "hue": "red"}
    for name, count in (("bow", 8), ("lamp", 12)):
        needs = variant_needs(made[name].manifest, VariantName("dim"))
        strings = [one for one in needs.hardware if isinstance(one, SignalClaim)]
        assert [one.leds for one in strings] == [count, count]
    # The manifest of the other is not touched, nor made anew.
    assert made["lamp"].manifest is found.manifests[PluginName("lamp")]

"""What is still possible: every answer is held against trying out all there is to try."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from robokit_plan.edge.facts import read_board, read_controllers, read_parts
from robokit_plan.edge.manifests import parse_manifest
from robokit_plan.edge.python_facts import read_python_facts
from robokit_plan.edge.robots import parse_robot
from robokit_plan.formats.robot_references import completed
from robokit_plan.hardware import assign
from robokit_plan.hardware.assign.alternatives import movable_claims, other_variants
from robokit_plan.model import (
    ClaimName,
    InstanceName,
    LineName,
    RuleName,
    Severity,
    SignalClaim,
    Suggestions,
    Together,
    Wiring,
    line_name,
)
from robokit_plan.planner import (
    Problem,
    findings_without_indices,
    hardware_problem,
    instances_of,
)
from robokit_plan.suggestions import _together, pool_of, suggest, suggest_claim, together
from robokit_plan.suggestions._largest import OutOfEffort, Rules
from robokit_plan.suggestions._pool import with_enabled
from tests.casebook import plan_of

HEAD = """\
format: 1
plugin: {name}
version: "1.0"
summary: Plugin {name} of a test
"""
ROBOT = """\
format: 1
robot: case
board: "raspberrypi,4-model-b"
enabled: [{names}]
"""
BOARD, PARTS, CHIPS = read_board("raspberrypi,4-model-b"), read_parts(), read_controllers()
FACTS = read_python_facts()


def problem_of(
    plugins: Mapping[str, str], enabled: Sequence[str] = (), further: str = ""
) -> Problem:
    """Return the problem of a robot with *plugins* in reach; manifests without their heads."""
    text = ROBOT.format(names=", ".join(enabled)) + further
    robot, findings = parse_robot(text, "robot.yaml")
    assert robot is not None, findings
    manifests = {}
    for name in sorted(plugins):
        manifest, found = parse_manifest(
            HEAD.format(name=name) + plugins[name], f"plugins/{name}/manifest.yaml"
        )
        assert manifest is not None, found
        assert not [one for one in found if one.severity is Severity.ERROR], found
        manifests[manifest.plugin] = manifest
    return Problem(
        robot=completed(robot, manifests),
        manifests=manifests,
        board=BOARD,
        parts=PARTS,
        chips=CHIPS,
        python_facts=FACTS,
        indexes={"default": "https://index.example/simple"},
    )


def sets_by_trying(
    problem: Problem, findings: Any = findings_without_indices
) -> set[frozenset[str]]:
    """Return the maximal sets without errors among all subsets, by trying each."""
    pool = pool_of(problem)
    good: list[frozenset[str]] = []
    for size in range(len(pool), 0, -1):
        for chosen in combinations(pool, size):
            names = frozenset(one.instance for one in chosen)
            found = findings(with_enabled(problem, chosen))
            if all(one.severity is not Severity.ERROR for one in found):
                good.append(names)
    return {one for one in good if not any(one < other for other in good)}


def told(found: Together) -> set[frozenset[str]]:
    """Return the sets as sets."""
    assert len(set(found.sets)) == len(found.sets)
    return {frozenset(one) for one in found.sets}


# --- the search over rules ------------------------------------------------------------------


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_largest_is_largest_of_all_that_keep_the_rules(data: st.DataObject) -> None:
    """Against trying all masks; the sequence of answers lists every maximal one, by size."""
    size = data.draw(st.integers(1, 7))
    masks = st.integers(0, (1 << size) - 1)
    rules = Rules(size=size, effort=100_000)
    for all_of, one_of in data.draw(st.lists(st.tuples(masks, masks), max_size=8)):
        rules.add(all_of, one_of if data.draw(st.booleans()) else 0)
    given_rules = list(rules.rules)
    good = [
        mask
        for mask in range(1 << size)
        if all(one & ~mask or other & mask for one, other in given_rules)
    ]
    maximal = {one for one in good if not any(one != other and not one & ~other for other in good)}
    found = []
    while (one := rules.largest()) is not None:
        found.append(one)
        rules.forbid_parts_of(one)
    assert set(found) == maximal
    assert len(found) == len(maximal)
    sizes = [one.bit_count() for one in found]
    assert sizes == sorted(sizes, reverse=True)


def test_search_stops_at_its_bound() -> None:
    """Effort is counted, not timed, so that every machine gives the same answer."""
    rules = Rules(size=20, effort=15)
    for at in range(0, 20, 2):
        rules.add(3 << at)
    with pytest.raises(OutOfEffort):
        rules.largest()


# --- sets that go together ------------------------------------------------------------------

SIGNALS = [
    "{function: output, gpio: 17}",
    "{function: output, gpio: [17, 27]}",
    "{function: input, gpio: [4, 17]}",
    "{function: input, gpio: any}",
    "{function: pwm, gpio: any, hz: 1000}",
    "{function: pwm, gpio: [12, 18], hz: 1000}",
    "{function: led-string, gpio: [12, 18, 10, 21], leds: 3, ma-per-led: 20, supply: 5V}",
    "{function: clock, gpio: any}",
]
DEVICES = [
    "i2c: {chip: {part: ina219, address: 0x40, bus: i2c1}}",
    "i2c: {chip: {part: ina219, address: [0x40, 0x41], bus: any}}",
    "i2c: {chip: {part: sht21, bus: i2c1}}",
    "spi: {chip: {select: any}}",
    "uart: {chip: {port: any}}",
    "uart: {chip: {port: header}}",
    "i2s: {chip: {direction: in}}",
    "camera: {chip: {connector: any}}",
    "usb: {chip: {id: '0bda:2838'}}",
    "actuators: {arm: {hazard: none}}",
]


@st.composite
def robots(draw: st.DrawFn, *, least: int = 2, most: int = 6) -> Problem:
    """Return a small robot whose plugins have every kind of reason not to go together."""
    count = draw(st.integers(least, most))
    names = [f"p{at}" for at in range(count)]
    others = st.sampled_from(names)
    plugins = {}
    for name in names:
        lines = []
        if draw(st.integers(0, 3)) == 0:
            lines.append(f"provides: [{draw(st.sampled_from(['light', 'sound']))}]")
        if draw(st.integers(0, 3)) == 0:
            lines.append(f"needs: [{draw(st.sampled_from(['light', 'sound']))}]")
        if draw(st.integers(0, 4)) == 0:
            other = draw(others)
            if other != name:
                lines.append(f"plugins: ['{other}{draw(st.sampled_from(['', '>=1', '>=2']))}']")
        if draw(st.integers(0, 5)) == 0:
            lines.append(f"excludes: [{draw(st.sampled_from([*names, 'light', 'sound']))}]")
        if draw(st.integers(0, 4)) == 0:
            lines.append("topics: {commands: [arm]}")
        if draw(st.integers(0, 5)) == 0:
            verb = draw(st.sampled_from(["start", "stop"]))
            lines.append(f"machine: {{services: {{{verb}: [clockd]}}}}")
        hardware = []
        if draw(st.booleans()):
            hardware.append(f"signals: {{line: {draw(st.sampled_from(SIGNALS))}}}")
        if draw(st.booleans()):
            hardware.append(draw(st.sampled_from(DEVICES)))
        if hardware:
            lines.append(f"hardware: {{{', '.join(hardware)}}}")
        if draw(st.integers(0, 5)) == 0:
            one, two = draw(st.sampled_from(SIGNALS)), draw(st.sampled_from(SIGNALS))
            lines.append(
                f"variants: {{a: {{hardware: {{signals: {{more: {one}}}}}}}, "
                f"b: {{hardware: {{signals: {{more: {two}}}}}}}}}"
            )
        plugins[name] = "\n".join(lines) + "\n"
    enabled = draw(st.lists(others, unique=True, max_size=count))
    # The plain image switches the sound bus on beside SPI; the vendor's takes no more than needed.
    further = f"system: {{image: {draw(st.sampled_from(['debian', 'vendor']))}}}\n"
    if draw(st.booleans()):
        further += f"choose: {{light: {draw(others)}}}\n"
    return problem_of(plugins, enabled, further)


def _agrees(problem: Problem) -> None:
    found = together(problem, None, broken={})
    assert not found.more
    assert not found.stopped
    assert told(found) == sets_by_trying(problem)
    sizes = [len(one) for one in found.sets]
    assert sizes == sorted(sizes, reverse=True)
    somewhere = set().union(*found.sets)
    assert {one.instances[0] for one in found.nowhere} == set(found.instances) - somewhere
    for clash in found.clashes:
        assert not any(set(clash.instances) <= set(one) for one in found.sets)
    assert together(problem, None, broken={}) == found


@given(robots())
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
def test_sets_are_those_of_trying_all_subsets(problem: Problem) -> None:
    """Every maximal set without an error is told, and nothing else."""
    _agrees(problem)


@pytest.mark.slow
@given(robots(least=5, most=8))
@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
def test_sets_are_those_of_trying_all_subsets_at_length(problem: Problem) -> None:
    """The same for more and larger robots."""
    _agrees(problem)


def test_all_sets_are_told_not_one_greedy_one() -> None:
    """Three pairs that exclude each other leave eight sets of equal size."""
    plugins = {
        f"{letter}{number}": f"hardware: {{signals: {{line: {{function: output, gpio: {line}}}}}}}\n"
        for letter, line in (("a", 17), ("b", 27), ("c", 22))
        for number in (1, 2)
    }
    found = together(problem_of(plugins), None, broken={})
    assert found.sets == tuple(
        (f"a{one}", f"b{two}", f"c{three}") for one in (1, 2) for two in (1, 2) for three in (1, 2)
    )
    assert [one.instances for one in found.clashes] == [("a1", "a2"), ("b1", "b2"), ("c1", "c2")]
    assert {one.rule for one in found.clashes} == {"pin-collision"}


def test_a_limit_is_told() -> None:
    """Seven pairs make 128 sets: a hundred are told, and that there are more."""
    lines = (17, 27, 22, 23, 24, 25, 5)
    plugins = {
        f"{letter}{number}": f"hardware: {{signals: {{line: {{function: output, gpio: {line}}}}}}}\n"
        for letter, line in zip("abcdefg", lines, strict=True)
        for number in (1, 2)
    }
    found = together(problem_of(plugins), None, broken={})
    assert (len(found.sets), found.more, found.stopped) == (100, True, False)
    assert {len(one) for one in found.sets} == {7}
    exact = together(problem_of(plugins), None, broken={}, limit=128)
    assert (len(exact.sets), exact.more) == (128, False)


def test_the_larger_sets_come_first_where_not_all_are_told() -> None:
    """One plugin that excludes the rest is a set of its own, and the last one."""
    plugins = {f"p{at}": "provides: [light]\n" for at in range(5)}
    plugins["alone"] = "excludes: [light]\n"
    found = together(problem_of(plugins), None, broken={}, limit=1)
    assert found.sets == (("p0", "p1", "p2", "p3", "p4"),)
    assert found.more
    assert together(problem_of(plugins), None, broken={}).sets[1:] == (("alone",),)


def test_a_bound_of_effort_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """What was found so far stands, and that the search was stopped."""
    monkeypatch.setattr(_together, "_ASKED", 6)
    plugins = {
        f"p{at}": f"hardware: {{signals: {{line: {{function: output, gpio: 17, hz: {at + 1}}}}}}}\n"
        for at in range(6)
    }
    found = together(problem_of(plugins), None, broken={})
    assert found.stopped
    assert not found.more
    # Not one set was found by then; those that are grown are good ones.
    assert set(found.sets) <= {(f"p{at}",) for at in range(6)}
    assert found.sets


def test_a_crowd_beyond_all_rules_still_gets_good_sets(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twelve plugins want one of five serial ports: any six of them clash."""
    monkeypatch.setattr(_together, "_ASKED", 40)
    plugins = {
        f"p{at:02}": f"hardware: {{uart: {{link: {{port: any, baud: {9600 + at}}}}}}}\n"
        for at in range(12)
    }
    plugins["needy"] = "needs: [sound]\n"
    problem = problem_of(plugins)
    found = together(problem, None, broken={})
    assert found.stopped
    assert found.sets
    pool = {one.instance: one for one in pool_of(problem)}
    for one in found.sets:
        errors = findings_without_indices(with_enabled(problem, [pool[name] for name in one]))
        assert all(each.severity is not Severity.ERROR for each in errors)
    assert set().union(*found.sets) == set(plugins) - {"needy"}


def test_plugins_that_are_alike_are_one_question() -> None:
    """Forty lights want the lines of one header: the sets differ in who is left out alone."""
    light = "hardware: {signals: {line: {function: output, gpio: any}}}\n"
    plugins = {f"light-{at:02}": light for at in range(40)}
    plugins["named"] = light
    plugins["friend"] = "plugins: [named]\n" + light
    found = together(problem_of(plugins), None, broken={})
    assert not found.stopped
    assert found.more
    assert len(found.sets) == 100
    assert len({len(one) for one in found.sets}) == 1
    # Who is named by somebody is not like the others.
    assert found.alike == (tuple(f"light-{at:02}" for at in range(40)),)


def test_small_groups_that_are_alike_are_told_whole() -> None:
    """All sets and all clashes are told, each in the names of its own members."""
    plugins = {
        "zinc": "hardware: {signals: {line: {function: output, gpio: 17}}}\n",
        "alum": "hardware: {signals: {line: {function: output, gpio: 17}}}\n",
        "mica": "hardware: {signals: {line: {function: input, gpio: 17}}}\n",
    }
    found = together(problem_of(plugins), None, broken={})
    assert found.sets == (("alum",), ("mica",), ("zinc",))
    assert [one.instances for one in found.clashes] == [
        ("alum", "mica"), ("alum", "zinc"), ("mica", "zinc"),
    ]  # fmt: skip
    assert found.nowhere == ()
    assert found.alike == (("alum", "zinc"),)


def test_a_set_is_closed_under_what_its_members_need() -> None:
    """A needer is in no set without a provider, and a plugin that nothing can serve is in none."""
    plugins = {
        "horn": "provides: [sound]\nexcludes: [bell]\n",
        "bell": "provides: [sound]\n",
        "alarm": "needs: [sound]\n",
        "moth": "needs: [light]\n",
    }
    found = together(problem_of(plugins), None, broken={})
    assert found.sets == (("alarm", "bell"), ("alarm", "horn"))
    assert [(one.instances, one.rule) for one in found.nowhere] == [
        (("moth",), "capability-missing")
    ]


def test_the_chosen_provider_lets_rivals_live_together() -> None:
    """Two providers and a needer clash, unless the one that the robot file chooses is there."""
    plugins = {
        "bell": "provides: [sound]\n",
        "gong": "provides: [sound]\n",
        "horn": "provides: [sound]\nhardware: {signals: {line: {function: output, gpio: 17}}}\n",
        "alarm": "needs: [sound]\n",
        "winch": "hardware: {signals: {line: {function: output, gpio: 17}}}\n",
    }
    problem = problem_of(plugins, further="choose: {sound: horn}\n")
    found = together(problem, None, broken={})
    assert told(found) == sets_by_trying(problem)
    assert found.sets[0] == ("alarm", "bell", "gong", "horn")


def test_enabled_instances_keep_their_name_and_settings() -> None:
    """``as:`` and ``set:`` of the robot file hold; two instances of a plugin are two members."""
    plugins = {
        "lights": "settings: {leds: {type: integer, default: 12}}\n",
        "spare": "",
    }
    problem = problem_of(
        plugins,
        ["{as: bow, plugin: lights, set: {leds: 8}}", "{as: stern, plugin: lights}"],
    )
    assert [(one.instance, one.plugin) for one in pool_of(problem)] == [
        ("bow", "lights"),
        ("spare", "spare"),
        ("stern", "lights"),
    ]
    assert dict(pool_of(problem)[0].settings) == {"leds": 8}
    assert together(problem, None, broken={}).sets == (("bow", "spare", "stern"),)


def test_a_broken_manifest_is_in_no_set() -> None:
    """What `check` would refuse by itself is told with its rule."""
    problem = problem_of({"one": "", "two": ""})
    found = together(problem, None, broken={InstanceName("two"): (RuleName("schema"), "wrong")})
    assert found.sets == (("one",),)
    assert [(one.instances, one.rule) for one in found.nowhere] == [(("two",), "schema")]


SOFTWARE: Mapping[str, Any] = {
    "python": {
        "alpha": [
            {"file": "alpha-1.0-py3-none-any.whl", "requires": []},
            {"file": "alpha-2.0-py3-none-any.whl", "requires": []},
        ],
        "beta": [{"file": "beta-2.1-py3-none-any.whl", "requires": ["alpha<2"]}],
    },
    "debian": """\
Package: chimed
Version: 1.0
Architecture: arm64
Conflicts: timed
Filename: pool/c/chimed.deb
Size: 10
SHA256: 1111111111111111111111111111111111111111111111111111111111111111

Package: timed
Version: 1.0
Architecture: arm64
Filename: pool/t/timed.deb
Size: 10
SHA256: 2222222222222222222222222222222222222222222222222222222222222222

Package: python3-venv
Version: 3.13.5-1
Architecture: arm64
Filename: pool/p/python3-venv.deb
Size: 3000
SHA256: 3333333333333333333333333333333333333333333333333333333333333333

Package: ca-certificates
Version: 20250419
Architecture: all
Filename: pool/c/ca-certificates.deb
Size: 4000
SHA256: 4444444444444444444444444444444444444444444444444444444444444444
""",
}
"""One distribution of which no version suits all, two packages that conflict."""
DEMANDS = {
    "old": 'python: {requires: ["beta"]}\n',
    "new": 'python: {requires: ["alpha>=2"]}\n',
    "any": 'python: {requires: ["alpha"]}\n',
    "chime": "debian: {packages: [chimed]}\nprovides: [clock]\n",
    "time": "debian: {packages: [timed]}\nprovides: [clock]\n",
    "plan": "needs: [clock]\nhardware: {signals: {line: {function: output, gpio: 17}}}\n",
    "lamp": "variants: {a: {python: {requires: ['beta']}}, b: {python: {requires: ['alpha>=2']}}}\n"
    "hardware: {signals: {line: {function: output, gpio: 17}}}\n",
}


def test_software_takes_part_and_variants_give_way() -> None:
    """Conflicts of distributions and packages part sets; a variant that gives way does not."""
    problem = problem_of(DEMANDS)

    def findings(one: Problem) -> Any:
        return plan_of(one, SOFTWARE).findings

    found = together(problem, findings, broken={})
    assert told(found) == sets_by_trying(problem, findings)
    assert found.software
    rules = {one.instances: one.rule for one in found.clashes}
    assert rules == {
        ("chime", "time"): "debian-conflict",
        ("lamp", "plan"): "pin-collision",
        ("new", "old"): "python-conflict",
    }


def test_no_answer_about_software_is_told() -> None:
    """Where the indices have no answer, hardware alone decides, and that is said."""
    found = together(problem_of(DEMANDS), lambda _: None, broken={})
    assert not found.software
    assert told(found) == sets_by_trying(problem_of(DEMANDS))


# --- other places ---------------------------------------------------------------------------


def _with_line(problem: Problem, instance: str, claim: str, line: str) -> Problem:
    kept = [one for one in problem.robot.wiring if (one.instance, one.claim) != (instance, claim)]
    wiring = Wiring(
        instance=InstanceName(instance),
        claim=ClaimName(claim),
        line=LineName(line),
        origin=problem.robot.origin,
    )
    return replace(problem, robot=replace(problem.robot, wiring=(*kept, wiring)))


def _fits(problem: Problem) -> bool:
    instances = instances_of(problem.robot, None, problem.manifests)
    return not assign(hardware_problem(problem, instances)).conflicts


@given(robots(least=2, most=5))
@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
def test_other_lines_are_those_on_which_the_whole_robot_fits(problem: Problem) -> None:
    """Wire each claim to each line of the header in turn, and assign anew."""
    names = [one for one in pool_of(problem) if len(problem.manifests[one.plugin].variants) == 0]
    problem = with_enabled(problem, names)
    instances = instances_of(problem.robot, None, problem.manifests)
    asked = hardware_problem(problem, instances)
    answer = assign(asked)
    if answer.conflicts:
        return
    for one in movable_claims(asked, answer):
        if one.section != "signals":
            continue
        plugins = {each.instance: each.plugin for each in problem.robot.enabled}
        claim = next(
            each
            for each in problem.manifests[plugins[one.instance]].base.hardware
            if each.key.name == one.claim
        )
        assert isinstance(claim, SignalClaim)
        allowed = {str(line_name(option)) for option in claim.lines.options} or set(
            map(str, BOARD.lines)
        )
        expected = {
            line
            for line in allowed
            if line != one.now and _fits(_with_line(problem, one.instance, one.claim, line))
        }
        assert {other.resource for other in one.others} == expected
        for other in one.others:
            assert other.entry == other.resource
            if not other.moves:
                assert all(
                    other.resource not in {str(use.line) for use in each.lines}
                    for each in answer.assignments
                    if (each.instance, each.claim) != (one.instance, one.claim)
                )


MAST = {
    "mast": "hardware: {signals: {lamp: {function: output, gpio: [22, 23, 27]}}}\n",
    "leak": "hardware: {signals: {float: {function: input, gpio: [23, 24]}}}\n",
    "horn": "hardware: {signals: {coil: {function: output, gpio: 27}}}\n",
}


def test_a_place_is_free_or_names_who_makes_room() -> None:
    """gpio23 is free for the lamp when the float moves; gpio27 never is."""
    found = _suggested(MAST, ["mast", "leak", "horn"])
    lamp, leak = (
        next(one for one in found.movable if one.claim == name) for name in ("lamp", "float")
    )
    assert (lamp.now, lamp.where) == ("gpio22", "15")
    assert [(one.resource, one.where, one.moves) for one in lamp.others] == [
        ("gpio23", "16", (("leak", "float", "gpio24"),))
    ]
    assert [(one.resource, one.moves) for one in leak.others] == [("gpio24", ())]
    assert all(one.claim != "coil" for one in found.movable), "its manifest leaves no choice"


def _suggested(
    plugins: Mapping[str, str], enabled: Sequence[str], further: str = ""
) -> Suggestions:
    return suggest(problem_of(plugins, enabled, further), None, broken={})


def test_a_wired_claim_is_told_with_its_other_places() -> None:
    """What the robot file fixed could be fixed elsewhere: straps of ina219 by its data sheet."""
    plugins = {"watch": "hardware: {i2c: {gauge: {part: ina219, bus: i2c1}}}\n"}
    found = _suggested(plugins, ["watch"], "wiring: {watch.gauge: {address: 0x41}}\n")
    gauge = found.movable[0]
    assert (gauge.now, gauge.wired) == ("i2c1 0x41", True)
    # source: Texas Instruments, INA219 data sheet SBOS448G, table 1: sixteen addresses 0x40-0x4f
    assert [one.resource for one in gauge.others] == [
        f"i2c1 0x{address:02x}" for address in range(0x40, 0x50) if address != 0x41
    ]


def test_one_claim_is_also_told_where_wiring_alone_would_put_it() -> None:
    """A claim on one line of its manifest, in collision: the places that wiring may give."""
    plugins = {
        "mast": "hardware: {signals: {lamp: {function: output, gpio: 17}}}\n",
        "leak": "hardware: {signals: {float: {function: input, gpio: 17}}}\n",
    }
    problem = problem_of(plugins, ["leak"])
    found = suggest_claim(problem, InstanceName("mast"), ClaimName("lamp"))
    assert found.claim == "mast.lamp"
    lamp = found.movable[0]
    assert lamp.now is None
    assert all(one.rewire and not one.moves for one in lamp.others)
    lines = {one.resource for one in lamp.others}
    assert "gpio17" not in lines
    assert {"gpio22", "gpio23", "gpio27"} <= lines
    remarks = {one.resource: one.remark for one in lamp.others if one.remark}
    # source: the HAT specification keeps ID_SD and ID_SC, header positions 27 and 28, for this
    assert remarks == dict.fromkeys(
        ("gpio0", "gpio1"), "kept for the identification memory of an add-on board"
    )
    for one in ("gpio22", "gpio23", "gpio27"):
        wider = replace(
            problem,
            robot=replace(problem.robot, enabled=pool_of(problem)),
        )
        assert _fits(_with_line(wider, "mast", "lamp", one))


def test_what_an_add_on_board_owns_goes_nowhere() -> None:
    """Its plug is where it is."""
    plugins = {"hat": "hardware: {signals: {led: {function: output, header: [12]}}}\n"}
    found = suggest_claim(problem_of(plugins, ["hat"]), InstanceName("hat"), ClaimName("led"))
    assert found.movable == ()


def test_other_variants_are_those_that_fit() -> None:
    """Of three ways to build the lights up, one is in use and one collides."""
    way = "{{hardware: {{signals: {{data: {{function: output, gpio: {line}}}}}}}}}"
    plugins = {
        "lights": "variants: {"
        + ", ".join(
            f"{name}: {way.format(line=line)}" for name, line in (("a", 5), ("b", 6), ("c", 17))
        )
        + "}\n",
        "horn": "hardware: {signals: {coil: {function: output, gpio: 17}}}\n",
    }
    problem = problem_of(plugins, ["lights", "horn"])
    asked = hardware_problem(problem, instances_of(problem.robot, None, problem.manifests))
    answer = assign(asked)
    found = other_variants(asked, answer)
    assert [(one.instance, one.now, one.others) for one in found] == [("lights", "a", ("b",))]


# --- free things and cost -------------------------------------------------------------------


def test_what_is_free_stands_with_its_positions() -> None:
    """Positions of an empty header; source: the board's device tree and header drawing."""
    found = _suggested({"horn": "hardware: {signals: {coil: {function: output, gpio: 17}}}\n"}, [])
    kinds = {one.kind: one.items for one in found.free}
    assert kinds["lines"]["gpio17"] == "11"
    assert kinds["lines"]["gpio26"] == "37"
    assert kinds["I2C buses"]["i2c1"] == "sda 3, scl 5"
    assert kinds["SPI selects"]["spi0"] == "select 0, select 1"
    assert kinds["cameras"]
    taken = _suggested(
        {"horn": "hardware: {signals: {coil: {function: output, gpio: 17}}}\n"}, ["horn"]
    )
    assert "gpio17" not in {one.kind: one.items for one in taken.free}["lines"]


POWER = """\
needs: [sound]
hardware:
  signals:
    data: {function: led-string, gpio: [10], leds: 10, ma-per-led: 60, brightness: 128, supply: 5V}
  power:
    pump: {supply: drive, typical-ma: 400, peak-ma: 3000, count: 2, hazard: motion}
    fan: {supply: drive, typical-ma: 100}
  usb: {stick: {id: "0bda:2838", ma: 300}}
"""


def test_cost_counts_peak_per_supply_and_names_what_is_not_declared() -> None:
    """Ten LEDs of 60 mA at 128/255 draw at most 302 mA; two pumps 6 A; the fan says nothing."""
    found = _suggested(
        {"pump": POWER, "horn": "provides: [sound]\n"},
        ["horn"],
        "roles: {drive: pack}\nsupplies: {pack: {volts: 7.4, max-ma: 10000}}\n",
    )
    (cost,) = found.costs
    assert cost.fits, cost.against
    assert dict(cost.peak) == {"5V": 302, "pack": 6000, "usb": 300}
    assert cost.unknown_peak == ("fan",)
    assert cost.hazards == ("motion",)
    assert (cost.python, cost.debian, cost.fetched) == (None, None, None)


def test_cost_names_the_rule_that_stands_against_it_and_sorts_what_fits_first() -> None:
    """Fit comes before size; who would have to move is told."""
    found = _suggested(
        {
            **MAST,
            "buoy": "hardware: {signals: {lamp: {function: output, gpio: 22}}}\n",
            "winch": "hardware: {signals: {motor: {function: output, gpio: 27}}}\n",
            "moth": "needs: [light]\n",
        },
        ["mast", "leak", "horn"],
    )
    costs = {str(one.instance): one for one in found.costs}
    assert [one.instance for one in found.costs] == ["buoy", "moth", "winch"]
    assert [rule for rule, _ in costs["winch"].against] == ["pin-collision"]
    assert [rule for rule, _ in costs["moth"].against] == ["capability-missing"]
    assert costs["buoy"].fits
    assert [
        (before.instance, before.resource, after and after.resource)
        for before, after in costs["buoy"].moved
    ] == [("leak", "gpio23", "gpio24"), ("mast", "gpio22", "gpio23")]


def test_unplaced_claims_are_named(tmp_path: Path) -> None:
    """A robot that does not fit is told about all the same."""
    assert not list(tmp_path.iterdir())
    plugins = {
        "mast": "hardware: {signals: {lamp: {function: output, gpio: 17}}}\n",
        "leak": "hardware: {signals: {float: {function: input, gpio: 17}}}\n",
    }
    found = _suggested(plugins, ["mast", "leak"])
    assert len(found.unplaced) == 1
    assert found.together is not None
    assert found.together.sets == (("leak",), ("mast",))

"""Both ends of every wire: what is soldered where, held against data sheets and a reader of nets."""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from robokit_plan.app.session import open_session
from robokit_plan.edge.facts import board_ids, read_board, read_parts
from robokit_plan.hardware import assign
from robokit_plan.hardware.circuits import ElectricalProblem
from robokit_plan.hardware.loom import wires_of
from robokit_plan.model import BoardId, WireKind, Wires, replace, variant_needs
from robokit_plan.planner import Problem, hardware_problem, instances_of
from robokit_plan.render import render_nets

from .checker import Row, faults, rows_of

RAFT = Path(__file__).parents[3] / "sample_robot"
PROFILES = (None, "bench", "show")


def wires(problem: Problem) -> Wires:
    """Return the wires of the hardware of *problem*, whatever its software is."""
    instances = instances_of(problem.robot, problem.profile, problem.manifests)
    answer = assign(hardware_problem(problem, instances))
    assert problem.electrical is not None
    assert problem.i2c is not None
    return wires_of(
        ElectricalProblem(
            board=problem.board,
            robot=problem.robot,
            electrical=problem.electrical,
            i2c=problem.i2c,
            chips=problem.chips,
            parts=problem.parts,
            claims=tuple(
                (one.name, claim)
                for one in instances
                for claim in variant_needs(one.manifest, answer.variants[one.name]).hardware
            ),
            assignments=answer.assignments + answer.links,
        )
    )


@cache
def raft(profile: str | None = None) -> Wires:
    return wires(open_session(RAFT, profile=profile).problem)


def made(
    folder: Path, hardware: str, robot: str = "", board: str = "raspberrypi,4-model-b"
) -> Wires:
    """Return the wires of a robot with one plugin, `vane`."""
    plugin = folder / "plugins" / "vane"
    plugin.mkdir(parents=True)
    (plugin / "manifest.yaml").write_text(
        f'format: 1\nplugin: vane\nversion: "1"\nsummary: s\nhardware: {hardware}\n'
    )
    (folder / "robot.yaml").write_text(
        f'format: 1\nrobot: gull\nboard: "{board}"\nsystem: {{image: vendor}}\n'
        f"enabled: [vane]\n{robot}"
    )
    return wires(open_session(folder).problem)


def ends(found: Wires, kind: WireKind = WireKind.SIGNAL) -> dict[str, str]:
    return {one.near.text: one.far.text for one in found.wires if one.kind is kind}


@pytest.mark.parametrize("profile", PROFILES)
def test_the_rafts_nets_can_be_built_from(profile: str | None) -> None:
    assert not faults(rows_of(render_nets(raft(profile))))


@pytest.mark.parametrize("board", board_ids())
def test_the_rafts_nets_on_every_board(board: BoardId) -> None:
    """Whatever of it finds no place there: what is told is whole."""
    session = open_session(RAFT)
    robot = replace(session.problem.robot, board=board, wiring=())
    problem = replace(session.problem, board=read_board(board), robot=robot, locked=None)
    told = rows_of(render_nets(wires(problem)))
    known = {pin.id for pin in problem.board.pins}
    assert {row["pin"] for row in told if row["part"] == "board"} - known <= {"inlet +", "inlet -"}
    # The raft's carrier port names a line that not every board has; levels are told as findings.
    expected = ("P4", "gpio22", " bears ")
    assert not [one for one in faults(told) if not any(word in one for word in expected)]


def test_what_is_behind_a_multiplexer_goes_to_its_channel() -> None:
    """Four converters of one address: side by side on the header they would all answer at once."""
    told = ends(raft())
    for probe in ("water-probe", "stern-probe"):
        assert told[f"{probe}.acidity SDA"] == f"{probe}.mux SD0"
        assert told[f"{probe}.conductivity SCL"] == f"{probe}.mux SC1"
        assert told[f"{probe}.mux SDA"] == "board 3"


def test_serial_lines_cross() -> None:
    """The board's transmitter (position 8 on this header) meets the part's receiver."""
    told = ends(raft())
    assert told["position RXD"] == "board 8"
    assert told["position TXD"] == "board 10"


def test_a_stream_lists_the_lines_that_its_direction_uses() -> None:
    told = ends(raft())
    assert told["hydrophone.microphone SD"] == "board 38"
    assert {name for name in told if name.startswith("hydrophone")} == {
        f"hydrophone.microphone {pin}" for pin in ("SCK", "SD", "WS")
    }


def test_a_divider_stands_between_its_part_and_the_line() -> None:
    """Upper resistor from the part to the line, lower one from the line to ground."""
    (echo,) = [one for one in raft().wires if one.near.text == "sonar echo"]
    assert (echo.near_net, echo.far_net, echo.between) == (
        "sonar.echo", "gpio23", ("sonar.echo.R1", "sonar.echo.R2")
    )  # fmt: skip
    parts = {one.name: one for one in raft().components}
    assert [net for net, _ in parts["sonar.echo.R1"].ends] == ["sonar.echo", "gpio23"]
    assert [net for net, _ in parts["sonar.echo.R2"].ends] == ["gpio23", "GND"]


def test_a_divider_of_an_output_protects_the_part(tmp_path: Path) -> None:
    """3.3 V of the board come down to 1.8 V at the part: the lower resistor hangs on its side."""
    signal = "{function: output, gpio: 17, volts: 1.8, divider-ohm: [10000, 12000]}"
    found = made(tmp_path, f"{{signals: {{wake: {signal}}}}}")
    parts = {one.name: one for one in found.components}
    assert [net for net, _ in parts["vane.wake.R1"].ends] == ["gpio17", "vane.wake"]
    assert [net for net, _ in parts["vane.wake.R2"].ends] == ["vane.wake", "GND"]
    assert not faults(rows_of(render_nets(found)))


@pytest.mark.parametrize(
    ("part", "address", "tied"),
    [
        # ADS1115 data sheet (SBAS444), table of the ADDR pin: GND, VDD, SDA, SCL
        ("ads1115", 0x48, {"ADDR": "ground"}),
        ("ads1115", 0x49, {"ADDR": "supply"}),
        ("ads1115", 0x4A, {"ADDR": "sda"}),
        ("ads1115", 0x4B, {"ADDR": "scl"}),
        # INA226 data sheet (SBOS547), table of A1 and A0
        ("ina226", 0x40, {"A1": "ground", "A0": "ground"}),
        ("ina226", 0x41, {"A1": "ground", "A0": "supply"}),
        ("ina226", 0x45, {"A1": "supply", "A0": "supply"}),
        ("ina226", 0x4B, {"A1": "sda", "A0": "scl"}),
        ("ina226", 0x4C, {"A1": "scl", "A0": "ground"}),
        # TCA9548A data sheet (SCPS207), 0x70 + A2 A1 A0
        ("tca9548a", 0x76, {"A2": "supply", "A1": "supply", "A0": "ground"}),
        # PCA9685 data sheet, 0x40 + A5 to A0
        ("pca9685", 0x61, {"A5": "supply", "A4": "ground", "A3": "ground", "A2": "ground",
                           "A1": "ground", "A0": "supply"}),
        # ADXL345 data sheet: SDO high gives 0x1D, low 0x53
        ("adxl345", 0x53, {"SDO/ADDR": "ground"}),
        ("adxl345", 0x1D, {"SDO/ADDR": "supply"}),
        # TSL2561 data sheet: GND, float, VDD
        ("tsl2561", 0x39, {"ADDR SEL": "open"}),
        # BME280 data sheet 6.2: SDO to GND 0x76, to VDDIO 0x77
        ("bme280", 0x77, {"SDO": "supply"}),
        ("ads1115", 0x50, {}),
    ],
)  # fmt: skip
def test_straps_are_those_of_the_data_sheets(part: str, address: int, tied: dict[str, str]) -> None:
    """All from memory of the data sheets named."""
    known = read_parts()[part]
    assert known.straps is not None
    assert dict(known.straps.ties(address, known.addresses)) == tied


def test_every_part_knows_its_pins() -> None:
    needed = {
        "i2c": {"sda", "scl"}, "spi": {"sclk", "cs"}, "one-wire": {"dq"}, "i2s": {"clk", "fs"},
    }  # fmt: skip
    for part in read_parts().values():
        words = {word for _, word in part.pins}
        assert needed.get(part.bus, set()) <= words, part.name
        assert "ground" in words, part.name
        if part.bus == "uart":
            assert {"tx", "rx"} <= words or "tx-rx" in words, part.name
        if part.straps is not None:
            assert set(part.straps.pins) <= set(part.pins_for("strap")), part.name
            told = {part.straps.ties(one, part.addresses) for one in part.addresses}
            assert len(told) == len(part.addresses), part.name


def test_straps_follow_the_address(tmp_path: Path) -> None:
    found = made(tmp_path, "{i2c: {gauge: {part: ina226, address: 0x4b}}}")
    assert ends(found, WireKind.STRAP) == {
        "vane.gauge A1": "vane.gauge SDA",
        "vane.gauge A0": "vane.gauge SCL",
    }
    assert not faults(rows_of(render_nets(found)))


def test_a_part_that_lives_on_five_volts_gets_them(tmp_path: Path) -> None:
    """PMS5003: its fan needs 5 V, its data lines are 3.3 V."""
    found = made(tmp_path, "{uart: {dust: {part: pms5003, port: any}}}")
    assert ends(found, WireKind.SUPPLY)["vane.dust VCC"] == "board 4"
    assert not faults(rows_of(render_nets(found)))


def test_one_line_for_both_directions_is_joined_by_a_resistor(tmp_path: Path) -> None:
    found = made(tmp_path, "{uart: {driver: {part: tmc2209, port: any}}}")
    near = {
        one.signal: (one.near_net, one.far_net, one.between)
        for one in found.wires
        if one.kind is WireKind.SIGNAL
    }
    assert near["rx"] == ("vane.driver-line", "vane.driver-line", ())
    assert near["tx"] == ("vane.driver-line", "gpio14", ("vane.driver.R1",))


def test_a_supply_through_the_header_is_its_net(tmp_path: Path) -> None:
    supplies = "supplies: {main-5v: {volts: 5.1, max-ma: 3000, feeds: board, by: header}}\n"
    found = made(tmp_path, "{power: {fan: {supply: main-5v, peak-ma: 100}}}", supplies)
    told = rows_of(render_nets(found))
    assert {row["net"] for row in told if row["part"] == "main-5v"} == {"5V", "GND"}
    assert not faults(told)


def test_supplies_that_nothing_joins_share_the_ground(tmp_path: Path) -> None:
    supplies = (
        "supplies: {main-5v: {volts: 5.1, max-ma: 3000, feeds: board}, "
        "motor: {volts: 12, max-ma: 2000}}\n"
    )
    found = made(
        tmp_path,
        "{signals: {go: {function: output, gpio: 17}, stop: {function: output, gpio: 27}}, "
        "power: {a: {supply: motor, peak-ma: 100}, b: {supply: motor, peak-ma: 100}}}",
        supplies,
    )
    told = ends(found, WireKind.GROUND)
    assert told["motor -"].startswith("board ")
    assert not faults(rows_of(render_nets(found)))


def test_a_plugin_switched_off_moves_no_other_wire() -> None:
    """Where supply and ground of a part go follows from its own lines alone."""
    before = _by_part(raft())
    session = open_session(RAFT)
    for gone in session.problem.robot.enabled:
        rest = tuple(one for one in session.problem.robot.enabled if one is not gone)
        robot = replace(session.problem.robot, enabled=rest)
        for part, (lines, others) in _by_part(wires(replace(session.problem, robot=robot))).items():
            if part in before and before[part][0] == lines:
                assert before[part][1] == others, (gone.instance, part)


def _by_part(found: Wires) -> dict[str, tuple[list[str], list[str]]]:
    """Return part -> where its signals and straps go, where its supply and ground go."""
    told: dict[str, tuple[list[str], list[str]]] = {}
    for one in found.wires:
        lines, others = told.setdefault(one.near.part, ([], []))
        chosen = one.kind in {WireKind.SIGNAL, WireKind.STRAP}
        (lines if chosen else others).append(f"{one.near.pin} {one.far.text}")
    return told


# --- each fault is noticed ------------------------------------------------------------------

Fault = Callable[[list[Row], random.Random], list[Row] | None]


def _joined(rows: list[Row]) -> list[int]:
    return [at for at, row in enumerate(rows) if row["net"]]


def _left_out(rows: list[Row], chance: random.Random) -> list[Row] | None:
    """A pin that a part cannot do without is on no net."""
    parts = read_parts()
    able = []
    for at in _joined(rows):
        known = parts.get(rows[at]["type"].casefold().replace("-", ""))
        word = None if known is None else known.word_of(rows[at]["pin"])
        if word in {"supply", "ground", "sda", "scl", "dq", "clk", "fs", "high", "low"}:
            able.append(at)
    if not able:
        return None
    at = chance.choice(able)
    return [row for number, row in enumerate(rows) if number != at]


def _twice(rows: list[Row], chance: random.Random) -> list[Row] | None:
    """A pin is on a second net."""
    at, other = chance.sample(_joined(rows), 2)
    if rows[at]["net"] == rows[other]["net"]:
        return None
    return [*rows, {**rows[at], "net": rows[other]["net"]}]


def _second_driver(rows: list[Row], chance: random.Random) -> list[Row] | None:
    driven = [at for at in _joined(rows) if rows[at]["does"] == "drives"]
    if not driven:
        return None
    at = chance.choice(driven)
    return [*rows, {**rows[at], "part": "intruder", "pin": "out", "type": ""}]


def _second_supply(rows: list[Row], chance: random.Random) -> list[Row] | None:
    fed = [at for at in _joined(rows) if rows[at]["does"] == "feeds"]
    if not fed:
        return None
    at = chance.choice(fed)
    return [*rows, {**rows[at], "part": "intruder", "pin": "+", "type": ""}]


def _too_high(rows: list[Row], chance: random.Random) -> list[Row] | None:
    """A part of a higher level on a line of the board."""
    able = [at for at in _joined(rows) if rows[at]["max-volts"] and rows[at]["does"] == "reads"]
    if not able:
        return None
    at = chance.choice(able)
    found = [dict(row) for row in rows]
    for row in found:
        if row["net"] == rows[at]["net"] and row["does"] == "drives":
            row["volts"] = "5"
            return list(found)
    return [*rows, {**rows[at], "part": "intruder", "pin": "out", "does": "drives", "volts": "5"}]


def _shorted(rows: list[Row], chance: random.Random) -> list[Row] | None:
    """Supply and ground of a part are changed over."""
    able = [at for at in _joined(rows) if rows[at]["does"] == "takes"]
    if not able:
        return None
    at = chance.choice(able)
    return [{**row, "net": "GND"} if number == at else row for number, row in enumerate(rows)]


def _wrong_supply(rows: list[Row], chance: random.Random) -> list[Row] | None:
    """A part hangs on another supply."""
    able = [at for at in _joined(rows) if rows[at]["does"] == "takes" and rows[at]["volts"]]
    if not able:
        return None
    at = chance.choice(able)
    others = sorted(
        {
            row["net"]
            for row in rows
            if row["does"] == "feeds"
            and row["net"] != rows[at]["net"]
            and row["volts"] != rows[at]["volts"]
        }
    )
    if not others:
        return None
    net = chance.choice(others)
    return [{**row, "net": net} if number == at else row for number, row in enumerate(rows)]


def _no_ground(rows: list[Row], chance: random.Random) -> list[Row] | None:
    able = [
        at
        for at in _joined(rows)
        if rows[at]["pin"] == "GND"
        and any(row["part"] == rows[at]["part"] and row["pin"] == "V+" for row in rows)
    ]
    if not able:
        return None
    at = chance.choice(able)
    return [row for number, row in enumerate(rows) if number != at]


FAULTS: tuple[Fault, ...] = (
    _left_out, _twice, _second_driver, _second_supply, _too_high, _shorted, _wrong_supply,
    _no_ground,
)  # fmt: skip


@pytest.mark.parametrize("seed", range(10))
def test_each_made_fault_is_noticed(seed: int) -> None:
    """Fifty in each of ten: the reader of nets would tell a wrong one from a right one."""
    chance = random.Random(seed)
    tried = 0
    while tried < 50:
        rows = rows_of(render_nets(raft(chance.choice(PROFILES))))
        made_wrong = chance.choice(FAULTS)(rows, chance)
        if made_wrong is None:
            continue
        tried += 1
        assert faults(made_wrong), made_wrong

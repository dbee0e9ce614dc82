"""The wiring sheets: who is where, what is free, and nothing that a reader would run."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from jsonschema import Draft202012Validator

from robokit_plan.model import (
    Assignment,
    BusName,
    ClaimName,
    ControllerName,
    Direction,
    InstanceName,
    LineName,
    LineUse,
    Millivolt,
    PinId,
    PinKind,
    Plan,
    PortName,
    ResourceName,
)
from robokit_plan.render import (
    render_wiring_csv,
    render_wiring_json,
    render_wiring_svg,
    render_wiring_text,
)
from robokit_plan.render._sheet import State, level_text, open_buses, positions_of
from robokit_plan.render._wires import wire_colours
from robokit_plan.render._wiring_svg import COLOURS
from tests.pace import within
from tests.render.boards import OTHER, TWENTY
from tests.render.plans import HERON
from tests.render.strategies import plans

SCHEMAS = Path(__file__).parents[2] / "schemas"
RAFT = replace(
    HERON,
    assignments=(
        *HERON.assignments,
        Assignment(
            instance=InstanceName("helm"),
            claim=ClaimName("rudder"),
            section="signals",
            resource=ResourceName("fin-mcu 3"),
            lines=(LineUse(signal="rudder", line=LineName("3"), position=None),),
            controller=ControllerName("fin-mcu"),
            function="pwm",
        ),
    ),
)


def test_by_plugin_shows_each_claim_with_its_lines() -> None:
    text = render_wiring_text(RAFT, TWENTY, width=90)
    assert (
        text.partition("\n\nfree lines")[0]
        == """\
heron on BOARD

claim              what         line    position    direction  level         current  wire
bow-lights.data    led-string   gpio10  19          out        ? to 5 V by   1 mA     YE
                                                               shifter
compass.imu sda    i2c1 0x28    gpio2   3           both       ? to 3.3 V             BU
compass.imu scl                 gpio3   5           out        ? to 3.3 V             YE
helm.rudder        pwm          3       on fin-mcu                                    YE
spoken-alarm.horn  audio
                   analog

direction: seen from the board, or from the companion whose pin it is; wire colours are
suggestions in the letters of IEC 60757; RD and BK stay for supply and ground, GNYE is
protective earth alone""".replace("BOARD", TWENTY.id)
    )


def test_a_link_ends_on_the_board() -> None:
    """A companion on a serial port takes the header's lines; only its other claims sit on its pins."""
    link = Assignment(
        instance=InstanceName("fin-mcu"),
        claim=ClaimName("link"),
        section="controllers",
        resource=ResourceName("uart9"),
        lines=tuple(
            LineUse(signal=word, line=line.name, position=line.pin)
            for word, line in zip(("tx", "rx"), list(TWENTY.lines.values())[:2], strict=True)
        ),
        bus=BusName("uart9"),
        controller=ControllerName("fin-mcu"),
        function="link of fin-mcu",
    )
    told = render_wiring_text(replace(HERON, assignments=(link,)), TWENTY)
    for use in link.lines:
        row = next(row for row in told.splitlines() if row.startswith(f"fin-mcu.link {use.signal}"))
        assert re.search(rf" {use.line} +{use.position} ", row)
        assert not re.search(rf"free lines .*\b{use.line} ", told)


def test_what_is_free_and_what_is_better_kept() -> None:
    """A UART needs tx and rx; its flow control may be missing. A free line has no remark."""
    text = render_wiring_text(RAFT, TWENTY, width=90)
    assert text.partition("\n\nfree lines")[2].partition("\n\ncaution")[0] == (
        "   gpio14 (8), gpio15 (10), gpio17 (11), gpio18 (12)\n"
        "better kept  gpio4 (7): default line of the kernel 1-wire setting\n"
        "open buses   i2c1: sda at 3, scl at 5; addresses taken: 0x28\n"
        "free buses   pwm0: ch0 at 12\n"
        "             uart0: tx at 8, rx at 10"
    )


def test_by_position_follows_the_header() -> None:
    text = render_wiring_text(RAFT, TWENTY, by="position", width=120)
    assert (
        text.partition("\n\ndirection")[0].partition("\n\n")[2]
        == """\
position  line    state   who              direction  level                current  wire  remark
1         3V3
2         5V
3         gpio2   shared  compass.imu sda  both       ? to 3.3 V                    BU
4         5V
5         gpio3   shared  compass.imu scl  out        ? to 3.3 V                    YE
6         ground
7         gpio4   free                                                                    default line of the kernel
                                                                                          1-wire setting
8         gpio14  free
9         ground
10        gpio15  free
11        gpio17  free
12        gpio18  free
19        gpio10  used    bow-lights.data  out        ? to 5 V by shifter  1 mA     YE
20        ground"""
    )


def test_a_wire_says_level_and_direction_from_the_board() -> None:
    """An input of another level comes from there; a line whose level nobody knows shows "?"."""
    echo = Assignment(
        instance=InstanceName("sonar"),
        claim=ClaimName("echo"),
        section="signals",
        resource=ResourceName("gpio17"),
        lines=(
            LineUse(
                signal="echo",
                line=LineName("gpio17"),
                position=PinId("11"),
                direction=Direction.IN,
            ),
        ),
        function="input",
        level=Millivolt(5000),
        converter="divider 1800/3300 ohm",
    )
    known = replace(TWENTY, pins=tuple(replace(one, logic=Millivolt(3300)) for one in TWENTY.pins))
    (use,) = echo.lines
    assert level_text(echo, use, known) == "3.3 V from 5 V by divider 1800/3300 ohm"
    assert level_text(replace(echo, level=Millivolt(3300)), use, known) == "3.3 V"
    assert level_text(replace(echo, level=None), use, TWENTY) == "?"


# source: IEC 60757, letters of colours (from memory); GNYE is for protective earth alone
IEC_60757 = {"BK", "BN", "RD", "OG", "YE", "GN", "BU", "VT", "GY", "WH", "PK", "TQ", "GD", "SR"}


def test_wires_have_colours_that_tell_them_apart() -> None:
    """Supply, ground and protective earth keep theirs; one line has one colour for all."""
    single = [
        Assignment(
            instance=InstanceName("helm"),
            claim=ClaimName(f"wire-{number}"),
            section="signals",
            resource=ResourceName(f"gpio{number}"),
            lines=(
                LineUse(signal=f"wire-{number}", line=LineName(f"gpio{number}"), position=None),
            ),
        )
        for number in range(10)
    ]
    colours = wire_colours(replace(HERON, assignments=tuple(single)))
    assert len(set(colours.values())) == 10
    assert set(colours.values()) <= IEC_60757 - {"RD", "BK"}
    shared = tuple(
        replace(single[0], instance=InstanceName(name), claim=ClaimName("x")) for name in ("a", "b")
    )
    both = wire_colours(replace(HERON, assignments=(*single[1:], *shared)))
    assert len({both[one.instance, one.claim, "wire-0"] for one in shared}) == 1


def test_the_json_keeps_to_its_schema() -> None:
    schema = json.loads((SCHEMAS / "wiring.schema.json").read_text(encoding="utf-8"))
    validator = Draft202012Validator(schema)
    for plan in (RAFT, HERON, replace(HERON, assignments=(), profile="bench")):
        assert list(validator.iter_errors(json.loads(render_wiring_json(plan)))) == []


def test_cautions_stand_on_the_sheet() -> None:
    assert "caution motion (helm): parts move by themselves" in render_wiring_text(RAFT, TWENTY)
    assert "caution motion (helm): parts move" in render_wiring_svg(RAFT, TWENTY)
    assert "caution" not in render_wiring_text(replace(RAFT, hazards={}), TWENTY)


def test_an_empty_robot_has_a_sheet() -> None:
    text = render_wiring_text(replace(HERON, assignments=()), TWENTY)
    assert "nothing is wired" in text


def test_positions_kept_by_the_image_say_how_to_free_them() -> None:
    place = positions_of(replace(HERON, assignments=()), OTHER)[1]
    assert (place.state, place.remark) == (
        State.KEPT,
        "the image's display, freed by disable_video=1",
    )


def clash(*owners: str, shared: bool = False) -> Plan:
    return replace(
        HERON,
        assignments=tuple(
            Assignment(
                instance=InstanceName(owner),
                claim=ClaimName("leak"),
                section="signals",
                resource=ResourceName("gpio17"),
                lines=(
                    LineUse(
                        signal="leak", line=LineName("gpio17"), position=PinId("11"), shared=shared
                    ),
                ),
                port=PortName("P4"),
            )
            for owner in owners
        ),
    )


@pytest.mark.parametrize(
    ("plan", "state"),
    [
        (clash("helm"), State.USED),
        (clash("helm", "mast"), State.CONFLICT),
        (clash("helm", "mast", shared=True), State.SHARED),
        (clash(), State.FREE),
    ],
)
def test_state_of_use(plan: Plan, state: State) -> None:
    places = {place.pin.id: place.state for place in positions_of(plan, TWENTY)}
    assert places[PinId("11")] is state


def test_a_bus_whose_line_is_taken_is_not_free() -> None:
    taken = replace(
        clash("helm"),
        assignments=(
            replace(
                clash("helm").assignments[0],
                lines=(LineUse(signal="leak", line=LineName("gpio14"), position=PinId("8")),),
            ),
        ),
    )
    assert [bus.bus for bus in open_buses(taken, TWENTY)] == ["i2c1", "pwm0"]


# --- CSV ------------------------------------------------------------------------------------------


def test_csv_has_a_row_per_claim_and_line_and_the_free_positions() -> None:
    rows = list(csv.DictReader(io.StringIO(render_wiring_csv(RAFT, TWENTY))))
    assert [(row["state"], row["plugin"], row["line"], row["position"]) for row in rows] == [
        ("used", "bow-lights", "gpio10", "19"),
        ("shared", "compass", "gpio2", "3"),
        ("shared", "compass", "gpio3", "5"),
        ("used", "helm", "3", ""),
        ("used", "spoken-alarm", "", ""),
        ("free", "", "gpio4", "7"),
        ("free", "", "gpio14", "8"),
        ("free", "", "gpio15", "10"),
        ("free", "", "gpio17", "11"),
        ("free", "", "gpio18", "12"),
    ]
    assert rows[1]["address"] == "0x28"


@given(plans())
@settings(max_examples=25, deadline=None)
def test_no_cell_is_a_formula(plan: Plan) -> None:
    """OWASP "CSV Injection": no cell starts with = + - @, tab or carriage return."""
    for row in csv.reader(io.StringIO(render_wiring_csv(plan, TWENTY))):
        assert all(not re.match(r"\s*[=+\-@\t\r]", cell) for cell in row)


def test_formulas_keep_their_text() -> None:
    evil = replace(HERON.assignments[0], claim=ClaimName('=HYPERLINK("http://e.example","x")'))
    rows = list(
        csv.DictReader(io.StringIO(render_wiring_csv(replace(HERON, assignments=(evil,)), TWENTY)))
    )
    assert rows[0]["claim"] == '\'=HYPERLINK("http://e.example","x")'


# --- SVG ------------------------------------------------------------------------------------------

SVG = "{http://www.w3.org/2000/svg}"


def texts(svg: str) -> list[str]:
    return [one.text or "" for one in ET.fromstring(svg).iter(f"{SVG}text")]


def test_svg_names_our_signals_and_leaves_free_positions_empty() -> None:
    found = texts(render_wiring_svg(RAFT, TWENTY))
    for label in ("compass.imu sda [BU]", "compass.imu scl [YE]", "bow-lights.data [YE]"):
        assert label in found
    assert not [text for text in found if "gpio" in text]


def test_svg_marks_supply_and_ground_by_word_and_shape() -> None:
    """They are no free positions: who looks for one must not take them."""
    drawn = render_wiring_svg(RAFT, TWENTY)
    found = texts(drawn)
    kinds = [pin.kind for pin in TWENTY.pins]
    assert found.count("ground") == kinds.count(PinKind.GROUND)
    assert found.count("3V3") + found.count("5V") == kinds.count(PinKind.POWER)
    marks = [one.get("d", "") for one in ET.fromstring(drawn).iter(f"{SVG}path")]
    assert len([one for one in marks if "l 5 -5" in one]) == kinds.count(PinKind.POWER)
    assert len([one for one in marks if "h 12" in one]) == kinds.count(PinKind.GROUND)


def test_svg_colours_only_what_is_in_use() -> None:
    tree = ET.fromstring(render_wiring_svg(RAFT, TWENTY))
    told = {}
    for shape in (*tree.iter(f"{SVG}circle"), *tree.iter(f"{SVG}rect")):
        title = shape.find(f"{SVG}title")
        if title is not None and title.text:
            told[title.text.split(" ")[0]] = shape.get("fill")
    assert {pin for pin, fill in told.items() if fill != "none"} == {"3", "5", "19"}
    assert told["3"] == told["5"] == "#56B4E9"
    assert told["19"] == "#0072B2"


def test_the_palette_is_okabe_itos() -> None:
    """Okabe and Ito, Color Universal Design (2008): blue, sky blue, orange, vermillion in RGB."""
    published = {(0, 114, 178), (86, 180, 233), (230, 159, 0), (213, 94, 0)}
    assert {
        tuple(int(fill[at : at + 2], 16) for at in (1, 3, 5)) for fill, _ in COLOURS.values()
    } == published


def luminance(colour: str) -> float:
    """WCAG 2.1, "relative luminance"."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize(("fill", "ink"), COLOURS.values())
def test_numbers_on_pads_are_readable(fill: str, ink: str) -> None:
    """WCAG 2.1, 1.4.3: contrast of at least 4.5 to 1."""
    light, dark = sorted((luminance(fill), luminance(ink)), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5


@given(plans())
@settings(max_examples=25, deadline=None)
def test_svg_is_well_formed_and_passive(plan: Plan) -> None:
    svg = render_wiring_svg(plan, TWENTY)
    tree = ET.fromstring(svg)
    tags = {one.tag.removeprefix(SVG) for one in tree.iter()}
    assert tags <= {"svg", "title", "style", "text", "rect", "circle", "path"}
    assert not [
        name
        for one in tree.iter()
        for name in one.attrib
        if name.startswith("on") or "href" in name
    ]


def test_svg_of_a_board_with_several_headers() -> None:
    found = texts(render_wiring_svg(replace(HERON, assignments=()), OTHER))
    assert found.count("P8") == 1
    assert found.count("P9") == 1


def test_names_break_at_a_dash_and_a_port_is_named_once() -> None:
    """What a builder looks for stays readable at 60 columns; nothing is broken inside a word."""
    probe = Assignment(
        instance=InstanceName("stern-probe"),
        claim=ClaimName("conductivity-of-the-water"),
        section="i2c",
        resource=ResourceName("i2c1 behind stern-probe.mux channel 1 0x48"),
        lines=(LineUse(signal="sda", line=LineName("gpio2"), position=PinId("3"), shared=True),),
    )
    pump = Assignment(
        instance=InstanceName("sampler"),
        claim=ClaimName("pump-plug"),
        section="ports",
        resource=ResourceName("port P5"),
        port=PortName("P5"),
        function="power",
    )
    plan = replace(HERON, assignments=(probe, pump))
    wide = render_wiring_text(plan, TWENTY, width=100)
    assert "\nstern-probe.conductivity-of-the-water" in wide
    assert wide.count("P5") == 1
    narrow = render_wiring_text(plan, TWENTY, width=60).split("\n")
    assert any(line.startswith("stern-probe. ") for line in narrow), narrow
    assert max(map(len, narrow[:12])) <= 60


def test_a_string_of_lights_on_a_bus_has_one_wire() -> None:
    """The bus takes its clock and input too; nothing is soldered there."""
    lights = Assignment(
        instance=InstanceName("bow-lights"),
        claim=ClaimName("data"),
        section="signals",
        resource=ResourceName("gpio10"),
        function="led-string spi",
        lines=(
            LineUse(signal="data", line=LineName("gpio10"), position=PinId("19")),
            LineUse(signal="sclk", line=LineName("gpio18"), position=PinId("12")),
        ),
    )
    plan = replace(HERON, assignments=(lights,))
    text = render_wiring_text(plan, TWENTY)
    assert re.search(r"\nbow-lights.data sclk +taken, no wire +gpio18 +12\n", text)
    rows = render_wiring_text(plan, TWENTY, by="position", width=140)
    assert "bow-lights.data takes it, no wire" in rows
    assert re.search(r"\n19 +gpio10 +used +bow-lights.data +\? +YE\n", rows)


def test_a_claim_of_thousands_of_lines_is_drawn_quickly() -> None:
    """Found by fuzzing a lock file: each line looked through all lines of its claim."""
    lines = tuple(
        LineUse(signal=f"s{number}", line=LineName("gpio17"), position=PinId("11"))
        for number in range(5_000)
    )
    claim = replace(RAFT.assignments[-1], claim=ClaimName("port"), controller=None, lines=lines)
    with within(3):
        svg = render_wiring_svg(replace(HERON, assignments=(claim,)), TWENTY)
    assert "helm.port s0 and 4999 more" in svg

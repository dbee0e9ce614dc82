"""The data files and the typed values made of them."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator

from robokit_plan.edge._cached_yaml import DATA
from robokit_plan.edge.facts import (
    UnknownBoard,
    board_id,
    board_ids,
    boards_by_words,
    facts_digest,
    find_board,
    find_release,
    read_board,
    read_controllers,
    read_electrical,
    read_i2c,
    read_link_rules,
    read_parts,
    read_sources,
)
from robokit_plan.model import (
    Board,
    BusOutlet,
    Hazard,
    LineName,
    Millivolt,
    Ohm,
    PinKind,
    Pull,
    find_part,
    part_key,
)
from tests import plain_yaml

CASES = Path(__file__).parent.parent / "cases" / "facts"
BOARDS: dict[str, Board] = {str(name): read_board(name) for name in board_ids()}
HEADERS = plain_yaml.load((CASES / "headers.yaml").read_text("utf-8"))
FILES = sorted(
    path.relative_to(DATA).as_posix()
    for folder in ("boards", "parts", "controllers", "boot")
    for path in (DATA / folder).rglob("*.yaml")
)
SCHEMAS = {
    "boards": ("boards/board.schema.json", "board"),
    "boards/families": ("boards/board.schema.json", "family"),
    "boards/headers": ("boards/board.schema.json", "header"),
    "parts": ("parts/part.schema.json", None),
    "controllers": ("controllers/controller.schema.json", None),
    "boot": ("boot/boot.schema.json", None),
}


def loaded(path: str) -> Any:
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    return yaml.load((DATA / path).read_text("utf-8"), Loader=loader)


@pytest.mark.parametrize("path", [path for path in FILES if path != "controllers/links.yaml"])
def test_a_data_file_keeps_its_schema(path: str) -> None:
    name, definition = SCHEMAS[path.rpartition("/")[0]]
    schema = json.loads((DATA / name).read_text("utf-8"))
    if definition is not None:
        schema = {"$defs": schema["$defs"], "$ref": f"#/$defs/{definition}"}
    # Keys that YAML reads as numbers would not survive the cache.
    data = json.loads(json.dumps(loaded(path)))
    assert data == loaded(path)
    assert [error.message for error in Draft202012Validator(schema).iter_errors(data)] == []


@pytest.mark.parametrize("name", sorted({name for name, _ in SCHEMAS.values()}))
def test_the_schemas_are_schemas(name: str) -> None:
    Draft202012Validator.check_schema(json.loads((DATA / name).read_text("utf-8")))


def sources_in(data: Any) -> Iterator[str]:
    if isinstance(data, dict):
        for key, value in data.items():
            if isinstance(value, str) and (key == "source" or key.endswith("_source")):
                yield value
            else:
                yield from sources_in(value)
    elif isinstance(data, list):
        for one in data:
            yield from sources_in(one)


@pytest.mark.parametrize("path", [*FILES, "i2c.yaml", "electrical.yaml"])
def test_every_key_of_a_source_is_expanded(path: str) -> None:
    known = set(read_sources())
    # Pads, positions and identifiers of the cited files look like keys.
    names = re.compile(r"P[89]_|GPIO|RP1_PIO|PIO_SM|PWM0_|PLUS_|PI4_|AAUD_|VOLTAGE_|SPDIF_")
    for source in sources_in(loaded(path)):
        keys = set(re.findall(r"\b[A-Z][A-Z0-9]*_[A-Z0-9_]+\b", source))
        unknown = {key for key in keys - known if not names.match(key)}
        assert unknown == set(), source


@pytest.mark.parametrize("name", board_ids())
def test_a_board_says_what_it_is(name: str) -> None:
    board = BOARDS[name]
    assert board.id == name
    assert board.compatible[0] == name
    assert board.source
    assert board.family.source
    assert len({pin.id for pin in board.pins}) == len(board.pins)


@pytest.mark.parametrize("name", board_ids())
def test_lines_and_positions_name_each_other(name: str) -> None:
    board = BOARDS[name]
    on_pins = [line for pin in board.pins for line in pin.lines]
    assert sorted(on_pins) == sorted(board.lines)
    assert all(
        line in next(p for p in board.pins if p.id == one.pin).lines
        for line, one in board.lines.items()
    )
    assert all(one.source for one in board.lines.values())
    assert all(pin.lines for pin in board.pins if pin.kind is PinKind.GPIO)


@pytest.mark.parametrize("name", board_ids())
def test_an_outlet_is_backed_by_the_functions_of_its_lines(name: str) -> None:
    """An outlet that no pad function supports would be made up."""
    board = BOARDS[name]
    for outlet in board.outlets:
        for signal, line in outlet.lines.items():
            functions = board.lines[line].functions
            assert any(
                one.bus == outlet.bus
                and (one.signal == signal or outlet.bus.startswith("mcasp"))
                and (
                    one.route is None
                    or outlet.route is None
                    or one.route == outlet.route
                    or board.family.name == "am335x"
                )
                for one in functions
            ), (outlet.bus, outlet.route, signal, line)


@pytest.mark.parametrize("name", board_ids())
def test_every_usable_function_has_an_outlet(name: str) -> None:
    """What a line can do must not be forgotten: needed signals of known buses come out somewhere."""
    board = BOARDS[name]
    needed = {"i2c": ("sda", "scl"), "spi": ("sclk", "mosi", "miso"), "uart": ("tx", "rx")}
    have = {(o.bus, s, line) for o in board.outlets for s, line in o.lines.items()}
    for line in board.lines.values():
        for function in line.functions:
            kind = re.match(r"(i2c|spi|uart)(_ao_b|_ao|_[a-d])?\d*$", function.bus)
            if kind is None or function.bus in board.family.target_only:
                continue
            if function.signal in needed[kind[1]]:
                # Several tx of one UART at alternate pads of one route count once.
                assert any(b == function.bus and s == function.signal for b, s, _ in have), function


@pytest.mark.parametrize("name", board_ids())
def test_claims_of_the_stock_image_name_positions_of_the_header(name: str) -> None:
    board = BOARDS[name]
    positions = {pin.id for pin in board.pins}
    for claim in board.default_claims:
        assert set(claim.pins) <= positions
    assert set(board.console_pins) <= positions
    buses = {outlet.bus for outlet in board.outlets}
    assert board.header_uart is None or board.header_uart in buses


@pytest.mark.parametrize("name", board_ids())
def test_boot_words_name_lines_and_buses_of_the_family(name: str) -> None:
    board = BOARDS[name]
    words = {
        "one-wire",
        "ir-in",
        "ir-out",
        "led-string pio",
        "led-string spi",
        "audio analog",
        "audio off",
        "camera",
    }
    reachable = {(o.bus, line) for o in board.outlets for line in o.lines.values()}
    for vocabulary in board.boot.values():
        for way in vocabulary.enables:
            assert way.source
            if not way.lines:
                assert way.bus in words
                continue
            assert all(line in board.lines for line in way.lines), way
            # Further lines of one overlay may be those of another bus that it switches on too.
            assert way.bus in words or any((way.bus, line) in reachable for line in way.lines), way


def lines_of(board: Board) -> dict[str, tuple[str, ...]]:
    return {pin.id: pin.lines for pin in board.pins if pin.lines}


@pytest.mark.parametrize("header", sorted(HEADERS["headers"]))
def test_positions_carry_the_pads_that_a_published_pin_library_names(header: str) -> None:
    """Source: tests/cases/facts/headers.yaml."""
    case = HEADERS["headers"][header]
    entries = {name: loaded(f"boards/{name}.yaml") for name in board_ids()}
    name = next(name for name, entry in entries.items() if entry["header"] == header)
    board = BOARDS[name]
    differs = set(case.get("differs", {}))
    ours = lines_of(board)
    for position, pad in case.get("pins", {}).items():
        assert (pad in ours[position]) != (position in differs), position
    for position, (chip, offset) in case.get("lines", {}).items():
        line = board.lines[LineName(ours[position][0])]
        assert ((line.chip, line.offset) == (chip, offset)) != (position in differs), position
    listed = set(case.get("pins", {})) | set(case.get("lines", {}))
    second_pads = {pin for pin in ours if pin not in listed} - differs
    assert second_pads <= {"P9_41", "P9_42"}


def test_the_usual_outlet_comes_first_within_its_kind() -> None:
    """Source: header tables of the boards' makers: I2C on 3/5, SPI on 19/21/23, UART on 8/10."""
    for name in ("raspberrypi,4-model-b", "raspberrypi,5-model-b", "raspberrypi,2-model-b"):
        board = BOARDS[name]
        first: dict[str, BusOutlet] = {}
        for outlet in board.outlets:
            first.setdefault(outlet.kind, outlet)
        assert {board.pin_of(line) for line in first["i2c"].lines.values()} == {"3", "5"}
        assert {"19", "21", "23"} <= {board.pin_of(line) for line in first["spi"].lines.values()}
        assert {"8", "10"} <= {board.pin_of(line) for line in first["uart"].lines.values()}
    # source: DTB_DEBIAN, Bluetooth has the full UART of the one and there is none on the other
    for name, uart in (("raspberrypi,4-model-b", "uart1"), ("raspberrypi,2-model-b", "uart0")):
        assert next(o.bus for o in BOARDS[name].outlets if o.kind == "uart") == uart


def test_levels_of_a_pin_overrule_those_of_its_family() -> None:
    """Sources: pin tables of the makers (VDOC_RX), SoC pin lists; unknown never becomes a level."""
    rk = {str(pin.id): pin for pin in BOARDS["radxa,rockpi4b"].pins}
    assert (rk["3"].logic, rk["3"].maximum) == (3000, 3150)
    assert (rk["32"].logic, rk["32"].maximum) == (3300, 3465)
    assert (rk["12"].logic, rk["12"].confirmed, rk["12"].maximum) == (None, False, 1800)
    assert (rk["26"].kind, rk["26"].adc, rk["26"].maximum) == (PinKind.ANALOG, "adc_in0", 1980)
    small = {str(pin.id): pin for pin in BOARDS["xunlong,orangepi-5"].pins}
    assert small["3"].logic is None
    assert small["7"].maximum == 1800
    usual = {str(pin.id): pin for pin in BOARDS["raspberrypi,4-model-b"].pins}
    assert (usual["11"].logic, usual["11"].maximum) == (3300, 3300)
    assert usual["1"].logic is None


def test_facts_about_lines_reach_the_lines() -> None:
    board = BOARDS["raspberrypi,4-model-b"]
    assert board.lines[LineName("gpio2")].external_pull_up == Ohm(1800)
    assert board.lines[LineName("gpio0")].reserved == "id-eeprom"
    assert board.lines[LineName("gpio0")].usable
    assert board.lines[LineName("gpio14")].moves_at_boot
    # source: default_pin_hotspots, overlay README w1-gpio
    assert "w1-gpio" in board.lines[LineName("gpio4")].default_users
    # source: GPIO0-8 pulled up, 9-27 down at reset (RASPI_GPIO_PULL_2711)
    pulls = {int(name[4:]): line.pull_at_reset for name, line in board.lines.items()}
    assert pulls == {n: Pull.UP if n <= 8 else Pull.DOWN for n in range(28)}
    rk = BOARDS["radxa,rock-5b"]
    assert not next(line for line in rk.lines.values() if line.pin == "37").usable
    beagle = BOARDS["ti,am335x-bone-black"]
    straps = {line.pin for line in beagle.lines.values() if line.boot_strap}
    assert straps == {f"P8_{n}" for n in range(31, 47)}
    assert next(p for p in beagle.pins if p.id == "P9_42").lines == ("gpio0_7", "gpio3_18")


def test_an_ordinary_line_has_less_to_spoil() -> None:
    board = BOARDS["raspberrypi,3-model-b"]
    plain = {name for name, line in board.lines.items() if not line.special}
    assert plain == {f"gpio{n}" for n in (22, 23, 24, 25, 26, 27)}


def test_a_board_answers_to_any_string_of_its_own() -> None:
    assert board_id("rockchip,rk3588") == "radxa,rock-5b"
    assert board_id("amlogic,s905x") == "libretech,aml-s905x-cc"
    assert read_board("ti,am33xx").id == "ti,am335x-bone-black"


def test_a_string_of_several_boards_is_not_enough() -> None:
    with pytest.raises(UnknownBoard) as caught:
        board_id("radxa,rockpi4")
    assert caught.value.several == (
        "radxa,rockpi4a",
        "radxa,rockpi4a-plus",
        "radxa,rockpi4b",
        "radxa,rockpi4b-plus",
        "radxa,rockpi4c",
    )


@pytest.mark.parametrize("name", ["raspberrypi,4-model-bb", "../secrets", "", "headers/forty_3v3"])
def test_an_unknown_board_is_told_with_its_neighbours(name: str) -> None:
    with pytest.raises(UnknownBoard) as caught:
        read_board(name)
    assert caught.value.name == name
    if name == "raspberrypi,4-model-bb":
        assert caught.value.near[0] == "raspberrypi,4-model-b"
        assert "did you mean raspberrypi,4-model-b" in str(caught.value)


def test_parts_answer_to_their_aliases_in_any_case() -> None:
    parts = read_parts()
    assert find_part(parts, "bno055") is find_part(parts, "BNO055")
    tmp = find_part(parts, "tmp75")
    assert tmp is not None
    assert tmp.name == "LM75"
    assert find_part(parts, "mpu6050") is find_part(parts, "MPU-6050")
    assert find_part(parts, "no-such-part") is None
    names = [part_key(n) for one in set(parts.values()) for n in (one.name, *one.aliases)]
    assert len(names) == len(set(names)) == len(parts)


def test_i2c_parts_have_addresses_that_the_bus_allows() -> None:
    """Source: I2C specification UM10204 3.1.12; the kernel's strict probe limits (KERNEL_I2C)."""
    facts = read_i2c()
    assert (facts.first, facts.last) == (0x08, 0x77)
    reserved = {n for one in facts.reserved for n in range(one.first, one.last + 1)}
    assert reserved == set(range(0x08)) | set(range(0x78, 0x80))
    for part in set(read_parts().values()):
        if part.bus == "i2c":
            assert part.default in part.addresses
            assert reserved.isdisjoint((*part.addresses, *part.also_answers))


# sources: data sheets as recalled by the index of published addresses (ADAFRUIT_LIST)
@pytest.mark.parametrize(
    ("part", "addresses"),
    [
        ("bme280", (0x76, 0x77)),
        ("bno055", (0x28, 0x29)),
        ("ina219", tuple(range(0x40, 0x50))),
        ("ads1115", (0x48, 0x49, 0x4A, 0x4B)),
        ("ds3231", (0x68,)),
        ("tca9548a", tuple(range(0x70, 0x78))),
    ],
)
def test_straps(part: str, addresses: tuple[int, ...]) -> None:
    found = find_part(read_parts(), part)
    assert found is not None
    assert found.addresses == addresses


def test_rise_times_of_the_speed_modes() -> None:
    """Source: I2C specification UM10204 table 10, as in a published TWI table (MICROCHIP_TWI)."""
    assert [(m.khz, m.rise_ns, m.capacitance_pf, m.sink) for m in read_i2c().modes[:3]] == [
        (100, 1000, 400, 3),
        (400, 300, 400, 3),
        (1000, 120, 550, 20),
    ]


def test_chips_are_found_by_any_name() -> None:
    chips = read_controllers()
    assert chips[part_key("RP2350")].id == "rp2350a"
    assert chips[part_key("esp32-s3")].id == "esp32s3"
    assert sorted({chip.id for chip in chips.values()}) == [
        "atmega328p",
        "atmega32u4",
        "esp32",
        "esp32s3",
        "rp2040",
        "rp2350a",
        "stm32f411ce",
    ]


def test_pulses_that_share_a_slice_share_its_name() -> None:
    """Source: function table of the chip's SDK header (PICO_SDK_IO): slice (n >> 1) & 7, a or b."""
    for chip in ("rp2040", "rp2350a"):
        for name, pin in read_controllers()[chip].pins.items():
            number = int(name.removeprefix("gpio"))
            pwm = pin.function("pwm")
            assert pwm is not None
            assert (pwm.bus, pwm.signal) == (f"slice{(number >> 1) & 7}", "ab"[number & 1])


def test_timers_and_straps_of_chips() -> None:
    chips = read_controllers()
    small = chips["atmega328p"]
    # source: timer table of the AVR core (ATMEGA_DS, AVR_PWM_README)
    assert {t.name: t.pins for t in small.timers} == {
        "timer0": ("D5", "D6"),
        "timer1": ("D9", "D10"),
        "timer2": ("D3", "D11"),
    }
    for timer in small.timers:
        for name in timer.pins:
            pwm = small.pins[name].function("pwm")
            assert pwm is not None
            assert pwm.bus == timer.name
    assert (small.servo_timer, small.tone_timer, small.clock_timers) == (
        "timer1",
        "timer2",
        ("timer0",),
    )
    big = chips["esp32"]
    # source: GPIO summary table of the chip's framework documentation (ESP_IDF)
    assert {n for n, p in big.pins.items() if not p.output} == {f"gpio{n}" for n in range(34, 40)}
    assert {n for n, p in big.pins.items() if p.strap} == {f"gpio{n}" for n in (0, 2, 5, 12, 15)}
    assert {n for n, p in big.pins.items() if p.reserved} == {f"gpio{n}" for n in range(6, 12)}
    pin = big.find_pin("34")
    assert pin is not None
    assert pin.name == "gpio34"
    assert read_link_rules()


def test_every_hazard_has_a_caution() -> None:
    facts = read_electrical()
    assert set(facts.hazards) == set(Hazard) - {Hazard.NONE}
    assert all(one.caution and one.checks and one.source for one in facts.hazards.values())
    # source: laser classes of IEC 60825-1 as two published tables repeat them
    assert {one.name: one.limit_uw for one in facts.lasers if one.limit_uw} == {
        "2": 1_000,
        "3R": 5_000,
        "3B": 500_000,
    }
    # source: WS2812B data sheet, VIH 0.7 VDD
    assert facts.loads["led-string"].high_min(Millivolt(5000)) == 3500


def test_the_digest_tells_data_apart() -> None:
    assert re.fullmatch(r"[0-9a-f]{64}", facts_digest())
    assert facts_digest() == facts_digest()


# --- no quantity is nothing ---------------------------------------------------------------------

NUMBERED = {
    "channel": "channels are counted from zero",
    "channels": "likewise",
    "offset": "lines of a chip are counted from zero",
    "spare": "channels of a DMA block",
    "usual": "likewise",
    "strap_span": "steps of an address, which may go down",
}
"""Numeric keys of the facts' schemas that are no quantities, so that 0 is one of their values."""


def _numeric(schema: Any, key: str = "") -> Iterator[tuple[str, Mapping[str, Any]]]:
    if isinstance(schema, dict):
        kinds = schema.get("type", ())
        if {"integer", "number"} & {kinds if isinstance(kinds, str) else "", *kinds}:
            yield key, schema
        for word, inner in schema.items():
            outer = word in {"items", "properties", "anyOf", "oneOf", "additionalProperties"}
            yield from _numeric(inner, key if outer or word == "patternProperties" else word)
    elif isinstance(schema, list):
        for one in schema:
            yield from _numeric(one, key)


@pytest.mark.parametrize(
    "file", sorted(DATA.rglob("*.schema.json")), ids=lambda file: str(file.name)
)
def test_no_quantity_of_the_facts_can_be_nothing(file: Path) -> None:
    """Currents, levels, resistances and sizes divide others: 0 would end in a fault of our own."""
    found = dict(_numeric(json.loads(file.read_text("utf-8"))))
    assert found
    for key, schema in _numeric(json.loads(file.read_text("utf-8"))):
        least = schema.get("minimum", schema.get("exclusiveMinimum", 0))
        assert key in NUMBERED or least > 0 or "exclusiveMinimum" in schema, key


@pytest.mark.parametrize("name", ["electrical.yaml", "machine/capacity.yaml"])
def test_no_figure_without_a_schema_is_nothing(name: str) -> None:
    def leaves(value: Any) -> Iterator[float]:
        if isinstance(value, dict):
            value = list(value.values())
        if isinstance(value, list):
            for one in value:
                yield from leaves(one)
        elif isinstance(value, int | float) and not isinstance(value, bool):
            yield value

    found = list(leaves(plain_yaml.load((DATA / name).read_text("utf-8"))))
    assert found
    assert min(found) > 0


def test_what_has_two_ends_has_them_in_order() -> None:
    """Supplies of parts, bands, thresholds: the least first."""
    for part in read_parts().values():
        assert part.supply is None or part.supply[0] < part.supply[1], part.name
    facts = read_electrical()
    assert facts.back_power[0] < facts.back_power[1]
    for band in facts.radio_bands:
        assert band.band_khz[0] < band.band_khz[1], band
    for cell in facts.cells.values():
        assert cell.empty < cell.nominal < cell.full
    for board in map(read_board, board_ids()):
        family = board.family
        if family.low_max is not None and family.high_min is not None:
            assert family.low_max < family.high_min
        if family.pull_ohm is not None:
            assert family.pull_ohm[0] <= family.pull_ohm[1]


# --- boards and releases by words ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "board"),
    [
        ("Pi 4 Model B", "raspberrypi,4-model-b"), ("B model 4 raspberry", "raspberrypi,4-model-b"),
        ("raspberry pi 5", "raspberrypi,5-model-b"), ("pi zero 2 w", "raspberrypi,model-zero-2-w"),
        ("zero w", "raspberrypi,model-zero-w"), ("3 b+", "raspberrypi,3-model-b-plus"),
        ("rock 5b", "radxa,rock-5b"), ("orange-pi 5", "xunlong,orangepi-5"), ("pi 400", "raspberrypi,400"),
        ("bone_black", "ti,am335x-bone-black"), ("ROCK PI 4B", "radxa,rockpi4b"),
    ],
)  # fmt: skip
def test_a_board_is_found_by_words_of_its_string(words: str, board: str) -> None:
    assert find_board(words) == board


def test_any_order_of_a_boards_own_words_is_that_board() -> None:
    """Never a sister: each board, by its own words turned round."""
    for board in board_ids():
        words = re.findall(r"[a-z]+|[0-9]+", board)
        assert boards_by_words(" ".join(reversed(words))) == (board,), board


def test_a_number_is_never_a_sisters() -> None:
    """4 is not 400, and what several boards have in common names none of them."""
    assert "raspberrypi,400" not in boards_by_words("pi 4")
    with pytest.raises(UnknownBoard) as caught:
        find_board("pi 4")
    assert "raspberrypi,4-model-b" in caught.value.several
    with pytest.raises(UnknownBoard):
        find_board("no such board 9")


def test_releases_by_code_name_and_number() -> None:
    """Debian Releases: 12 is bookworm, 13 trixie."""
    assert {
        find_release(one) for one in ("bookworm", "Bookworm", "12", "debian 12", "debian-12")
    } == {"debian-12"}
    assert {find_release(one) for one in ("trixie", "13", "debian13", "13.2")} == {"debian-13"}
    assert find_release("sid") is find_release("14") is find_release("") is None

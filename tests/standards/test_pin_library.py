"""
Pins and functions against a published library's own tables.

Source: PyPI gpiozero 2.0.1, ``gpiozero/pins/data.py`` (BSD-3-Clause). Its tables are read as text,
nothing of it runs. Where the two differ on purpose, `EXPECTED` says why; each is a slip of the
library that the SoC maker's own tables (PINCTRL_2835) and Debian's device trees settle.
"""

from __future__ import annotations

import ast
import re
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import pytest

from robokit_plan.edge.facts import read_board
from robokit_plan.model import LineName, PinKind

Words = dict[str, tuple[str, ...]]
Header = dict[int, str]

EXPECTED = {
    # A comma is missing behind the DPI name there, so two strings join and UART1 moves up by one.
    ("PI1", 14, 4): ("UART1 TXD", None),
    ("PI1", 14, 5): (None, "uart1 tx"),
    ("PI1", 15, 4): ("UART1 RXD", None),
    ("PI1", 15, 5): (None, "uart1 rx"),
    # Wrong number there; the maker's table says D12.
    ("PI1", 16, 2): ("DPI D11", "dpi d12"),
    # Typing slip there: SDA for SD0.
    ("PI4", 26, 0): ("SDA DAT2", "sd0 dat2"),
    ("PI4", 27, 0): ("SDA DAT3", "sd0 dat3"),
}
"""Table, line, function number -> what each side says."""


def table() -> ast.Module:
    try:
        files = distribution("gpiozero").files or ()
    except PackageNotFoundError:
        pytest.skip("gpiozero is not installed (dependency group test)")
    path = next(Path(str(one.locate())) for one in files if str(one) == "gpiozero/pins/data.py")
    return ast.parse(path.read_text("utf-8"))


@pytest.fixture(scope="module")
def library() -> ast.Module:
    return table()


def functions(module: ast.Module, family: str) -> Words:
    """Return line name -> its functions, as the calls list them; the first is the line itself."""
    found: Words = {}
    for node in module.body:
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Call):
            target = node.targets[0]
            if isinstance(target, ast.Name) and re.match(rf"{family}_GPIO\d+$", target.id):
                found[target.id] = tuple(ast.literal_eval(one) for one in node.value.args)
    return found


def header(module: ast.Module, name: str) -> Header:
    """Return position -> name of what stands there."""
    for node in module.body:
        match node:
            case ast.Assign(
                targets=[ast.Name(id=found)],
                value=ast.Tuple(elts=[_, _, ast.Dict(keys=keys, values=values)]),
            ) if found == name:
                return {
                    ast.literal_eval(key): value.id
                    for key, value in zip(keys, values, strict=True)
                    if key is not None and isinstance(value, ast.Name)
                }
    raise AssertionError(name)


def normal(word: str) -> str | None:
    """Return the library's word for a function in ours; None: it has no counterpart here."""
    text = word.lower()
    for pattern, ours in (
        (r"bsc sda / mosi", "i2c_spi_target sda_mosi"),
        (r"bsc scl / sclk", "i2c_spi_target scl_sclk"),
        (r"bsc miso", "i2c_spi_target miso"),
        (r"bsc ce", "i2c_spi_target ce_n"),
        (r"smi soe / se", "smi soe_n_se"),
        (r"smi swe / srw", "smi swe_n_srw_n"),
        (r"gpclk(\d)", r"gpclk\1 clk"),
        (r"pwm(\d) (\d)", r"pwm\1 ch\2"),
        (r"uart(\d) ([tr])xd", r"uart\1 \2x"),
        (r"spi(\d) ce(\d)", r"spi\1 cs\2"),
        (r"smi s([ad])(\d+)", r"smi \1\2"),
    ):
        if re.fullmatch(pattern, text):
            return re.sub(pattern, ours, text)
    return text or None


@pytest.mark.parametrize(
    ("name", "board"),
    [
        ("PLUS_J8", "raspberrypi,model-b-plus"),
        ("PLUS_J8", "raspberrypi,3-model-b"),
        ("PI4_J8", "raspberrypi,4-model-b"),
        ("PI4_J8", "raspberrypi,5-model-b"),
    ],
)
def test_every_position_of_the_header(library: ast.Module, name: str, board: str) -> None:
    """Source: header tables of gpiozero; the newest board has the older one's positions."""
    rails = {"V3_3": "3V3", "V5": "5V"}
    theirs = header(library, name)
    pins = read_board(board).pins
    assert len(theirs) == len(pins) == 40
    for pin in pins:
        word = theirs[int(pin.id)]
        match pin.kind:
            case PinKind.GROUND:
                assert word == "GND"
            case PinKind.POWER:
                assert rails[word] == pin.rail
            case _:
                assert word.split("_")[1].lower() == pin.lines[0]


@pytest.mark.parametrize(
    ("family", "board"), [("PI1", "raspberrypi,3-model-b"), ("PI4", "raspberrypi,4-model-b")]
)
def test_every_function_of_every_line(library: ast.Module, family: str, board: str) -> None:
    """Source: function tables of gpiozero, per function number."""
    lines = read_board(board).lines
    compared = 0
    differs = {}
    for name, words in functions(library, family).items():
        number = int(name.rpartition("GPIO")[2])
        line = lines.get(LineName(f"gpio{number}"))
        if line is None:
            continue
        ours = {one.alt: f"{one.bus} {one.signal}" for one in line.functions}
        assert words[0] == f"GPIO{number}"
        for alt in range(6):
            theirs = words[alt + 1] if alt + 1 < len(words) else ""
            mine = ours.get(str(alt))
            compared += bool(theirs or mine)
            if normal(theirs) != mine and not _same(theirs, mine):
                differs[family, number, alt] = (theirs or None, mine)
    assert compared > 100
    assert differs == {key: value for key, value in EXPECTED.items() if key[0] == family}


def _same(theirs: str, mine: str | None) -> bool:
    """Whether two words mean one function: one table names the data line by both its uses."""
    return (theirs, mine) == ("BSC MISO", "i2c_spi_target sdi_miso")

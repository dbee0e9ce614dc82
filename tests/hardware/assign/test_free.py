"""What a board has left: the tables of its header, less what is taken."""

from __future__ import annotations

from robokit_plan.hardware import assign
from robokit_plan.model import BusName
from tests.hardware.build import RPI4, instance, port, problem, signal, spi

SPI0, SPI1 = BusName("spi0"), BusName("spi1")


def test_chip_selects_that_are_left() -> None:
    """Source: BCM2711 peripherals, table of alternative functions: SPI0 CE0 and CE1, SPI1 CE0 to CE2."""
    free = assign(problem(RPI4)).free
    assert free.selects[SPI0] == (0, 1)
    assert free.selects[SPI1] == (0, 1, 2)
    free = assign(problem(RPI4, instance("radio", spi("chip", bus="spi0", select=0)))).free
    assert free.selects[SPI0] == (1,)
    # gpio7 is CE1; gpio11 is the clock, without which there is no bus.
    free = assign(problem(RPI4, instance("lamp", signal("it", "output", 7)))).free
    assert free.selects[SPI0] == (0,)
    free = assign(problem(RPI4, instance("lamp", signal("it", "output", 11)))).free
    assert SPI0 not in free.selects


def test_lines_and_ports_that_are_left() -> None:
    asked = problem(
        RPI4,
        instance("lamp", signal("it", "output", 17)),
        ports=(port("P1", "5V", {"io": "gpio27"}), port("P2", "5V", {"io": "gpio22"})),
    )
    free = assign(asked).free
    assert {"gpio17", "gpio22", "gpio27"}.isdisjoint(free.lines)
    assert "gpio23" in free.lines
    assert free.ports["5V"] == ("P1", "P2")

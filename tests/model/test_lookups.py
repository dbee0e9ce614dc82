"""Names as people write them are found."""

from __future__ import annotations

from robokit_plan.edge.facts import read_board, read_controllers
from robokit_plan.model import CarriedFacts, DebianName, LineName


def test_a_channel_of_the_converter_stands_on_its_position() -> None:
    """Source: system reference manual of the board, expansion header P9: AIN0 on 39, AIN6 on 35."""
    board = read_board("ti,am335x-bone-black")
    assert board.pin_of(LineName("AIN0")) == "P9_39"
    assert board.pin_of(LineName("AIN6")) == "P9_35"
    assert board.pin_of(LineName("AIN9")) is None


def test_a_pin_of_a_chip_by_name_or_alias_in_any_case() -> None:
    chip = read_controllers()["rp2040"]
    pin = next(one for one in chip.pins.values() if one.aliases)
    for word in (pin.name, pin.name.upper(), pin.aliases[0], pin.aliases[0].upper()):
        assert chip.find_pin(word) == pin
    assert chip.find_pin("pin of no chip") is None


def test_a_package_of_which_one_thing_is_known() -> None:
    """What brings no distribution may still bring a module; of what nothing is known, its name tells."""
    name = DebianName("python3-winch")
    facts = CarriedFacts(distributions={name: ()}, modules={name: ("winch",)}, nothing=("-doc",))
    assert facts.brings(name)
    assert not CarriedFacts(distributions={name: ()}, modules={name: ()}).brings(name)
    assert facts.brings(DebianName("python3-mast"))
    assert not facts.brings(DebianName("python3-mast-doc"))
    # No distribution, and whether a module is not known: the table goes before the name.
    doc = DebianName("python3-winch-doc")
    assert CarriedFacts(distributions={doc: ()}, nothing=("-doc",)).brings(doc)

"""What the electrical checks are asked, and claims together with what they were given."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from robokit_plan.hardware.typed_claim import typed_claim
from robokit_plan.model import (
    Assignment,
    Battery,
    Board,
    BusName,
    Cell,
    Chip,
    ChipPin,
    ChipRule,
    Claim,
    Controller,
    ControllerName,
    Electrical,
    FirmwareState,
    Hazard,
    I2cFacts,
    InstanceName,
    LineName,
    OneWireClaim,
    Origin,
    Part,
    Pin,
    Place,
    Robot,
    RoleName,
    SignalClaim,
    Supply,
    SupplyName,
    dataclass,
    field,
    part_key,
)

DANGEROUS = frozenset({Hazard.MOTION, Hazard.HEAT, Hazard.LASER, Hazard.MAINS})
"""Hazards that hurt as soon as a line is at the wrong level."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ElectricalProblem:
    """
    Everything that the electrical checks depend on.

    Shape:
        `chips` and `parts` keyed by `part_key`; `claims` of the chosen variants; `assignments` of
        claims and of the links of controllers (section ``controllers``, the controller's name in
        place of the instance); `speeds` bus -> kHz where the robot sets one of its own; `firmware`
        what a given boot file does to lines.
    """

    board: Board
    robot: Robot
    electrical: Electrical
    i2c: I2cFacts
    chips: Mapping[str, Chip] = field(default_factory=dict)
    link_rules: tuple[ChipRule, ...] = ()
    parts: Mapping[str, Part] = field(default_factory=dict)
    claims: tuple[tuple[InstanceName, Claim], ...] = ()
    assignments: tuple[Assignment, ...] = ()
    speeds: Mapping[BusName, int] = field(default_factory=dict)
    firmware: Mapping[LineName, FirmwareState] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class Wired:
    """A claim with its assignment; None: nothing of it is wired (power, actuators, left out)."""

    instance: InstanceName
    claim: Claim
    assignment: Assignment | None

    @property
    def text(self) -> str:
        """Return its name as `wiring` of the robot file spells it."""
        return f"{self.instance}.{self.claim.key.name}"

    @property
    def origin(self) -> Origin:
        """Return where the claim stands."""
        return self.claim.key.origin

    def typed(self, keys: str, note: str = "") -> str:
        """Return *keys* of the claim as somebody types them into its manifest."""
        return typed_claim(self.claim, keys, note)

    @property
    def place(self) -> Place:
        """Return where the claim stands, labelled with its name."""
        return Place(origin=self.origin, label=self.text)


def line_listed(claim: SignalClaim | OneWireClaim, line: LineName) -> bool:
    """Whether *claim* may be on *line*: a list says where its plugin can be, one line does not."""
    listed = claim.lines
    return listed.any or len(listed.options) < 2 or line in listed.options


def pin_listed(claim: SignalClaim, chip: Chip, pin: ChipPin) -> bool:
    """Whether *claim* may be on *pin*, likewise."""
    listed = claim.pins
    return (
        listed.any
        or len(listed.options) < 2
        or any(chip.find_pin(name) is pin for name in listed.options)
    )


class Wiring:
    """Lookups over one problem; nothing of it leaves the checks."""

    def __init__(self, problem: ElectricalProblem) -> None:
        self.problem = problem
        self.board = problem.board
        self.robot = problem.robot
        self.measured = problem.board.with_domains(problem.robot.measured)
        given = {(one.instance, str(one.claim)): one for one in problem.assignments}
        self.wired = tuple(
            sorted(
                (
                    Wired(
                        instance=instance,
                        claim=claim,
                        assignment=given.get((instance, str(claim.key.name))),
                    )
                    for instance, claim in problem.claims
                ),
                key=lambda one: (one.instance, one.claim.key.name),
            )
        )
        self.pins: dict[str, Pin] = {str(pin.id): pin for pin in problem.board.pins}
        self.links = tuple(one for one in problem.assignments if one.section == "controllers")

    def on_board(self) -> Iterator[Wired]:
        """Yield what is wired to lines of the board."""
        for one in self.wired:
            if one.assignment is not None and one.assignment.controller is None:
                yield one

    def pin_of(self, line: LineName) -> Pin | None:
        """Return the header position of *line*."""
        position = self.board.pin_of(line)
        return None if position is None else self.pins.get(str(position))

    def at(self, line: LineName) -> str:
        """Return *line* with its header position, in words."""
        position = self.board.pin_of(line)
        return str(line) if position is None else f"{line} (position {position})"

    def cell_of(self, battery: Battery) -> Cell | None:
        """Return what is known about the cells of *battery*; hyphens in a chemistry say nothing."""
        wanted = part_key(battery.chemistry)
        cells = self.problem.electrical.cells
        return next((cells[name] for name in sorted(cells) if part_key(name) == wanted), None)

    def supply_name(self, role: RoleName | str) -> str:
        """Return the supply that *role* is bound to; an unbound role binds to its own name."""
        bound = self.robot.roles.get(RoleName(role))
        return str(role) if bound is None else bound.text

    def supply(self, role: RoleName | str) -> Supply | None:
        """Return the declared supply behind *role*; None for the rails of the header."""
        return self.robot.supplies.get(SupplyName(self.supply_name(role)))

    def board_supply(self) -> Supply | None:
        """Return the first supply that feeds the board, by name."""
        feeding = self.board_supplies()
        return feeding[0] if feeding else None

    def board_supplies(self) -> tuple[Supply, ...]:
        """Return every supply that feeds the board, by name."""
        return tuple(
            self.robot.supplies[name]
            for name in sorted(self.robot.supplies)
            if "board" in self.robot.supplies[name].feeds
        )

    def chip_of(self, controller: Controller) -> Chip | None:
        """Return the chip of *controller*; None where there are no facts about it."""
        return self.problem.chips.get(part_key(controller.chip))

    def controllers(self) -> Iterator[tuple[ControllerName, Controller, Chip | None]]:
        """Yield every controller with its chip, by name."""
        for name in sorted(self.robot.controllers):
            one = self.robot.controllers[name]
            yield name, one, self.chip_of(one)

    def on_controller(self, name: ControllerName) -> Iterator[Wired]:
        """Yield what is wired to pins of the controller *name*."""
        for one in self.wired:
            if one.assignment is not None and one.assignment.controller == name:
                yield one

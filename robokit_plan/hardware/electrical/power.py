"""Supplies as rails: what hangs on them, what they may give, how one feeds another."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from robokit_plan.model import (
    Finding,
    InstanceName,
    Load,
    Milliamp,
    Millivolt,
    Origin,
    Place,
    PowerClaim,
    Rail,
    Severity,
    SignalClaim,
    Supply,
    SupplyName,
    current_text,
    dataclass,
    finding,
    listed,
    milliohm_text,
    volt_text,
)

from .circuit import Wired, Wiring
from .loads import BOARD, Draw, converter_current, draws_of

HEADER_5V, HEADER_3V3 = "5V", "3V3"
_USB_MA = 500
"""What a USB 2.0 port gives (USB 2.0 section 7.2.1, from memory)."""
_FIVE_VOLT, _THREE_VOLT = Millivolt(5000), Millivolt(3300)


@dataclass(frozen=True, kw_only=True, slots=True)
class Budget:
    """A rail with what the findings about it need besides."""

    rail: Rail
    draws: tuple[Draw, ...]
    supply: Supply | None = None
    """None: a rail of the header."""
    origin: Origin
    single_max: Milliamp | None = None
    """What one contact of a header rail may carry."""

    @property
    def name(self) -> str:
        """Return the rail's name."""
        return str(self.rail.name)

    @property
    def left(self) -> int | None:
        """Return what is left at peak, mA; negative where it is too much."""
        return None if self.rail.limit is None else self.rail.limit - self.rail.peak


def budgets(wiring: Wiring) -> tuple[Budget, ...]:
    """Return every rail with its loads: supplies by name, then the rails of the header."""
    return _Rails(wiring).all()


class _Rails:
    """Adds up rail by rail; a rail that feeds others waits for theirs."""

    def __init__(self, wiring: Wiring) -> None:
        self.wiring = wiring
        self.draws = draws_of(wiring)
        self.board_supply = wiring.board_supply()
        self.done: dict[str, Budget] = {}
        self.open: set[str] = set()

    def all(self) -> tuple[Budget, ...]:
        supplies = [self._supply(name) for name in sorted(self.wiring.robot.supplies)]
        header = [self._header(name) for name in self._header_rails()]
        return (*(one for one in supplies if one is not None), *header)

    def _header_rails(self) -> tuple[str, ...]:
        names = {HEADER_5V, HEADER_3V3, *(pin.rail for pin in self.wiring.board.pins if pin.rail)}
        wanted = {name for name in names if self.draws.get(name)}
        if self.board_supply is None:
            wanted.add(HEADER_5V)
        return tuple(sorted(wanted - set(self.wiring.robot.supplies)))

    def _supply(self, name: SupplyName) -> Budget | None:
        if name in self.done:
            return self.done[name]
        if name in self.open:
            return None
        self.open.add(name)
        supply = self.wiring.robot.supplies[name]
        draws = list(self.draws.get(name, ()))
        if self.board_supply is not None and supply.name == self.board_supply.name:
            draws = [*self.draws[BOARD], *draws, *self._from_header()]
        for target in sorted(supply.feeds):
            if target in self.wiring.robot.supplies:
                child = self._supply(SupplyName(target))
                if child is not None:
                    draws.append(self._converter(child, supply))
        budget = self._budget(name, supply.volts, supply.max_current, draws, supply=supply)
        self.done[name] = budget
        return budget

    def _from_header(self) -> Iterator[Draw]:
        """Yield what the header's rails take; 3.3 V loads as if their regulator were linear."""
        for name in self._header_rails():
            yield from self.draws.get(name, ())

    def _converter(self, child: Budget, source: Supply) -> Draw:
        facts = self.wiring.problem.electrical
        lowest = source.volts
        if source.battery is not None:
            cell = self.wiring.cell_of(source.battery)
            if cell is not None:
                lowest = Millivolt(cell.empty * source.battery.cells)
        volts, percent = child.rail.volts, facts.efficiency_percent
        return Draw(
            load=Load(
                instance=InstanceName(child.rail.name),
                claim="converter" if volts != source.volts else "branch",
                typical=converter_current(child.rail.typical, volts, source.volts, percent),
                peak=converter_current(child.rail.peak, volts, lowest, percent),
            ),
            place=Place(origin=child.origin, label=f"{child.name}, fed by {source.name}"),
        )

    def _header(self, name: str) -> Budget:
        board = self.wiring.board
        draws = list(self.draws.get(name, ()))
        contacts = self._contacts(name)
        limit: int | None = sum(contacts) if contacts else None
        volts = _THREE_VOLT if name.endswith("3V3") else _FIVE_VOLT
        if name == HEADER_3V3:
            family = board.family
            limit = limit or family.rail_3v3_unofficial or family.rail_3v3
        elif self.board_supply is None and name == HEADER_5V:
            # Nothing is said about the inlet: the supply that the maker asks for stands for it.
            draws = [
                *self.draws[BOARD],
                *draws,
                *(
                    draw
                    for other in self._header_rails()
                    if other != HEADER_5V
                    for draw in self.draws.get(other, ())
                ),
            ]
            limit = board.supply_current
        elif self.board_supply is not None and self.board_supply.max_current is not None:
            volts = self.board_supply.volts if name == HEADER_5V else volts
            others = sum(draw.peak for draw in self.draws[BOARD])
            left = max(0, self.board_supply.max_current - others)
            limit = left if limit is None else min(limit, left)
        return self._budget(
            name,
            volts,
            None if limit is None else Milliamp(limit),
            draws,
            single=max(contacts) if contacts else None,
        )

    def _contacts(self, name: str) -> list[Milliamp]:
        """
        Return what each contact of a header rail may carry, where that is published.

        Some headers have two 5 V rails; the stronger one is there only while more comes in than
        USB gives (VMAN_BB ch08: VDD_5V only with the DC jack).
        """
        rails: dict[str, list[Milliamp]] = {}
        for pin in self.wiring.board.pins:
            if pin.rail is not None and pin.rail_max is not None:
                rails.setdefault(pin.rail, []).append(pin.rail_max)
        if name in rails or name != HEADER_5V:
            return rails.get(name, [])
        fives = sorted((max(rails[one]), one) for one in rails if one.endswith(HEADER_5V))
        if not fives:
            return []
        supply = self.board_supply
        strong = supply is not None and (supply.max_current or 0) > _USB_MA
        return rails[fives[-1 if strong else 0][1]]

    def _budget(
        self,
        name: str,
        volts: Millivolt,
        limit: Milliamp | None,
        draws: Iterable[Draw],
        *,
        supply: Supply | None = None,
        single: Milliamp | None = None,
    ) -> Budget:
        draws = tuple(draws)
        robot = self.wiring.robot
        return Budget(
            rail=Rail(
                name=SupplyName(name),
                volts=volts,
                limit=limit,
                typical=Milliamp(sum(one.typical for one in draws)),
                peak=Milliamp(sum(one.peak for one in draws)),
                loads=tuple(one.load for one in draws),
                run_minutes=_run_minutes(supply, sum(one.typical for one in draws)),
            ),
            draws=draws,
            supply=supply,
            origin=supply.origin if supply else robot.places.get("board", robot.origin),
            single_max=single,
        )


def _run_minutes(supply: Supply | None, typical: int) -> int | None:
    if supply is None or supply.battery is None or typical <= 0:
        return None
    return run_minutes(supply.battery.capacity, typical)


def run_minutes(capacity_mah: int, current: int) -> int:
    """
    Return for how many minutes *current* mA empties *capacity_mah*, rounded down.

    Source:
        facts/electrical.yaml check battery; age and cold take from it
    """
    return capacity_mah * 60 // current


# --- findings -------------------------------------------------------------------------------


def check_power(wiring: Wiring, rails: tuple[Budget, ...]) -> Iterator[Finding]:
    """Return what is wrong with supplies and their loads."""
    yield from _roles(wiring)
    yield from _feeds(wiring)
    yield from _inlet(wiring)
    yield from _header_feed(wiring, rails)
    for rail in rails:
        if rail.supply is None and rail.name == HEADER_3V3:
            yield from _rail_3v3(wiring, rail)
        else:
            yield from _overload(wiring, rail)
        yield from _led_strings(wiring, rail)
    yield from _usb(wiring)
    yield from _ports(wiring)
    yield from _unknown(wiring, rails)


def _users(draws: Iterable[Draw]) -> list[str]:
    return sorted({one.load.instance for one in draws if one.load.instance != BOARD})


def _plugins(wiring: Wiring, draws: Iterable[Draw]) -> list[str]:
    known = {one.instance for one in wiring.wired}
    return sorted({one.load.instance for one in draws if one.load.instance in known})


def _largest(wiring: Wiring, draws: Iterable[Draw]) -> list[Wired]:
    """Return the claim that draws most, in a list; [] where no claim does."""
    known = {(one.instance, str(one.claim.key.name)): one for one in wiring.wired}
    ranked = sorted(draws, key=lambda one: (-one.peak, one.load.instance, one.load.claim))
    found = [known.get((one.load.instance, one.load.claim)) for one in ranked]
    return [one for one in found if one is not None][:1]


def _places(draws: Iterable[Draw]) -> list[Place]:
    return [
        Place(origin=one.place.origin, label=f"{one.place.label}: {current_text(one.peak)}")
        for one in draws
        if one.peak
    ]


def _roles(wiring: Wiring) -> Iterator[Finding]:
    """Yield loads on a supply that the robot does not have."""
    rails = {HEADER_5V, HEADER_3V3, *(pin.rail for pin in wiring.board.pins if pin.rail)}
    missing: dict[str, list[Wired]] = {}
    for one in wiring.wired:
        if isinstance(one.claim, PowerClaim | SignalClaim) and one.claim.supply is not None:
            name = wiring.supply_name(one.claim.supply)
            bound = one.claim.supply in wiring.robot.roles
            if name not in rails and name not in wiring.robot.supplies and not bound:
                missing.setdefault(name, []).append(one)
    declared = sorted(wiring.robot.supplies)
    for name, users in sorted(missing.items()):
        yield finding(
            "supply-unknown",
            Severity.ERROR,
            f"no supply is bound to the role {name}",
            places=[one.place for one in users],
            why=f"the robot has {', '.join(declared)}" if declared else "the robot has no supplies",
            repair=[
                *(f"roles: {{{name}: {one}}}" for one in declared[:3]),
                f"supplies: {{{name}: {{volts: 5.0, max-ma: 3000}}}}   with its true figures",
            ],
            plugins=[one.instance for one in users],
            resource=name,
        )


def _feeds(wiring: Wiring) -> Iterator[Finding]:
    supplies = wiring.robot.supplies
    feeding = wiring.board_supplies()
    if len(feeding) > 1:
        names = [str(one.name) for one in feeding]
        yield finding(
            "back-feeding",
            Severity.ERROR,
            f"{listed(names)} both feed the board",
            places=[
                Place(origin=one.origin, label=f"{one.name} feeds the board") for one in feeding
            ],
            why="the stronger one pushes current back into the other, which burns one of them",
            repair=[
                f"supplies: {{joined-5v: {{volts: {min(one.volts for one in feeding) / 1000:g}, "
                f"max-ma: {_least(feeding)}, feeds: board}}, "
                f"{', '.join(f'{one}: {{feeds: joined-5v}}' for one in names)}}}   once an "
                "either-or switch or ideal diodes join them",
                *(f"supplies: {{{one}: {{feeds: []}}}}" for one in names[1:]),
            ],
            resource="5V",
        )
    for name in sorted(supplies):
        loop = _loop(wiring, name)
        if loop is not None and loop[0] == min(loop):
            yield finding(
                "supply-loop",
                Severity.ERROR,
                f"supplies feed each other in a ring: {' > '.join((*loop, loop[0]))}",
                places=[supplies[SupplyName(one)].origin for one in loop],
                why="somewhere power has to come in",
                repair=f"supplies: {{{loop[-1]}: {{feeds: []}}}}",
                resource=loop[0],
            )
    board = wiring.board_supply()
    for companion, controller, _ in wiring.controllers():
        own = controller.supply
        if controller.link != "usb" or own is None or board is None:
            continue
        net = wiring.supply_name(own)
        if net in {board.name, HEADER_5V, HEADER_3V3} or net not in supplies:
            continue
        source = supplies[SupplyName(net)]
        if source.battery is not None:
            continue
        yield finding(
            "back-feeding",
            Severity.WARNING,
            f"{companion} is fed by {net} and by the USB cable from the board",
            places=[
                Place(origin=controller.origin, label=f"{companion} linked by usb"),
                Place(origin=source.origin, label=f"{net} feeds {companion}"),
            ],
            why="two 5 V outputs joined push current into each other; grounds belong joined, "
            "5 V outputs do not",
            repair=[
                f"controllers: {{{companion}: {{supply: {board.name}}}}}",
                "or leave the cable's 5 V wire open, or pass it through a diode",
            ],
            resource=companion,
        )


def _least(feeding: tuple[Supply, ...]) -> int:
    known = [one.max_current for one in feeding if one.max_current is not None]
    return min(known) if known else 3000


def _loop(wiring: Wiring, start: SupplyName) -> tuple[str, ...] | None:
    """Return the ring of supplies through *start*, None where there is none."""
    # Breadth first: the shortest ring, and each supply is looked at once.
    ways: dict[str, tuple[str, ...]] = {start: (start,)}
    queue: list[str] = [start]
    for name in queue:
        supply = wiring.robot.supplies.get(SupplyName(name))
        for target in sorted(supply.feeds) if supply else ():
            if target == start:
                return ways[name]
            if target in wiring.robot.supplies and target not in ways:
                ways[target] = (*ways[name], target)
                queue.append(target)
    return None


def _inlet(wiring: Wiring) -> Iterator[Finding]:
    """Yield where the board's supply has a wrong voltage or gives less than its maker asks for."""
    facts, board = wiring.problem.electrical, wiring.board
    least, greatest = facts.back_power
    wanted = board.supply_current
    if wanted is None:
        return
    for supply in wiring.board_supplies():
        if not least <= supply.volts <= greatest:
            yield finding(
                "board-supply-wrong",
                Severity.ERROR,
                f"{supply.name} gives {volt_text(supply.volts)}, the board takes "
                f"{volt_text(least)} to {volt_text(greatest)}",
                places=[Place(origin=supply.origin, label=f"{supply.name} feeds the board")],
                why="5 V plus or minus 5 percent; more destroys it, less makes it fail under load",
                repair=f"supplies: {{{supply.name}: {{volts: 5.1, feeds: board}}}}   "
                "from a converter to 5.1 V",
                resource=supply.name,
            )
        if supply.max_current is not None and supply.max_current < wanted:
            path = path_limit(supply.volts, facts.undervoltage, supply.max_current)
            yield finding(
                "board-supply-weak",
                Severity.WARNING,
                f"{supply.name} gives {current_text(supply.max_current)}, its maker asks for "
                f"{current_text(wanted)}",
                places=[Place(origin=supply.origin, label=f"{supply.name} feeds the board")],
                why=[
                    "below that the board slows down or limits its USB ports",
                    f"cable and plugs may have {milliohm_text(path)} at this current before it "
                    f"sees {volt_text(facts.undervoltage)}",
                ],
                repair=f"supplies: {{{supply.name}: {{volts: 5.1, max-ma: {wanted}, "
                "feeds: board}}",
                resource=supply.name,
            )


def _header_feed(wiring: Wiring, rails: tuple[Budget, ...]) -> Iterator[Finding]:
    """Yield supplies that feed the board through the header with more than its contacts bear."""
    board = wiring.board
    most, highest = board.header_feed_mw, board.header_feed
    for rail in rails:
        supply = rail.supply
        if supply is None or supply.by != "header" or "board" not in supply.feeds:
            continue
        power = supply.volts * rail.rail.peak // 1000
        if most is not None and power > most:
            wrong = f"{power / 1000:g} W at peak, the contacts bear {most / 1000:.0f} W"
        elif highest is not None and supply.volts > highest:
            wrong = f"{volt_text(supply.volts)}, the contacts take {volt_text(highest)} at most"
        else:
            continue
        yield finding(
            "header-feed-overload",
            Severity.ERROR,
            f"{supply.name} feeds {board.id} through its header with {wrong}",
            places=[
                Place(origin=supply.origin, label=f"{supply.name} feeds the board"),
                *_places(rail.draws),
            ],
            why="contacts and tracks get hot; the board's own inlet is made for more",
            repair=f"supplies: {{{supply.name}: {{by: inlet}}}}   once it is plugged in there",
            plugins=_plugins(wiring, rail.draws),
            resource=supply.name,
        )


def path_limit(supply: Millivolt, detect: Millivolt, current: int) -> int:
    """
    Return the resistance that cable and plugs may have, mohm, rounded down.

    Source:
        facts/electrical.yaml check undervoltage, R = (V_supply - V_detect) / I (DOC_POWER)
    """
    return max(0, supply - detect) * 1000 // current


def _overload(wiring: Wiring, rail: Budget) -> Iterator[Finding]:
    facts = wiring.problem.electrical
    if rail.single_max is not None:
        for draw in rail.draws:
            if draw.peak > rail.single_max and draw.load.instance != BOARD:
                yield _too_much(
                    wiring,
                    rail,
                    (draw,),
                    f"{draw.place.label} takes {current_text(draw.peak)}, one contact of "
                    f"{rail.name} gives {current_text(rail.single_max)}",
                )
    left = rail.left
    if left is None or rail.rail.limit is None:
        return
    if rail.supply is None and rail.name == HEADER_5V and wiring.board_supply() is not None:
        return  # the board's supply says it, with everything that hangs on it
    if left < 0:
        yield _too_much(
            wiring,
            rail,
            rail.draws,
            f"{rail.name} gives {current_text(rail.rail.limit)}, up to "
            f"{current_text(rail.rail.peak)} are drawn",
        )
    elif left * 100 < facts.reserve_percent * rail.rail.limit and rail.rail.peak:
        yield finding(
            "rail-tight",
            Severity.WARNING,
            f"{rail.name} has {current_text(left)} left of {current_text(rail.rail.limit)} at peak",
            places=[Place(origin=rail.origin, label=rail.name), *_places(rail.draws)],
            why=f"less than {facts.reserve_percent} percent in reserve, which inrush and age take",
            repair=_relief(wiring, rail, rail.rail.peak * 5 // 4),
            plugins=_plugins(wiring, rail.draws),
            resource=rail.name,
        )


def _too_much(wiring: Wiring, rail: Budget, draws: tuple[Draw, ...], message: str) -> Finding:
    shares = sorted(draws, key=lambda one: (-one.peak, one.place.label))
    return finding(
        "rail-overload",
        Severity.ERROR,
        message,
        places=[Place(origin=rail.origin, label=rail.name), *_places(draws)],
        why=" + ".join(f"{one.place.label} {one.peak}" for one in shares if one.peak) + " mA",
        repair=_relief(wiring, rail, rail.rail.peak * 5 // 4),
        plugins=_plugins(wiring, draws),
        resource=rail.name,
    )


def _relief(wiring: Wiring, rail: Budget, wanted: int) -> list[str]:
    """Return ways to unload *rail*: a stronger supply, another supply, the largest consumer off."""
    rounded = -(-wanted // 100) * 100
    found = []
    if rail.supply is not None:
        found.append(
            f"supplies: {{{rail.name}: {{max-ma: {rounded}}}}}   once a supply of that size is "
            "fitted"
        )
    elif wiring.board_supply() is None and rail.name == HEADER_5V:
        found.append(
            f"supplies: {{main-5v: {{volts: 5.1, max-ma: {rounded}, feeds: board}}}}   once one of "
            "that size is fitted"
        )
    movable = [
        one
        for one in wiring.wired
        if isinstance(one.claim, PowerClaim | SignalClaim)
        and one.claim.supply is not None
        and wiring.supply_name(one.claim.supply) == rail.name
        and one.claim.supply not in {HEADER_3V3, HEADER_5V}
    ]
    others = [
        name
        for name, one in sorted(wiring.robot.supplies.items())
        if name != rail.name and one.volts == rail.rail.volts and "board" not in one.feeds
    ]
    found.extend(
        f"roles: {{{role}: {other}}}"
        for role in sorted({str(getattr(one.claim, "supply", "")) for one in movable})
        for other in others[:1]
    )
    users = [one for one in rail.draws if one.load.instance in {w.instance for w in wiring.wired}]
    if users:
        largest = max(users, key=lambda one: (one.peak, one.load.instance))
        found.append(f"robokit-plan disable {largest.load.instance}")
    return found


def _rail_3v3(wiring: Wiring, rail: Budget) -> Iterator[Finding]:
    if rail.single_max is not None:
        yield from _overload(wiring, rail)
        return
    family, peak = wiring.board.family, rail.rail.peak
    bounds = [
        (family.rail_3v3_unofficial, Severity.ERROR, "often quoted, not published"),
        (family.rail_3v3, Severity.WARNING, "the only published figure"),
    ]
    for limit, severity, meaning in bounds:
        if limit is None or peak <= limit:
            continue
        yield finding(
            "rail-3v3-overload",
            severity,
            f"up to {current_text(peak)} are drawn from the header's 3.3 V, "
            f"{current_text(limit)} is {meaning}",
            places=_places(rail.draws),
            why="the board's own chips live on the same regulator",
            repair=[
                *(
                    one.typed("supply: 5V", "with a regulator of its own on the module")
                    for one in _largest(wiring, rail.draws)
                ),
                *(f"robokit-plan disable {name}" for name in _users(rail.draws)[:1]),
            ],
            plugins=_plugins(wiring, rail.draws),
            resource=HEADER_3V3,
        )
        return


def _led_strings(wiring: Wiring, rail: Budget) -> Iterator[Finding]:
    if rail.supply is not None:
        return
    facts = wiring.problem.electrical
    strings = [one for one in rail.draws if one.led]
    total = sum(one.peak for one in strings)
    if total > facts.led_header_warn:
        yield finding(
            "led-string-heavy",
            Severity.WARNING,
            f"LED strings draw up to {current_text(total)} through the "
            f"header's {rail.name} contacts",
            places=_places(strings),
            why=f"above {current_text(facts.led_header_warn)} a string wants wires of its own from "
            "the supply, with the grounds joined",
            repair=[
                "supply: light-rail   in the manifest, and "
                f"supplies: {{light-rail: {{volts: 5.0, max-ma: {-(-total // 500) * 500}}}}}",
                *(
                    one.typed("brightness: 64", "where dimmer light will do")
                    for one in _largest(wiring, strings)
                ),
            ],
            plugins=_plugins(wiring, strings),
            resource=rail.name,
        )


def _usb(wiring: Wiring) -> Iterator[Finding]:
    board = wiring.board
    devices = [one for one in draws_of(wiring)[BOARD] if one.usb]
    limit: int | None = board.usb_total
    why = "all its USB ports together"
    supply = wiring.board_supply()
    lower = board.facts.get("usb_total_ma_with_3a_supply")
    full = board.supply_current
    if (
        supply is not None
        and isinstance(lower, int)
        and full is not None
        and supply.max_current is not None
        and supply.max_current < full
    ):
        limit = lower
        why = f"all its USB ports together, with a supply below {current_text(full)}"
    total = sum(one.peak for one in devices)
    if limit is None or total <= limit:
        return
    largest = max(devices, key=lambda one: (one.peak, one.load.instance))
    yield finding(
        "usb-overload",
        Severity.ERROR,
        f"USB devices draw up to {current_text(total)}, the board gives {current_text(limit)}",
        places=_places(devices),
        why=why,
        repair=[
            *(
                one.typed("ma: 0", "on a hub with a supply of its own")
                for one in _largest(wiring, devices)
            ),
            *(
                [f"supplies: {{{supply.name}: {{max-ma: {full}}}}}"]
                if supply is not None and limit == lower
                else []
            ),
            f"robokit-plan disable {largest.load.instance}",
        ],
        plugins=_plugins(wiring, devices),
        resource="usb",
    )


def _ports(wiring: Wiring) -> Iterator[Finding]:
    """Yield carrier ports whose declared limit the claims on them exceed."""
    for port in sorted(wiring.robot.ports, key=lambda one: one.name):
        users = [
            one
            for one in wiring.wired
            if one.assignment is not None and one.assignment.port == port.name
        ]
        total = sum(getattr(one.claim, "current", None) or 0 for one in users)
        if port.max_current is not None and total > port.max_current:
            yield finding(
                "port-overload",
                Severity.ERROR,
                f"port {port.name} gives {current_text(port.max_current)}, "
                f"{current_text(total)} are drawn",
                places=[
                    Place(origin=port.origin, label=f"port {port.name}"),
                    *(one.place for one in users),
                ],
                why="its track, contact or switch carries no more",
                repair=[f"wiring: {{{one.text}: {{port: …}}}}   another port" for one in users[:1]],
                plugins=[one.instance for one in users],
                resource=port.name,
            )


def _unknown(wiring: Wiring, rails: tuple[Budget, ...]) -> Iterator[Finding]:
    """Yield one note for all loads, one for all limits that nobody declared."""
    seen: Mapping[tuple[Origin, str], Draw] = {
        (draw.place.origin, draw.place.label): draw
        for rail in rails
        for draw in rail.draws
        if draw.unknown or (draw.load.instance == BOARD and draw.load.peak is None)
    }
    loads = [seen[key] for key in sorted(seen)]
    if loads:
        names = ", ".join(sorted({one.place.label for one in loads}))
        yield finding(
            "load-unknown",
            Severity.NOTE,
            f"not counted, since nobody says what it draws: {names}",
            places=[one.place for one in loads],
            why=[
                "an unknown current is not zero; the sums above are too low by it",
                *(
                    ["no figure of the board under stress is published; its usual one is counted"]
                    if any(one.load.instance == BOARD and one.load.typical for one in loads)
                    else []
                ),
            ],
            repair=[
                *(
                    ["system: {board-ma: {typical: …, peak: …}}   in robot.yaml, once measured"]
                    if any(one.load.instance == BOARD for one in loads)
                    else []
                ),
                *(
                    [
                        "power: {NAME: {supply: 5V, typical-ma: …, peak-ma: …}}   or ma: … for a "
                        "USB device"
                    ]
                    if any(one.load.instance != BOARD for one in loads)
                    else []
                ),
            ],
            plugins=_plugins(wiring, loads),
        )
    limits = [rail for rail in rails if rail.rail.limit is None and rail.rail.peak]
    for rail in limits:
        yield finding(
            "limit-unknown",
            Severity.NOTE,
            f"what {rail.name} may give is not known; up to {current_text(rail.rail.peak)} are "
            "drawn",
            places=[Place(origin=rail.origin, label=rail.name)],
            why="the budget cannot be closed without it",
            repair=f"supplies: {{{rail.name}: {{max-ma: …}}}}   from its label"
            if rail.supply is not None
            else "supplies: {main-5v: {volts: 5.1, max-ma: …, feeds: board}}   from its label",
            plugins=_plugins(wiring, rail.draws),
            resource=rail.name,
        )

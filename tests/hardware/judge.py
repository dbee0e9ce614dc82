"""
A second opinion on what fits: the same rules as a model for CP-SAT.

It reads claims and board facts anew and shares no code with the engine. An option of a claim is
a set of atoms; two options of different claims exclude each other where they hold one atom
without a word in common. What an option is ``on`` has to be switched on: the model chooses one boot
setting for each bus in use, which takes all of its lines.

Source: Google OR-Tools, CP-SAT solver.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cached_property

from ortools.sat.python import cp_model

from robokit_plan.hardware import HardwareInstance, HardwareProblem
from robokit_plan.model import (
    Board,
    BusOutlet,
    CameraClaim,
    Choice,
    Claim,
    ClaimName,
    Function,
    I2cClaim,
    I2sClaim,
    InstanceName,
    LineName,
    OneWireClaim,
    PortClaim,
    SignalClaim,
    SpiClaim,
    UartClaim,
    find_part,
)

Key = tuple[InstanceName, ClaimName]
Words = frozenset[str]
Option = Mapping[str, Words]
ALONE: Words = frozenset()
ON: Words = frozenset({"on"})
"""All may be on one bus."""

_DRIVERS = {Function.OUTPUT, Function.PWM, Function.CLOCK, Function.LED_STRING}


class Judge:
    """Answers whether sets of claims of one robot fit together."""

    def __init__(self, problem: HardwareProblem) -> None:
        self.problem = problem
        self.board: Board = problem.board
        self.keys: set[Key] = set()
        self.optional: set[Key] = set()
        self._wiring = {(one.instance, one.claim): one for one in problem.wiring}
        self._model = cp_model.CpModel()
        self._present: dict[Key, cp_model.IntVar] = {}
        self._build()

    def fits(self, keys: Iterable[Key]) -> bool:
        """Whether all claims of *keys* can be satisfied at once."""
        wanted = set(keys)
        model = self._model.clone()
        for key, present in self._present.items():
            index = present.index
            model.add(model.get_bool_var_from_proto_index(index) == int(key in wanted))
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.cp_model_presolve = False
        status = solver.solve(model)
        assert status in {cp_model.OPTIMAL, cp_model.FEASIBLE, cp_model.INFEASIBLE}, status
        return bool(status != cp_model.INFEASIBLE)

    def _build(self) -> None:
        model = self._model
        groups: dict[str, dict[Words, list[cp_model.IntVar]]] = defaultdict(
            lambda: defaultdict(list)
        )
        made: dict[Key, list[tuple[cp_model.IntVar | int, list[cp_model.IntVar]]]] = defaultdict(
            list
        )
        self._users: dict[str, list[tuple[frozenset[str], cp_model.IntVar]]] = defaultdict(list)
        for instance in sorted(self.problem.instances, key=lambda one: one.name):
            chosen: dict[str, cp_model.IntVar] = {}
            if instance.variants:
                chosen = {
                    name: model.new_bool_var(f"{instance.name} {name}")
                    for name, _ in instance.variants
                }
                model.add_exactly_one(list(chosen.values()))
            for variant, claims in ((None, instance.claims), *instance.variants):
                on: cp_model.IntVar | int = 1 if variant is None else chosen[variant]
                for claim in claims:
                    options = []
                    for number, option in enumerate(self._options(instance, claim)):
                        literal = model.new_bool_var(
                            f"{instance.name} {claim.key.name} {variant} {number}"
                        )
                        options.append(literal)
                        buses = frozenset(atom[3:] for atom in option if atom[:3] == "on ")
                        for atom in option:
                            if atom[:5] == "line ":
                                self._users[atom[5:]].append((buses, literal))
                        for atom, words in option.items():
                            groups[atom][words].append(literal)
                    made[instance.name, claim.key.name].append((on, options))
                    if claim.key.optional:
                        self.optional.add((instance.name, claim.key.name))
        self.keys = set(made)
        for key, variants in made.items():
            present = model.new_bool_var(f"present {key}")
            self._present[key] = present
            for on, options in variants:
                if isinstance(on, int):
                    model.add(sum(options) == present)
                else:
                    both = model.new_bool_var("")
                    model.add_multiplication_equality(both, [on, present])
                    model.add(sum(options) == both)
        for by_words in groups.values():
            used: dict[Words, cp_model.IntVar] = {}
            for words, literals in by_words.items():
                if not words:
                    model.add_at_most_one(literals)
                flag = model.new_bool_var("")
                model.add_max_equality(flag, literals)
                used[words] = flag
            listed = sorted(used, key=sorted)
            for number, first in enumerate(listed):
                for second in listed[number + 1 :]:
                    if first.isdisjoint(second):
                        model.add_at_most_one([used[first], used[second]])

        self._choose_settings()

    def _choose_settings(self) -> None:
        """
        Choose how each bus in use is switched on: by a known setting, or by hand where none will do.

        A setting takes all of its lines: no claim on another bus may use one of them, and no other
        setting may take one.
        """
        model = self._model
        vocabulary = self.problem.boot
        picks: list[tuple[str, frozenset[str], cp_model.IntVar]] = []
        buses = {bus for users in self._users.values() for on, _ in users for bus in on}
        for bus in sorted(buses):
            ways = [
                frozenset(way.lines)
                for way in (() if vocabulary is None else vocabulary.enables)
                if way.bus == bus
                and way.lines
                and (not way.releases or self.problem.release in way.releases)
                and (not way.bluetooth or self.board.bluetooth_uart == bus)
            ]
            if not ways:
                continue
            used = {
                line: self._any([one for on, one in users if bus in on])
                for line, users in self._users.items()
                if any(bus in on for on, _ in users)
            }
            by_hand = model.new_bool_var(f"{bus} by hand")
            own: list[cp_model.IntVar] = []
            for number, lines in enumerate(ways):
                pick = model.new_bool_var(f"{bus} way {number}")
                own.append(pick)
                beyond = [one for line, one in used.items() if line not in lines]
                for one in beyond:
                    model.add_implication(pick, one.Not())
                model.add_bool_or([*beyond, by_hand.Not()])
                for line in sorted(lines & set(self.board.lines)):
                    if self._taken_lines.get(line, bus) != bus:
                        model.add(pick == 0)
                    others = [one for on, one in self._users.get(line, ()) if bus not in on]
                    for one in others:
                        model.add_implication(pick, one.Not())
                for other, theirs, rival in picks:
                    if other != bus and lines & theirs & set(self.board.lines):
                        model.add_at_most_one([pick, rival])
            picks.extend((bus, lines, pick) for lines, pick in zip(ways, own, strict=True))
            model.add(sum(own) + by_hand == self._any(list(used.values())))

    def _any(self, literals: list[cp_model.IntVar]) -> cp_model.IntVar:
        flag = self._model.new_bool_var("")
        self._model.add_max_equality(flag, literals)
        return flag

    # -- what a claim may become, in the judge's own words ------------------------------------

    @cached_property
    def _taken_lines(self) -> Mapping[str, str | None]:
        """Line -> the I2C bus that the system already runs there, None for all other users."""
        found: dict[str, str | None] = {}
        i2c = {one.bus for one in self.board.outlets if one.kind == "i2c"}
        for claim in self.board.default_claims:
            for pin in self.board.pins:
                if pin.id in claim.pins and claim.by not in self.problem.freed:
                    for line in pin.lines:
                        found[line] = claim.bus if claim.bus in i2c else None
        return found

    @cached_property
    def _owned_by_ports(self) -> set[str]:
        return {line for port in self.problem.ports for line in port.lines.values()}

    def _options(self, instance: HardwareInstance, claim: Claim) -> Iterator[Option]:
        for option in self._raw(instance, claim):
            taken = self._taken_lines
            if any(
                atom.startswith("line ")
                and atom[5:] in taken
                and (taken[atom[5:]] is None or taken[atom[5:]] not in words)
                for atom, words in option.items()
            ):
                continue
            share = claim.key.share
            if share is None:
                yield option
                continue
            role = claim.function.value if isinstance(claim, SignalClaim) else "other"
            mark = f"share {share} {role}"
            owned = {atom: words | {mark} for atom, words in option.items()}
            identity = f"{sorted(atom for atom in option if atom[:4] in {'line', 'chan'})} {role}"
            yield {**owned, f"share {share}": frozenset({identity})}

    def _raw(self, instance: HardwareInstance, claim: Claim) -> Iterator[Option]:
        match claim:
            case SignalClaim() if claim.port_kind is not None:
                for port in self.problem.ports:
                    if port.kind == claim.port_kind:
                        for line in port.lines.values():
                            for slot in range(port.count):
                                yield {f"line {line}": ALONE, f"port {port.name} {slot}": ALONE}
            case SignalClaim():
                wiring = self._wiring.get((instance.name, claim.key.name))
                if wiring is not None and wiring.line is not None:
                    if self.board.lines[wiring.line].usable:
                        yield from self._signal(instance, claim, wiring.line)
                    return
                for line in self._lines(claim):
                    if line not in self._owned_by_ports:
                        yield from self._signal(instance, claim, line)
            case PortClaim():
                for port in self.problem.ports:
                    if port.kind == claim.kind:
                        for slot in range(port.count):
                            yield {f"port {port.name} {slot}": ALONE}
            case OneWireClaim():
                yield from self._one_wire(claim)
            case I2cClaim():
                yield from self._i2c(instance, claim)
            case SpiClaim():
                yield from self._spi(claim)
            case UartClaim():
                yield from self._uart(claim)
            case I2sClaim():
                for outlet in self._outlets("i2s"):
                    side = self.board.family.i2s_clock.get(outlet.bus, claim.clock)
                    if side == claim.clock and not self._owned_by_ports & set(
                        outlet.lines.values()
                    ):
                        yield {
                            f"i2s {outlet.bus}": ALONE,
                            f"on {outlet.bus}": ON,
                            **{
                                f"line {line}": frozenset({outlet.bus})
                                for line in outlet.lines.values()
                            },
                        }
            case CameraClaim():
                for name in self._cameras(claim):
                    yield {f"camera {name}": ALONE}
            case _:
                raise AssertionError(claim)

    def _lines(self, claim: SignalClaim | OneWireClaim) -> list[LineName]:
        if isinstance(claim, SignalClaim) and claim.positions:
            listed = [pin.lines[0] for pin in self.board.pins if pin.id in claim.positions]
        elif claim.lines.options:
            listed = [LineName(line) for line in claim.lines.options if line in self.board.lines]
        else:
            listed = list(self.board.lines)
        return [line for line in listed if self.board.lines[line].usable]

    def _signal(
        self, instance: HardwareInstance, claim: SignalClaim, line: str
    ) -> Iterator[Option]:
        base: dict[str, Words] = {f"line {line}": ALONE}
        pin = next(one for one in self.board.pins if line in one.lines)
        if len(pin.lines) > 1 and claim.function in _DRIVERS:
            base[f"position {pin.id}"] = frozenset({line})
        pwm = [
            (one.bus, signal)
            for one in self.board.outlets
            if one.kind == "pwm" and not self._cut_off(one)
            for signal, here in one.lines.items()
            if here == line
        ]
        match claim.function:
            case Function.INPUT | Function.OUTPUT:
                yield base
            case Function.PWM:
                for bus, signal in pwm:
                    option = {
                        **base,
                        f"on {bus}": ON,
                        f"channel {bus} {signal}": ALONE,
                        f"block {bus}": frozenset({"kernel", instance.name}),
                    }
                    if self.board.family.pwm_kind == "pairs-one-period" and claim.frequency:
                        option[f"period {bus}"] = frozenset({str(claim.frequency)})
                    yield option
            case Function.CLOCK:
                for one in self.board.outlets:
                    on_board = {each.bus for each in self.board.busy}
                    if one.kind == "clock" and line in one.lines.values():
                        if one.bus in on_board:
                            continue
                        owner = frozenset({f"{instance.name} {claim.frequency}"})
                        yield {**base, f"clock {one.bus}": owner}
            case Function.LED_STRING:
                yield from self._leds(instance, base, line, pwm)
            case _:
                raise AssertionError(claim.function)

    def _leds(
        self, instance: HardwareInstance, base: Option, line: str, pwm: Sequence[tuple[str, str]]
    ) -> Iterator[Option]:
        for back_end, lines in self.board.family.led_string.items():
            if lines and line not in lines:
                continue
            if back_end == "pwm":
                for bus, signal in pwm:
                    yield {
                        **base,
                        f"channel {bus} {signal}": ALONE,
                        f"block {bus}": frozenset({instance.name}),
                    }
            elif back_end == "pcm":
                yield {**base, "i2s pcm": ALONE}
            elif back_end == "spi":
                for outlet in self._outlets("spi"):
                    rest = {outlet.lines[word] for word in ("sclk", "miso")}
                    if outlet.lines["mosi"] == line and not rest & self._owned_by_ports:
                        yield {
                            **base,
                            **{
                                f"line {outlet.lines[word]}": frozenset({outlet.bus})
                                for word in ("sclk", "mosi", "miso")
                            },
                            f"bus {outlet.bus}": ALONE,
                            f"on {outlet.bus}": ON,
                        }
            else:
                yield base

    def _one_wire(self, claim: OneWireClaim) -> Iterator[Option]:
        if claim.lines == Choice():
            usual = [
                name
                for name, line in self.board.lines.items()
                if any(user.startswith("w1-gpio") for user in line.default_users)
            ]
            if not usual:
                # The first ordinary line: the engine's order, so nothing is claimed about it.
                raise Unjudged
            lines = usual[:1]
        else:
            lines = self._lines(claim)
        for line in lines:
            if line not in self._owned_by_ports:
                pin = next(one for one in self.board.pins if line in one.lines)
                option: dict[str, Words] = {f"line {line}": frozenset({"one-wire"})}
                if len(pin.lines) > 1:
                    option[f"position {pin.id}"] = frozenset({line})
                yield option

    def _i2c(self, instance: HardwareInstance, claim: I2cClaim) -> Iterator[Option]:
        part = None if claim.part is None else find_part(self.problem.parts, claim.part)
        addresses = claim.addresses or (() if part is None else part.addresses)
        wiring = self._wiring.get((instance.name, claim.key.name))
        if wiring is not None and wiring.address is not None:
            addresses = (wiring.address,)
        mux = None if claim.behind is None else f"mux {instance.name} {claim.behind.claim}"
        outlets = self._outlets("i2c") if mux else self._chosen("i2c", claim.bus)
        for outlet in outlets:
            if self._in_a_port(outlet, ("sda", "scl")):
                continue
            for address in addresses:
                if any(
                    one.bus == outlet.bus and address == taken
                    for one in self.board.busy
                    for _, taken in one.devices
                ):
                    continue
                front = f"address {outlet.bus} {address}"
                here = frozenset({f"{outlet.bus} {outlet.route}"})
                place: dict[str, Words] = {
                    front: ALONE,
                    f"mux {instance.name} {claim.key.name}": here,
                }
                if mux is not None and claim.behind is not None:
                    place = {
                        front: frozenset({"behind"}),
                        f"address {mux} {claim.behind.channel} {address}": ALONE,
                        mux: here,
                    }
                yield {
                    **place,
                    f"on {outlet.bus}": ON,
                    f"bus {outlet.bus}": frozenset({f"{outlet.route} {outlet.lines}"}),
                    f"line {outlet.lines['sda']}": frozenset({outlet.bus}),
                    f"line {outlet.lines['scl']}": frozenset({outlet.bus}),
                }

    def _spi(self, claim: SpiClaim) -> Iterator[Option]:
        for outlet in self._chosen("spi", claim.bus):
            if outlet.bus in self.board.family.target_only:
                continue
            if self._in_a_port(outlet, ("sclk", "mosi", "miso")):
                continue
            every = [word[2:] for word in outlet.lines if word.startswith("cs")]
            wanted = every if claim.select.any else list(claim.select.options or ("0",))
            for select in wanted:
                if select in every:
                    yield {
                        f"select {outlet.bus} {select}": ALONE,
                        f"on {outlet.bus}": ON,
                        f"bus {outlet.bus}": frozenset({f"{outlet.route} {outlet.lines}"}),
                        **{
                            f"line {outlet.lines[word]}": frozenset({outlet.bus})
                            for word in ("sclk", "mosi", "miso", f"cs{select}")
                        },
                    }

    def _uart(self, claim: UartClaim) -> Iterator[Option]:
        words = ["tx", "rx", *(["cts", "rts"] if claim.flow_control else [])]
        choice = claim.port
        outlets: list[BusOutlet] = []
        if choice.any:
            outlets = self._outlets("uart")
        for option in () if choice.any else choice.options or ("header",):
            if option == "header":
                every = [one for one in self.board.outlets if one.kind == "uart" and one.complete]
                own = [one for one in every if one.bus == self.board.header_uart] or every[:1]
                outlets += [
                    one
                    for one in self._outlets("uart")
                    if own
                    and (one.lines["tx"], one.lines["rx"])
                    == (own[0].lines["tx"], own[0].lines["rx"])
                ]
            else:
                outlets += [one for one in self._outlets("uart") if one.bus == option]
        for outlet in outlets:
            if outlet.bus == self.board.bluetooth_uart:
                continue
            if claim.parity != "none" and self.board.family.uart_kinds.get(outlet.bus) == "mini":
                continue
            if any(word not in outlet.lines for word in words):
                continue
            if any(outlet.lines[word] in self._owned_by_ports for word in words):
                continue
            yield {
                f"uart {outlet.bus}": ALONE,
                f"on {outlet.bus}": ON,
                **{f"line {outlet.lines[word]}": ALONE for word in words},
            }

    def _cameras(self, claim: CameraClaim) -> list[str]:
        known = self.board.cameras
        here = ["cam0"] if known is None else list(known)
        if claim.connector.any:
            return here
        if claim.connector.options:
            return [one for one in claim.connector.options if known is None or one in known]
        return here[:1]

    def _outlets(self, kind: str) -> list[BusOutlet]:
        return [
            one
            for one in self.board.outlets
            if one.kind == kind and one.complete and not self._cut_off(one)
        ]

    def _chosen(self, kind: str, choice: Choice) -> list[BusOutlet]:
        if choice.any:
            return self._outlets(kind)
        if choice.options:
            return [one for one in self._outlets(kind) if one.bus in choice.options]
        every = [one for one in self.board.outlets if one.kind == kind and one.complete]
        return [one for one in every[:1] if not self._cut_off(one)]

    def _in_a_port(self, outlet: BusOutlet, words: Iterable[str]) -> bool:
        """Whether a port owns some but not all lines of a shared bus."""
        lines = {outlet.lines[word] for word in words}
        return any(
            lines & set(port.lines.values()) and not lines <= set(port.lines.values())
            for port in self.problem.ports
        )

    def _cut_off(self, outlet: BusOutlet) -> bool:
        """Whether on-board parts use the controller on another route."""
        pins = {self.board.lines[line].pin for line in outlet.lines.values()}
        return any(
            one.bus == outlet.bus
            and one.route != outlet.route
            and [name for name, _ in one.devices] != ["status LED"]
            and not (
                one.route is None
                and any(
                    claim.bus == outlet.bus and pins & set(claim.pins)
                    for claim in self.board.default_claims
                )
            )
            for one in self.board.busy
        )


class Unjudged(Exception):  # noqa: N818  no error
    """The model says nothing about this robot."""

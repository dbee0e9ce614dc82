"""
An independent look at an answer: does it keep what the claims ask and the board allows?

Written from the rules, not from the engine: it reads only claims, board facts and assignments,
and knows neither candidates nor search.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator

from robokit_plan.hardware import HardwareAnswer, HardwareInstance, HardwareProblem
from robokit_plan.model import (
    ActuatorClaim,
    Assignment,
    Backend,
    BusName,
    CameraClaim,
    Choice,
    Claim,
    ClaimName,
    Function,
    I2cClaim,
    InstanceName,
    OneWireClaim,
    PortClaim,
    PortName,
    PowerClaim,
    SignalClaim,
    SpiClaim,
    UartClaim,
    UsbClaim,
    find_part,
)

Key = tuple[InstanceName, ClaimName]
_PWM = re.compile(r"(pwm\d*|pwm_\w+|ehrpwm\d+|ecap\d+)")
_NO_PWM_SIGNALS = {"synci", "synco", "tripzone"}


def faults(problem: HardwareProblem, answer: HardwareAnswer) -> list[str]:
    """Return everything that is wrong with *answer*; empty: nothing."""
    claims = dict(_claims(problem, answer))
    made = {(one.instance, one.claim): one for one in answer.assignments}
    found = list(_complete(problem, answer, claims, made))
    for key, one in made.items():
        if key not in claims:
            found.append(f"{key} was never claimed")
            continue
        found.extend(f"{key}: {text}" for text in _own(problem, key, claims[key], one))
    found.extend(_lines(problem, claims, made))
    found.extend(_resources(problem, claims, made))
    return found


def _claims(problem: HardwareProblem, answer: HardwareAnswer) -> Iterator[tuple[Key, Claim]]:
    for instance in problem.instances:
        for claim in (*instance.claims, *_of_variant(instance, answer)):
            if not isinstance(claim, PowerClaim | ActuatorClaim):
                yield (instance.name, claim.key.name), claim


def _of_variant(instance: HardwareInstance, answer: HardwareAnswer) -> tuple[Claim, ...]:
    chosen = answer.variants[instance.name]
    if not instance.variants:
        return ()
    by_name = dict(instance.variants)
    assert chosen in by_name, (instance.name, chosen)
    return by_name[chosen]


def _complete(
    problem: HardwareProblem,
    answer: HardwareAnswer,
    claims: dict[Key, Claim],
    made: dict[Key, Assignment],
) -> Iterator[str]:
    given_up = {key for conflict in answer.conflicts for key in conflict}
    for key, claim in claims.items():
        if key in made:
            continue
        if key in answer.left_out:
            if not claim.key.optional:
                yield f"{key} was left out but is not optional"
        elif key not in given_up:
            yield f"{key} got nothing and no conflict says why"
    if not answer.conflicts and any(
        not claims[key].key.optional for key in set(claims) - set(made)
    ):
        yield "a claim is missing without a conflict"


def _own(problem: HardwareProblem, key: Key, claim: Claim, one: Assignment) -> Iterator[str]:
    """Yield what is wrong with one assignment for itself."""
    board = problem.board
    wiring = {(each.instance, each.claim): each for each in problem.wiring}.get(key)
    for use in one.lines:
        if one.controller is not None:
            continue
        if use.line not in board.lines:
            yield f"{use.line} is not on the header"
        elif board.lines[use.line].pin != use.position:
            yield f"{use.line} is not at {use.position}"
        elif not board.lines[use.line].usable:
            yield f"{use.line} must not be used"
    if one.controller is not None and not isinstance(claim, SignalClaim):
        yield "only signals go to a controller"
    if isinstance(claim, SignalClaim) and one.controller is None:
        line = one.lines[0].line
        if wiring is not None and wiring.line is not None:
            if line != wiring.line:
                yield f"wired to {wiring.line}, got {line}"
        elif claim.positions and (wiring is None or wiring.position is None) and one.port is None:
            if board.lines[line].pin not in claim.positions:
                yield f"{line} is at none of {claim.positions}"
        elif claim.lines.options and one.port is None and line not in claim.lines.options:
            yield f"{line} is none of {claim.lines.options}"
        functions = {(each.bus, each.signal) for each in board.lines[line].functions}
        pwm = {pair for pair in functions if _PWM.fullmatch(pair[0])}
        pwm = {pair for pair in pwm if pair[1] not in _NO_PWM_SIGNALS}
        if claim.function is Function.PWM and not pwm:
            yield f"{line} has no PWM"
        if claim.function is Function.SERVO and claim.backend is Backend.KERNEL and not pwm:
            yield f"{line} has no PWM"
        if claim.function is Function.CLOCK and not any(bus[:5] == "gpclk" for bus, _ in functions):
            yield f"{line} has no clock"
        if claim.function is Function.LED_STRING and not any(
            not lines or line in lines for lines in board.family.led_string.values()
        ):
            yield f"{line} drives no LEDs"
    if isinstance(claim, I2cClaim):
        yield from _i2c(problem, claim, one)
    if isinstance(claim, SpiClaim):
        signals = {
            signal
            for outlet in board.outlets
            if outlet.bus == one.bus and outlet.route == one.route
            for signal in outlet.lines
        }
        if f"cs{one.select}" not in signals:
            yield f"{one.bus} has no select {one.select}"
        if (
            claim.select == Choice()
            and (wiring is None or wiring.select is None)
            and one.select != 0
        ):
            yield "the default select is 0"
        if one.bus in board.family.target_only:
            yield f"{one.bus} is target-only"
    if isinstance(claim, UartClaim):
        if claim.parity != "none" and board.family.uart_kinds.get(_bus(one)) == "mini":
            yield "no parity on the small UART"
        words = {use.signal for use in one.lines}
        if not words >= ({"tx", "rx", "rts", "cts"} if claim.flow_control else {"tx", "rx"}):
            yield f"only {words}"
    if (
        isinstance(claim, CameraClaim)
        and board.cameras is not None
        and one.resource.removeprefix("camera ") not in board.cameras
    ):
        yield f"{one.resource} is not there"


def _bus(one: Assignment) -> BusName:
    assert one.bus is not None
    return one.bus


def _i2c(problem: HardwareProblem, claim: I2cClaim, one: Assignment) -> Iterator[str]:
    wiring = {(each.instance, each.claim): each for each in problem.wiring}.get(
        (one.instance, one.claim)
    )
    functions = {
        use.signal: {(each.bus, each.signal) for each in problem.board.lines[use.line].functions}
        for use in one.lines
    }
    for word in ("sda", "scl"):
        if (one.bus, word) not in functions.get(word, set()):
            yield f"{word} of {one.bus} is not there"
    part = None if claim.part is None else find_part(problem.parts, claim.part)
    if wiring is None or wiring.address is None:
        allowed = claim.addresses or (() if part is None else part.addresses)
        if one.address not in allowed:
            yield f"{one.address} is none of {allowed}"
    elif one.address != wiring.address:
        yield f"wired to address {wiring.address}, got {one.address}"
    free = (wiring is None or wiring.bus is None) and one.port is None
    if free and claim.bus.options and one.bus not in {x.split()[0] for x in claim.bus.options}:
        yield f"{one.bus} is none of {claim.bus.options}"


def _lines(
    problem: HardwareProblem, claims: dict[Key, Claim], made: dict[Key, Assignment]
) -> Iterator[str]:
    """Yield lines with two users that do not go together."""
    users: dict[str, list[Key]] = defaultdict(list)
    for key, one in made.items():
        if one.controller is not None:
            continue
        for line in {use.line for use in one.lines}:
            users[line].append(key)
    for used, keys in users.items():
        for first, second in _pairs(keys):
            if not _line_shared(used, first, second, claims, made):
                yield f"{used} goes to {first} and {second}"
    for claim in problem.board.default_claims:
        if claim.by in problem.freed:
            continue
        for pin in claim.pins:
            for line in next(one for one in problem.board.pins if one.id == pin).lines:
                for key in users.get(line, ()):
                    one = made[key]
                    if claim.bus is None or one.bus != claim.bus or one.section != "i2c":
                        yield f"{line} of {key} is taken by {claim.by}"
    for boot in problem.boot_claims:
        for line, bus in boot.lines.items():
            for key in users.get(line, ()):
                one = made[key]
                served = {one.bus, one.section, one.function, one.resource} & set(boot.serves)
                if not served and (bus is None or one.bus != bus):
                    yield f"{line} of {key} is taken by {boot.by}"
    yield from _settings(problem, made)
    owned = {line for each in problem.ports for line in each.lines.values()}
    wired = {(each.instance, each.claim) for each in problem.wiring}
    for key, one in made.items():
        if one.port is None and key not in wired and one.controller is None:
            lines = {use.line for use in one.lines if use.signal != "cs"}
            for line in sorted(lines & owned):
                whole = [each for each in problem.ports if lines <= set(each.lines.values())]
                if one.section not in {"i2c", "spi"} or not whole:
                    yield f"{line} of {key} belongs to a port"
    for position in problem.board.pins:
        drivers = {
            line
            for line in position.lines
            for key in users.get(line, ())
            if isinstance(signal := claims[key], SignalClaim)
            and signal.function not in {Function.INPUT, Function.IR_IN}
        }
        if len(drivers) > 1:
            yield f"position {position.id} is driven twice"


def _settings(problem: HardwareProblem, made: dict[Key, Assignment]) -> Iterator[str]:
    """Yield buses of which every known setting takes a line that is used for something else."""
    on: dict[BusName, set[str]] = defaultdict(set)
    off: dict[str, set[BusName | None]] = defaultdict(set)
    for one in made.values():
        if one.controller is not None:
            continue
        switched = one.section in {"i2c", "spi", "uart", "i2s"} or (
            one.channel is not None and not one.function.startswith("led-string")
        )
        switched = switched or one.function == "led-string spi"
        for use in one.lines:
            off[use.line].add(one.bus if switched else None)
            if switched and one.bus is not None:
                on[one.bus].add(use.line)
    for bus, lines in on.items():
        ways = [
            way
            for way in (() if problem.boot is None else problem.boot.enables)
            if way.bus == bus
            and lines <= set(way.lines)
            and (not way.releases or problem.release in way.releases)
        ]
        if ways and all(any(off.get(line, {bus}) != {bus} for line in way.lines) for way in ways):
            yield f"every setting of {bus} takes lines of others"


def _line_shared(
    line: str, first: Key, second: Key, claims: dict[Key, Claim], made: dict[Key, Assignment]
) -> bool:
    one, two = claims[first], claims[second]
    if _share(one, two):
        return True
    if isinstance(one, OneWireClaim) and isinstance(two, OneWireClaim):
        return True
    if isinstance(one, I2cClaim | SpiClaim) and type(one) is type(two):
        if made[first].bus != made[second].bus:
            return False
        marks = [
            {use.signal for use in made[key].lines if use.line == line} for key in (first, second)
        ]
        return marks[0] == marks[1] and "cs" not in marks[0]
    return False


def _share(one: Claim, two: Claim) -> bool:
    if one.key.share is None or one.key.share != two.key.share:
        return False
    return not isinstance(one, SignalClaim) or one.function is getattr(two, "function", None)


def _resources(
    problem: HardwareProblem, claims: dict[Key, Claim], made: dict[Key, Assignment]
) -> Iterator[str]:
    """Yield everything but lines that two claims hold."""
    singles: dict[str, list[Key]] = defaultdict(list)
    routes: dict[str, set[str | None]] = defaultdict(set)
    for key, one in made.items():
        claim = claims[key]
        if isinstance(claim, I2cClaim):
            singles[one.resource].append(key)
            if claim.behind is not None:
                mux = made.get((key[0], claim.behind.claim))
                if mux is not None and mux.bus != one.bus:
                    yield f"{key} is not on the bus of its multiplexer"
        if isinstance(claim, SpiClaim):
            singles[f"select {one.bus} {one.select}"].append(key)
        if isinstance(claim, UartClaim):
            singles[f"uart {one.bus}"].append(key)
        if isinstance(claim, CameraClaim | UsbClaim):
            singles[one.resource].append(key)
        if one.channel is not None:
            singles[f"channel {one.channel}"].append(key)
        if one.controller is not None and one.lines:
            singles[f"pin {one.controller} {one.lines[0].line}"].append(key)
        if one.section in {"i2c", "spi", "uart", "i2s"} and one.bus is not None:
            routes[one.bus].add(one.route)
        if one.section == "i2s":
            singles[f"i2s {one.bus}"].append(key)
        if one.function.startswith("led-string") and one.bus is not None:
            for other, each in made.items():
                if other == key or each.bus != one.bus:
                    continue
                if one.function == "led-string pwm" and other[0] == key[0]:
                    continue
                if not _share(claims[key], claims[other]):
                    yield f"{key} needs {one.bus} alone, {other} uses it"
    for what, keys in singles.items():
        for first, second in _pairs(keys):
            if not _share(claims[first], claims[second]):
                yield f"{what} goes to {first} and {second}"
    for bus, used in routes.items():
        if len(used) > 1:
            yield f"{bus} comes out at {used}"
    if problem.board.family.pwm_kind == "pairs-one-period":
        yield from _periods(claims, made)
    yield from _ports(problem, claims, made)


def _periods(claims: dict[Key, Claim], made: dict[Key, Assignment]) -> Iterator[str]:
    periods: dict[str, set[int]] = defaultdict(set)
    for key, one in made.items():
        claim = claims[key]
        if one.channel is None or one.bus is None or not isinstance(claim, SignalClaim):
            continue
        if claim.function is Function.SERVO:
            periods[one.bus].add(50)
        elif claim.frequency is not None:
            periods[one.bus].add(claim.frequency)
    for bus, values in periods.items():
        if len(values) > 1:
            yield f"{bus} runs at {values}"


def _ports(
    problem: HardwareProblem, claims: dict[Key, Claim], made: dict[Key, Assignment]
) -> Iterator[str]:
    plugs: dict[PortName, Counter[str]] = defaultdict(Counter)
    ports = {port.name: port for port in problem.ports}
    for key, one in made.items():
        if one.port is None:
            claim = claims[key]
            if isinstance(claim, PortClaim):
                yield f"{key} got no port"
            continue
        port = ports[one.port]
        plug = f"{key[0]}" if len(port.lines) > 1 else f"{key[0]}.{key[1]}"
        share = claims[key].key.share
        plugs[port.name][plug if share is None else f"share {share}"] += 1
    for name, users in plugs.items():
        if len(users) > max(1, ports[name].count):
            yield f"port {name} has {len(users)} plugs"


def _pairs(keys: Iterable[Key]) -> Iterator[tuple[Key, Key]]:
    listed = sorted(keys)
    for index, first in enumerate(listed):
        for second in listed[index + 1 :]:
            yield first, second

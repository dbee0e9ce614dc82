"""Ways out of a conflict, each tried before it is offered."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from robokit_plan.hardware.boot.options import boot_needs
from robokit_plan.hardware.problem import ClaimKeyPair, HardwareProblem, Judge
from robokit_plan.model import (
    AudioClaim,
    BlockClaim,
    CameraClaim,
    ClaimName,
    ControllerName,
    I2cClaim,
    OneWireClaim,
    SignalClaim,
    SpiClaim,
    UartClaim,
    listed,
)

from ._board_view import BoardView, address_text
from ._candidates import Offers
from ._conflicts import Conflict, Conflicts
from ._made import assignment_of
from ._requests import ClaimRequest
from ._resources import Candidate
from ._search import Space
from ._variables import Variable, variables_of

_ALTERNATIVES = 3
"""So many places are named per claim."""
_TRIES = 12
_MOVERS = 2
"""So many claims are offered to be moved."""
_MEMBERS = 5
"""So many claims of a conflict are tried; of a crowd all are alike."""
_BUDGET = 480
_TRIED = 16
"""So many conflicts get all their repairs; nobody mends more at once, and each is a search."""


def repairs_of(
    problem: HardwareProblem,
    view: BoardView,
    offers: Offers,
    conflicts: Sequence[Conflict],
    kept: Sequence[ClaimKeyPair],
    space: Space,
    used: frozenset[str],
    judge: Judge | None,
) -> Mapping[Conflict, tuple[str, ...]]:
    """
    Return, per conflict, what the builder can type, best first.

    Everything offered was solved with all claims that fit and the one that this conflict cost.
    *space*: in which they were found. *used*: lines that the rest of the plan sits on, offered
    last. *judge*: places where a claim makes an error by itself are not offered.
    """
    relaxed = frozenset(
        key
        for conflict in conflicts
        for key in (*_movable(conflict), *((name, ClaimName("")) for name, _ in conflict.claims))
    )
    variables = variables_of(problem, view, offers, relaxed)
    if any(one.extra for one in variables):
        space = Space([one.candidates for one in variables], strict=False)
    own = 0
    for index, one in enumerate(variables):
        for place in range(len(one.candidates)):
            if place not in one.extra:
                own |= 1 << (space.offsets[index] + place)
    bench = _Bench(problem, view, variables, space, own, used, judge)
    return {
        conflict: bench.ways_out(conflict, _beside(conflict, conflicts, kept))
        if at < _TRIED
        else bench.way_on(conflict, kept)
        for at, conflict in enumerate(conflicts)
    }


def _beside(
    conflict: Conflict, conflicts: Iterable[Conflict], kept: Sequence[ClaimKeyPair]
) -> Sequence[ClaimKeyPair]:
    """Return those of *kept* that a repair must suit: not what the same claim is in the way of."""
    rivals = {
        key
        for other in conflicts
        if other is not conflict and other.dropped == conflict.dropped
        for key in other.claims
        if key not in conflict.claims
    }
    return [key for key in kept if key not in rivals] if rivals else kept


class _Bench:
    """Where repairs are tried."""

    def __init__(
        self,
        problem: HardwareProblem,
        view: BoardView,
        variables: Sequence[Variable],
        space: Space,
        own: int,
        used: frozenset[str],
        judge: Judge | None,
    ) -> None:
        self._judge = judge
        self._given: dict[str, ClaimKeyPair] = {}
        """Places that were told first -> the claim that has to go there."""
        self._view = view
        self._variables = variables
        self._space = space
        self._own = own
        self._used = used
        self._conflicts = Conflicts(problem, space, variables, own)
        self._instances = {one.name: one for one in problem.instances}
        self._allowed = {one.instance: one for one in variables if one.choice}

    def ways_out(self, conflict: Conflict, kept: Sequence[ClaimKeyPair]) -> tuple[str, ...]:
        """Return the repairs of one conflict."""
        keys = [*kept, conflict.dropped]
        texts: list[str] = []
        for key in _movable(conflict):
            if len(texts) == _MOVERS:
                break
            moved = self._move(key, keys, conflict.dropped)
            if moved is not None:
                texts.append(moved)
        texts.extend(self._variants(conflict, keys))
        texts.extend(self._disable(conflict, keys))
        return tuple(texts)

    def way_on(self, conflict: Conflict, kept: Sequence[ClaimKeyPair]) -> tuple[str, ...]:
        """Return the one repair that is known without a search: what fits does so without it."""
        name, _ = conflict.dropped
        if name not in self._instances:
            return self.ways_out(conflict, kept)
        return (f"robokit-plan disable {name}",)

    def _fits(self, keys: Iterable[ClaimKeyPair], alive: int) -> bool:
        members = self._conflicts.members
        asked = self._conflicts.indices(key for key in keys if key in members)
        return self._space.fits(asked, alive, budget=_BUDGET)

    def _move(
        self, key: ClaimKeyPair, keys: Sequence[ClaimKeyPair], dropped: ClaimKeyPair
    ) -> str | None:
        """
        Return the `wiring` entry that moves *key* out of the way, with further places.

        Where each of several claims has to go, none is sent where another one was: *dropped* is
        that of this conflict.
        """
        found: list[str] = []
        tried: set[str] = set()
        for index in self._conflicts.members[key]:
            one = self._variables[index]
            request = one.request
            if request is None or soldered(request):
                continue
            current = [
                candidate
                for place, candidate in enumerate(one.candidates)
                if place not in one.extra and candidate.active
            ]
            strings = {candidate.function for candidate in current}
            for place in self._in_order(one, request, current):
                candidate = one.candidates[place]
                string = candidate.function.startswith("led-string")
                if string and strings and candidate.function not in strings:
                    continue  # the plugin's library is made for one back end
                text = wiring_entry(request, candidate, current, self._view)
                if text is None or text in tried or len(tried) >= _TRIES:
                    continue
                if current and not keeps_to_list(request, candidate, self._view):
                    continue
                if key == dropped and self._given.get(text, key) != key:
                    continue
                if self._wrong(one, request, candidate):
                    continue
                tried.add(text)
                alive = self._own & ~self._space.masks[index]
                alive |= 1 << (self._space.offsets[index] + place)
                if self._fits(keys, alive):
                    found.append(text)
                if len(found) == _ALTERNATIVES:
                    break
            if found:
                if key == dropped:
                    self._given[found[0]] = key
                head = f"wiring: {{{request.text}: {found[0]}}}"
                return head if len(found) == 1 else f"{head}, or {listed(found[1:], 'or')}"
        return None

    def _wrong(self, one: Variable, request: ClaimRequest, candidate: Candidate) -> bool:
        """Whether the claim makes an error by itself at *candidate*."""
        if self._judge is None:
            return False
        place = assignment_of(one, candidate, self._view)
        return bool(self._judge.alone(one.key, request.claim, (place,))[0])

    def _in_order(
        self, one: Variable, request: ClaimRequest, current: Sequence[Candidate]
    ) -> list[int]:
        """
        Return the further candidates of *one*, the best first.

        Free lines, near names, another place on the same bus, a bus that the image is known to
        switch on, cheap lines.
        """
        buses = {candidate.bus for candidate in current if candidate.bus is not None}
        wired = "" if request.wiring is None else str(request.wiring.line or "")
        options = getattr(getattr(request.claim, "lines", None), "options", ())
        named = [wired] if wired else list(options)
        unknown = [name for name in named if self._view.find_line(name) is None]
        near = [line for name in unknown for line in self._view.near_lines(name)]

        def rank(place: int) -> tuple[object, ...]:
            candidate = one.candidates[place]
            lines = {signal.line for signal in candidate.signals}
            close = candidate.resource in near
            return (
                bool(lines & self._used),
                near.index(candidate.resource) if close else len(near),
                bool(buses) and candidate.bus not in buses,
                self._strange(candidate, request),
                candidate.option,
                candidate.cost,
                place,
            )

        return sorted(one.extra, key=rank)

    def _strange(self, candidate: Candidate, request: ClaimRequest) -> bool:
        """Whether no setting of the image is known that brings *candidate* to its lines."""
        lines = {signal.line for signal in candidate.signals}
        return self._view.problem.boot is not None and not all(
            any(not way.lines or lines <= set(way.lines) for way in self._view.ways.get(need, ()))
            for need in boot_needs(request.section, candidate)
        )

    def _variants(self, conflict: Conflict, keys: Sequence[ClaimKeyPair]) -> Iterable[str]:
        """Yield the variants, besides the one that the robot file names, that fit."""
        every = [key for key in self._conflicts.members if key in set(keys) or self._new(key)]
        for index, one in enumerate(self._variables):
            if not one.choice or one.instance not in {name for name, _ in conflict.claims}:
                continue
            for place in sorted(one.extra):
                alive = self._own & ~self._space.masks[index]
                alive |= 1 << (self._space.offsets[index] + place)
                if self._fits(every, alive):
                    yield f"variant: {{{one.instance}: {one.candidates[place].resource}}}"
                    break

    def _new(self, key: ClaimKeyPair) -> bool:
        """Whether *key* is a claim of variants only that the robot file's choice rules out."""
        choice = self._allowed.get(key[0])
        if choice is None:
            return False
        ruled = {choice.candidates[place].resource for place in choice.extra}
        variables = [self._variables[index] for index in self._conflicts.members[key]]
        return all(
            one.request is not None
            and one.request.variant is not None
            and one.request.variant in ruled
            for one in variables
        )

    def _disable(self, conflict: Conflict, keys: Sequence[ClaimKeyPair]) -> Iterable[str]:
        names = sorted({name for name, _ in conflict.claims if name in self._instances})
        for name in names:
            if self._fits([key for key in keys if key[0] != name], self._own):
                yield f"robokit-plan disable {name}"


def _movable(conflict: Conflict) -> Sequence[ClaimKeyPair]:
    """Return the claims that are tried elsewhere, that without which the plan goes on first."""
    order = sorted(conflict.claims, key=lambda key: (key != conflict.dropped, key))
    return order[:_MEMBERS]


def soldered(request: ClaimRequest) -> bool:
    """Whether an add-on board puts the claim at its position: no wire can move it."""
    return request.wiring is None and bool(getattr(request.claim, "positions", ()))


def keeps_to_list(request: ClaimRequest, one: Candidate, view: BoardView) -> bool:
    """
    Return whether the claim's own list has *one*; true where it takes any or names one place.

    A list says where a plugin can be; a single place only where it usually is.
    """
    claim = request.claim
    match claim:
        case SignalClaim(controller=None) | OneWireClaim():
            lines = {view.find_line(name) for name in claim.lines.options}
            listed, place = claim.lines, view.find_line(one.resource) in lines
            if one.port is not None:
                return True
        case SignalClaim():
            listed = claim.pins
            controller = view.problem.controllers.get(one.controller or ControllerName(""))
            chip = None if controller is None else view.problem.chip_of(controller)
            place = one.pin in {
                pin if chip is None else chip.own_name(pin) for pin in claim.pins.options
            }
        case I2cClaim() | SpiClaim():
            listed, place = claim.bus, one.bus in claim.bus.options
        case UartClaim():
            listed, place = claim.port, one.bus in claim.port.options
        case CameraClaim():
            listed, place = claim.connector, one.via in claim.connector.options
        case AudioClaim():
            listed, place = claim.via, one.via in claim.via.options
        case _:
            return True
    return listed.any or len(listed.options) < 2 or place


def wiring_entry(
    request: ClaimRequest, one: Candidate, current: Sequence[Candidate], view: BoardView
) -> str | None:
    """Return what to write for *request* under `wiring` to get *one*; None: nothing else."""
    if any(
        one.resource == other.resource and one.route == other.route and one.port == other.port
        for other in current
    ):
        return None
    match request.claim:
        case SignalClaim(controller=None) | OneWireClaim():
            return f"{{port: {one.port}}}" if one.port is not None else one.resource
        case SignalClaim():
            return f"{{pin: {one.pin}}}"
        case I2cClaim():
            same_bus = any(other.bus == one.bus and other.route == one.route for other in current)
            same_address = any(other.address == one.address for other in current)
            parts = []
            if one.port is not None:
                parts.append(f"port: {one.port}")
            elif not same_bus:
                parts.append(f"bus: {_bus(one, 'i2c', view)}")
            if not same_address and one.address is not None:
                parts.append(f"address: {address_text(one.address)}")
            return f"{{{', '.join(parts)}}}" if parts else None
        case SpiClaim():
            same_bus = any(other.bus == one.bus and other.route == one.route for other in current)
            parts = [] if same_bus else [f"bus: {_bus(one, 'spi', view)}"]
            parts.append(f"select: {one.select}")
            return f"{{{', '.join(parts)}}}"
        case BlockClaim(controller=None):
            return f"{{bus: {one.bus}}}"
        case UartClaim():
            return f"{{port: {one.port or _bus(one, 'uart', view)}}}"
        case CameraClaim():
            return f"{{connector: {one.via}}}"
        case AudioClaim():
            return f"{{via: {one.via}}}"
        case _:
            return None


def _bus(one: Candidate, kind: str, view: BoardView) -> str:
    """Return the bus, with its route where the name alone would mean another one."""
    outlets = [outlet for outlet in view.outlets.get(kind, ()) if outlet.bus == one.bus]
    plain = [outlet for outlet in outlets if outlet.complete]
    if len(plain) > 1 and plain[0].route != one.route and one.route is not None:
        return f"{one.bus} {one.route}"
    return str(one.bus)

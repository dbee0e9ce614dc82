"""Findings about claims that cannot go together, worded by cause."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import combinations

from robokit_plan.hardware.problem import ClaimKeyPair
from robokit_plan.model import (
    Finding,
    LineName,
    PinId,
    Place,
    Severity,
    SignalClaim,
    dataclass,
    few,
    finding,
    listed,
)

from ._board_view import BoardView, Rejection
from ._conflicts import Conflict
from ._resources import Candidate, Kind, Resource
from ._variables import Variable

RULE_OF: Mapping[Kind, str] = {
    Kind.USB: "usb-collision",
    Kind.CAMERA: "camera-collision",
    Kind.AUDIO: "audio-collision",
    Kind.PORT: "port-full",
    Kind.UART: "uart-collision",
    Kind.ADDRESS: "address-collision",
    Kind.SELECT: "select-collision",
    Kind.BUS: "bus-collision",
    Kind.I2S: "bus-collision",
    Kind.LINE: "pin-collision",
    Kind.POSITION: "pin-collision",
    Kind.PIN: "pin-collision",
    Kind.CHANNEL: "channel-collision",
    Kind.CLOCK: "channel-collision",
    Kind.BLOCK: "channel-collision",
    Kind.PERIOD: "channel-collision",
    Kind.SHARE: "share-collision",
    Kind.MUX: "bus-collision",
    Kind.VARIANT: "assignment-impossible",
}

# Where more claims than two compete for one kind of thing, these say so by their own rule.
_COUNTED = frozenset({Kind.USB, Kind.CAMERA, Kind.PORT, Kind.ADDRESS, Kind.SELECT})

# Rejections that name the cause best, first.
_TELLING = (
    "part-unknown",
    "address-missing",
    "address-reserved",
    "strap-missing",
    "controller-missing",
    "chip-unknown",
    "pin-reserved",
    "line-missing",
    "position-missing",
    "line-unusable",
    "bus-missing",
    "camera-missing",
    "audio-missing",
    "port-missing",
    "stock-claim",
    "address-collision",
    "uart-collision",
    "pin-collision",
    "port-line",
    "function-missing",
)

Repairs = Mapping[Conflict, tuple[str, ...]]


def findings_of(
    conflicts: Sequence[Conflict],
    repairs: Repairs,
    variables: Sequence[Variable],
    view: BoardView,
) -> tuple[Finding, ...]:
    """Return one finding per contested thing; claims that contest the same one come together."""
    by_key: dict[ClaimKeyPair, list[Variable]] = {}
    for one in variables:
        if not one.choice:
            by_key.setdefault(one.key, []).append(one)
    groups: list[_Group] = []
    alone: list[Finding] = []
    for conflict in conflicts:
        if len(conflict.claims) == 1:
            found = _unplaceable_finding(
                by_key[conflict.claims[0]], repairs.get(conflict, ()), view
            )
            if found is not None:
                alone.append(found)
                continue
        contested = contested_by([by_key[key] for key in conflict.claims])
        pair = len(conflict.claims) == 2 and contested is not None
        for group in groups:
            if group.takes(conflict, contested, pair=pair):
                group.conflicts.append(conflict)
                break
        else:
            groups.append(_Group(contested, pair, [conflict]))
    return (
        *alone,
        *(
            _collision_finding(
                group,
                by_key,
                tuple(
                    dict.fromkeys(text for one in group.conflicts for text in repairs.get(one, ()))
                )
                if len(group.conflicts) == 1 or group.pair
                else (),
                view,
            )
            for group in groups
        ),
    )


@dataclass(slots=True)
class _Group:
    """Conflicts that make one finding: several pairs over one thing, or crowds that overlap."""

    contested: Resource | None
    pair: bool
    conflicts: list[Conflict]

    def takes(self, conflict: Conflict, contested: Resource | None, *, pair: bool) -> bool:
        """Whether *conflict* says nothing that the group does not."""
        if pair != self.pair:
            return False
        if pair:
            return contested == self.contested
        ours = {key for one in self.conflicts for key in one.claims}
        kind = None if contested is None else contested.kind
        our_kind = None if self.contested is None else self.contested.kind
        return kind is our_kind and not ours.isdisjoint(conflict.claims)


def contested_by(claims: Sequence[Sequence[Variable]]) -> Resource | None:
    """
    Return the one thing over which all candidates of two claims clash; None: there is no one.

    For more claims the kind decides: a thing is returned where all pairs clash over one kind of
    those that are counted, or over an address once the bus is settled.
    """
    ways = [_active(variables) for variables in claims]
    if len(ways) > 2 and sum(map(len, ways)) > _MANY:
        return None
    clashes = [
        found
        for first, second in combinations(range(len(ways)), 2)
        for one in ways[first]
        for two in ways[second]
        if (found := clash(one, two))
        and all(
            any(not clash(one, other) and not clash(two, other) for other in ways[third])
            for third in range(len(ways))
            if third not in {first, second}
        )
    ]
    if not clashes:
        return None
    if len(claims) == 2:
        shared = set.intersection(*clashes)
        return min(shared) if shared else None
    kinds = set.intersection(*({one.kind for one in found} for found in clashes))
    every = {one.kind for found in clashes for one in found}
    counted = min((kind for kind in kinds if kind in _COUNTED), default=None)
    if counted is None and Kind.ADDRESS in every and every <= _BUS_KINDS:
        counted = Kind.ADDRESS
    if counted is None:
        return None
    return min(one for found in clashes for one in found if one.kind is counted)


_MANY = 150
"""Candidates up to which the one contested thing is looked for among more than two claims."""

_BUS_KINDS = frozenset({Kind.ADDRESS, Kind.MUX, Kind.BUS})


def clash(one: Candidate, two: Candidate) -> set[Resource]:
    """Return the things over which two candidates cannot agree."""
    held = {use.resource: use.keys for use in one.uses}
    return {
        use.resource
        for use in two.uses
        if use.resource in held and use.keys.isdisjoint(held[use.resource])
    }


def _active(variables: Iterable[Variable]) -> list[Candidate]:
    return [one for variable in variables for one in variable.candidates if one.active]


def _unplaceable_finding(
    variables: Sequence[Variable], repairs: tuple[str, ...], view: BoardView
) -> Finding | None:
    """Return the finding about a claim that fits nowhere even alone."""
    # Variants in the order of preference: the first is what the builder most likely means.
    told = [variable for variable in variables if variable.rejections]
    if not told:
        return None
    rejections = told[0].rejections
    first = min(
        rejections,
        key=lambda one: _TELLING.index(one.rule) if one.rule in _TELLING else len(_TELLING),
    )
    same = [one for one in rejections if one.rule == first.rule]
    variable = variables[0]
    places = [variable.place]
    places.extend(
        Place(origin=one.origin, label=one.label) for one in same if one.origin is not None
    )
    request = variable.request
    rule = "pin-collision" if first.rule == "port-line" else first.rule
    message = first.message
    open_choice = (
        len(same) > 3
        and request is not None
        and isinstance(request.claim, SignalClaim)
        and request.claim.lines.any
        and request.wiring is None
    )
    if open_choice and request is not None:
        message = f"no line of {view.board.id} is left for {request.text} as {request.role}"
    why = [one.why for one in same if one.why]
    others = [one.message for one in same if one is not first and one.message != first.message]
    others += [
        f"built up as {variable.request.variant}: {variable.rejections[0].message}"
        for variable in told[1:]
        if variable.request is not None
    ]
    return finding(
        rule,
        Severity.ERROR,
        message,
        places=places,
        why=tuple(dict.fromkeys((*why[:1], *others[:3]))) if not open_choice else why[:1],
        repair=_repairs(repairs, same),
        plugins=[] if variable.link else [variable.instance],
        resource=first.resource,
    )


def _repairs(tried: tuple[str, ...], rejections: Sequence[Rejection]) -> tuple[str, ...]:
    """Return what was tried, and what no search can try: switching something else off."""
    moved = any(text.startswith("wiring:") for text in tried)
    said = [
        text
        for one in rejections[:3]
        for text in one.repair
        # Lines of a similar name were tried: where none is among those, none of them can serve.
        if not ((moved or one.rule == "line-missing") and text.startswith("wiring:"))
    ]
    # Leaving a plugin out is the last resort.
    off = [text for text in tried if text.startswith("robokit-plan disable")]
    return tuple(dict.fromkeys((*(text for text in tried if text not in off), *said, *off)))


def _collision_finding(
    group: _Group,
    by_key: Mapping[ClaimKeyPair, Sequence[Variable]],
    repairs: tuple[str, ...],
    view: BoardView,
) -> Finding:
    contested = group.contested
    keys = sorted({key for conflict in group.conflicts for key in conflict.claims})
    claims = [by_key[key] for key in keys]
    firsts = [variables[0] for variables in claims]
    rule = "assignment-impossible" if contested is None else RULE_OF[contested.kind]
    if (
        contested is not None
        and contested.kind is Kind.LINE
        and all(_by_position(one) for one in firsts)
    ):
        rule = "position-collision"
    message, why = _words(contested, claims, view)
    if contested is not None and (taking := _settings(claims, contested)):
        rule = "boot-line-collision"
        message, why = _setting_words(contested, claims, taking, view)
    elif contested is None:
        why = (*_settings_besides(claims), *why)
    if not group.pair and len(group.conflicts) > 1:
        over = len({one.dropped for one in group.conflicts})
        why = (*why[:-1], f"{len(keys) - over} of these {len(keys)} claims fit at once")
        links = {one.instance for one in firsts if one.link}
        # All others fit: without the claims that were left out nothing is in the way.
        extra = sorted({name for name, _ in {one.dropped for one in group.conflicts}} - links)
        if extra:
            repairs = (*repairs, f"robokit-plan disable {' '.join(extra)}")
    return finding(
        rule,
        Severity.ERROR,
        message,
        places=[one.place for one in firsts],
        why=why,
        repair=repairs,
        plugins=[one.instance for one in firsts if not one.link],
        resource=None if contested is None else contested.text,
    )


def _by_position(variable: Variable) -> bool:
    request = variable.request
    if request is None:
        return False
    if request.wiring is not None:
        return request.wiring.position is not None
    return bool(getattr(request.claim, "positions", ()))


def _times(count: int) -> str:
    return "twice" if count == 2 else f"{_NUMBERS.get(count, str(count))} times"


_NUMBERS = {3: "three", 4: "four", 5: "five", 6: "six", 7: "seven", 8: "eight", 9: "nine"}


_CLAIMED: Mapping[Kind, tuple[str, str]] = {
    Kind.PIN: (
        "pin {one.part} of {one.name} is claimed {times}",
        "one pin carries one function at a time",
    ),
    Kind.SELECT: (
        "chip select {one.part} of {one.name} is claimed {times}",
        "each chip select serves one device",
    ),
    Kind.UART: (
        "{one.name} is claimed {times}",
        "a serial port connects two ends, not three",
    ),
    Kind.I2S: (
        "the digital audio controller {one.name} is claimed {times}",
        "it has one stream and one clock; a microphone and an amplifier together need one plugin, "
        "or a share, for both",
    ),
    Kind.CLOCK: (
        "{one.name} is claimed {times}",
        "all outlets of one clock share its frequency",
    ),
    Kind.BLOCK: (
        "the PWM block {one.name} is claimed {times}",
        "who feeds a PWM block by DMA or with sound drives its one clock and queue, so its other "
        "channel is lost for others",
    ),
    Kind.PERIOD: (
        "{one.name} is asked for {count} periods",
        "its outputs share one period register, so they run at one frequency",
    ),
    Kind.CAMERA: (
        "camera {one.name} is claimed {times}",
        "one process at a time can hold a camera",
    ),
    Kind.USB: (
        "the USB device {one.name} is claimed {times}",
        "one program at a time can open it; devices of one id are told apart by serial",
    ),
    Kind.AUDIO: (
        "the sound path {one.name} is claimed {times}",
        "one program at a time can open it, unless a sound server mixes",
    ),
    Kind.SHARE: (
        "share {one.name} is used for different things",
        "users of a share own one resource and do the same with it",
    ),
}
"""Message and reason where these say all; `one`: what is contested."""


def _words(
    contested: Resource | None, claims: Sequence[Sequence[Variable]], view: BoardView
) -> tuple[str, tuple[str, ...]]:
    """Return message and reason."""
    count, times = len(claims), _times(len(claims))
    texts = [_name(variables[0]) for variables in claims]
    if contested is None:
        return _no_way(claims, texts)
    match contested.kind:
        case Kind.LINE:
            return _line_words(LineName(contested.name), claims, times, view)
        case Kind.POSITION:
            lines = listed(view.pins[_position(contested)].lines)
            message = f"header position {contested.name} is driven {times}"
            why = f"{lines} are wired to it; two outputs would short each other"
        case Kind.ADDRESS:
            message = f"{contested.part} on {contested.name} is claimed {times}"
            why = (
                "two devices that answer one address disturb each other's every word"
                if count == 2
                else "there are fewer addresses than devices"
            )
        case Kind.BUS:
            return _bus_words(contested, claims)
        case Kind.CHANNEL:
            message = f"{contested.text} is claimed {times}"
            outlets = _outlet_lines(contested, claims)
            why = (
                f"{listed(outlets)} are outlets of one channel: both always carry the same waveform"
                if len(outlets) > 1
                else "a channel makes one waveform"
            )
        case Kind.PORT:
            return _port_words(claims, count)
        case Kind.MUX:
            message = f"{listed(texts)} are on different buses"
            why = f"a device behind {contested.name} is on the bus of that multiplexer"
        case Kind.VARIANT:
            return _no_way(claims, texts)
        case kind:
            form, why = _CLAIMED[kind]
            message = form.format(one=contested, times=times, count=count)
    return message, (why,)


def _name(variable: Variable) -> str:
    return variable.request.text if variable.request is not None else variable.place.label


def _position(contested: Resource) -> PinId:
    return PinId(contested.name)


def _line_words(
    line: LineName, claims: Sequence[Sequence[Variable]], times: str, view: BoardView
) -> tuple[str, tuple[str, ...]]:
    lines = _contested_lines(claims)
    position = view.board.pin_of(line)
    why = f"one pin carries one function at a time (header position {position})"
    if len(lines) > 1:
        where = ", ".join(f"{one} (position {view.board.pin_of(one)})" for one in lines)
        return (
            f"{listed(lines)} are claimed {times}",
            (f"one pin carries one function at a time: {where}",),
        )
    return f"{line} is claimed {times}", (why,)


def _settings(
    claims: Sequence[Sequence[Variable]], contested: Resource
) -> Mapping[int, Sequence[Candidate]]:
    """Return, per place in *claims*, the candidates whose settings alone take *contested*."""
    if contested.kind is not Kind.LINE:
        return {}
    found: dict[int, Sequence[Candidate]] = {}
    for place, variables in enumerate(claims):
        users = [
            one for one in _active(variables) if any(use.resource == contested for use in one.uses)
        ]
        if users and all(contested.name in one.besides for one in users):
            found[place] = users
    return found


def _setting_words(
    contested: Resource,
    claims: Sequence[Sequence[Variable]],
    taking: Mapping[int, Sequence[Candidate]],
    view: BoardView,
) -> tuple[str, tuple[str, ...]]:
    """Return message and reason where a boot setting takes the line that another claim wants."""
    settings = dict.fromkeys(one.setting for users in taking.values() for one in users)
    others = [_name(one[0]) for place, one in enumerate(claims) if place not in taking]
    message = f"{listed(settings, 'or')} takes {view.at(LineName(contested.name))}"
    if others:
        message += f", which {listed(others)} {'wants' if len(others) == 1 else 'want'}"
    why = []
    for place, users in taking.items():
        own = {signal.line for signal in users[0].signals}
        lines = ", ".join(line.name for line in view.lines if line.name in own)
        why.append(
            f"{_name(claims[place][0])} needs {lines}; no known setting that covers these takes "
            "less"
        )
    return message, tuple(why)


def _settings_besides(claims: Sequence[Sequence[Variable]]) -> tuple[str, ...]:
    """Return what settings take besides, where a claim has no other way."""
    found = []
    for variables in claims:
        ways = _active(variables)
        if ways and all(one.besides for one in ways):
            texts = dict.fromkeys(f"{one.setting} takes {', '.join(one.besides)}" for one in ways)
            if len(texts) == 1:
                found.append(f"for {_name(variables[0])}, {next(iter(texts))} too")
    return tuple(dict.fromkeys(found))


def _contested_lines(claims: Sequence[Sequence[Variable]]) -> list[LineName]:
    """Return the lines over which every pair of candidates of two claims clashes."""
    if len(claims) != 2:
        return []
    shared: set[Resource] | None = None
    for one in _active(claims[0]):
        for two in _active(claims[1]):
            found = {each for each in clash(one, two) if each.kind is Kind.LINE}
            shared = found if shared is None else shared & found
    return sorted(LineName(each.name) for each in shared or ())


def _bus_words(
    contested: Resource, claims: Sequence[Sequence[Variable]]
) -> tuple[str, tuple[str, ...]]:
    uses = [
        {use.keys for one in _active(variables) for use in one.uses if use.resource == contested}
        for variables in claims
    ]
    if any(frozenset() in keys for keys in uses):
        return (
            f"{contested.name} is needed alone",
            (
                "a string of LEDs on the data line of a bus is deaf to clock and chip select, so "
                "nothing else can be on it",
            ),
        )
    outlets = sorted({key for keys in uses for each in keys for key in each if " on " in key})
    where = listed(one.split(" on ")[1] for one in outlets)
    return (
        f"{contested.name} is wanted at {len(outlets)} places of the header",
        (f"a controller comes out at one place at a time: {where}",),
    )


def _outlet_lines(contested: Resource, claims: Sequence[Sequence[Variable]]) -> list[str]:
    return sorted(
        {
            one.signals[0].line
            for variables in claims
            for one in _active(variables)
            if one.signals and any(use.resource == contested for use in one.uses)
        }
    )


def _port_words(claims: Sequence[Sequence[Variable]], count: int) -> tuple[str, tuple[str, ...]]:
    ports = sorted(
        {one.port for variables in claims for one in _active(variables) if one.port is not None}
    )
    if len(ports) == 1:
        return (
            f"port {ports[0]} is full",
            (f"{count} claims want it; a connector takes one plug unless `count` says more",),
        )
    return (
        f"{count} claims want one of the ports {', '.join(ports)}",
        ("a connector takes one plug unless `count` says more",),
    )


def _no_way(
    claims: Sequence[Sequence[Variable]], texts: Sequence[str]
) -> tuple[str, tuple[str, ...]]:
    users: dict[Resource, list[set[frozenset[str]]]] = {}
    for variables in claims:
        own: dict[Resource, set[frozenset[str]]] = {}
        for one in _active(variables):
            for use in one.uses:
                own.setdefault(use.resource, set()).add(use.keys)
        for resource, keys in own.items():
            users.setdefault(resource, []).append(keys)
    kinds: dict[Kind, set[str]] = {}
    for resource, groups in users.items():
        if any(
            mine.isdisjoint(other)
            for first, second in combinations(groups, 2)
            for mine in first
            for other in second
        ):
            kinds.setdefault(resource.kind, set()).add(resource.text)
    named = [
        f"{_PLURAL[kind]} that they compete for: {few(sorted(found), 5)}"
        for kind, found in sorted(kinds.items())
        if kind in _PLURAL
    ]
    who = ", ".join(texts) if len(texts) < 8 else f"{len(texts)} claims"
    return (
        f"{who} do not fit together",
        (*named[:3], "each smaller set of them fits"),
    )


_PLURAL = {
    Kind.LINE: "lines",
    Kind.CHANNEL: "PWM channels",
    Kind.BUS: "buses",
    Kind.UART: "serial ports",
    Kind.ADDRESS: "addresses",
    Kind.SELECT: "chip selects",
    Kind.BLOCK: "PWM blocks",
    Kind.PERIOD: "periods",
    Kind.CLOCK: "clocks",
    Kind.PORT: "ports",
    Kind.I2S: "audio controllers",
    Kind.PIN: "pins",
    Kind.CAMERA: "cameras",
}

"""Every way to satisfy one claim on this board."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from robokit_plan.hardware.boot.options import OUTPUT, boot_needs
from robokit_plan.model import (
    AudioClaim,
    BlockClaim,
    CameraClaim,
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
    UsbClaim,
    VariantName,
    dataclass,
    part_key,
    replace,
)

from ._blocks import analog_candidates, block_candidates
from ._board_view import BoardView, Rejection, Reservation
from ._boot_lines import with_boot_lines
from ._buses import i2c_candidates, i2s_candidates, spi_candidates, uart_candidates
from ._devices import audio_candidates, camera_candidates, pin_candidates, usb_candidates
from ._ports import port_candidates
from ._requests import ClaimRequest
from ._resources import Candidate, Keys, Kind, Resource, Use
from ._signals import one_wire_candidates, signal_candidates


@dataclass(frozen=True, slots=True, eq=False)
class Domain:
    """
    What a claim may become.

    Shape:
        `candidates` best first: by the claim's own order of preference, then by what they spoil.
    """

    candidates: tuple[Candidate, ...]
    rejections: tuple[Rejection, ...] = ()


class Offers:
    """Makes each domain once; claims of one shape share theirs, so sixty plain signals cost one."""

    def __init__(self, view: BoardView, requests: Sequence[ClaimRequest]) -> None:
        """*requests*: all claims, in their order."""
        self.requests = requests
        self.muxes = muxes_of(requests)
        """The claims, as written under `wiring`, that others are behind."""
        self._view = view
        self._known: dict[tuple[object, ...], Domain] = {}

    def domain(self, request: ClaimRequest, *, relaxed: bool = False) -> Domain:
        """Return the domain of *request*; *relaxed*: as if no list and no wiring fixed a place."""
        alone = self._unshared(request, relaxed)
        share = request.claim.key.share
        if share is None:
            return alone
        key = (alone, share, request.role)
        if key not in self._known:
            candidates = tuple(_shared(one, share, request.role) for one in alone.candidates)
            self._known[key] = Domain(candidates, alone.rejections)
        return self._known[key]

    def _unshared(self, request: ClaimRequest, relaxed: bool) -> Domain:
        own = (request.key, request.variant, relaxed)
        shape = _shape(request, relaxed, self.muxes) or own
        known = self._known.get(shape) or self._known.get(own)
        if known is not None:
            return known
        found: list[Candidate] = []
        rejected: list[Rejection] = []
        for one in self._raw(request, relaxed):
            if isinstance(one, Rejection):
                rejected.append(one)
                continue
            needs = (*boot_needs(request.section, one), *_serving(request))
            driven = _driving_pads(one, request.section, self._view)
            for way in with_boot_lines(driven, request.section, self._view):
                held = self._view.holder(way.uses, needs)
                if held is None:
                    found.append(way)
                else:
                    rejected.append(_taken(held, way, self._view))
        found.sort(key=lambda one: (one.option, one.cost))
        domain = Domain(tuple(found), tuple(rejected))
        # A rejection may speak of the claim itself.
        alike = not any(request.text in str(one) for one in rejected)
        self._known[shape if alike else own] = domain
        return domain

    def _raw(self, request: ClaimRequest, relaxed: bool) -> Iterable[Candidate | Rejection]:
        view = self._view
        match request.claim:
            case SignalClaim(controller=controller) as claim if controller is not None:
                return pin_candidates(request, claim, view, relaxed)
            case SignalClaim(function=Function.ANALOG) as claim:
                return analog_candidates(request, claim, view, relaxed)
            case SignalClaim() as claim:
                return signal_candidates(request, claim, view, relaxed)
            case I2cClaim() as claim:
                return i2c_candidates(request, claim, view, relaxed, request.text in self.muxes)
            case SpiClaim() as claim:
                return spi_candidates(request, claim, view, relaxed)
            case UartClaim() as claim:
                return uart_candidates(request, claim, view, relaxed)
            case BlockClaim() as claim:
                return block_candidates(request, claim, view, relaxed)
            case I2sClaim() as claim:
                return i2s_candidates(claim, view)
            case OneWireClaim() as claim:
                return one_wire_candidates(request, claim, view, relaxed)
            case CameraClaim() as claim:
                return camera_candidates(request, claim, view, relaxed)
            case UsbClaim() as claim:
                return usb_candidates(claim)
            case AudioClaim() as claim:
                return audio_candidates(request, claim, view, relaxed)
            case PortClaim() as claim:
                return port_candidates(request, claim, view)


_READ = frozenset({Function.INPUT, Function.IR_IN, Function.ANALOG})


def _serving(request: ClaimRequest) -> tuple[str, ...]:
    """
    Return what a setting of the boot file may be there for: a driven line, the very part.

    An output is driven anyway; an overlay that brings a part is how its plugin gets it.
    """
    claim = request.claim
    match claim:
        case SignalClaim() if claim.function not in _READ:
            return (OUTPUT,)
        case I2cClaim() | SpiClaim() if claim.part is not None:
            return (f"part {part_key(claim.part)}",)
        case _:
            return ()


def _driving_pads(one: Candidate, section: str, view: BoardView) -> Candidate:
    """Return *one* with the positions that its bus drives, where two pads meet on one."""
    if section in {"signals", "one-wire"} or not view.doubled:
        return one
    lines = view.board.lines
    more = tuple(
        Use(Resource(Kind.POSITION, lines[each.line].pin), frozenset({each.line}))
        for each in one.signals
        if each.line in lines and lines[each.line].pin in view.doubled
    )
    return replace(one, uses=(*one.uses, *more)) if more else one


def muxes_of(requests: Iterable[ClaimRequest]) -> frozenset[str]:
    """Return the multiplexers that claims of *requests* are behind, as written under `wiring`."""
    names = set()
    for request in requests:
        if isinstance(request.claim, I2cClaim) and request.claim.behind is not None:
            mux = request.claim.behind.claim
            names.add(mux if "." in mux else f"{request.instance}.{mux}")
    return frozenset(names)


def in_variant(
    domain: Domain, instance: InstanceName, variant: VariantName, others: Keys
) -> tuple[Candidate, ...]:
    """
    Return *domain* bound to *variant*, with the way of not making the claim in the others.

    The instance's own choice of a variant uses the same resource, so the keys meet only where
    all agree.
    """
    resource = Resource(Kind.VARIANT, instance)
    bound = Use(resource, frozenset({variant}))
    found = tuple(replace(one, uses=(*one.uses, bound)) for one in domain.candidates)
    if not others:
        return found
    return (*found, Candidate(uses=(Use(resource, others),), resource="", active=False))


def _shape(
    request: ClaimRequest, relaxed: bool, muxes: frozenset[str]
) -> tuple[object, ...] | None:
    """Return what the domain depends on where many claims are alike; None: nothing to share."""
    if request.wiring is not None and not relaxed:
        return None
    match request.claim:
        case SignalClaim(controller=None, port_kind=None) as claim:
            own = claim.function.value in {"pwm", "clock", "led-string", "servo"}
            return (
                "signal",
                relaxed,
                request.instance if own else "",
                claim.function,
                None if relaxed else claim.lines,
                None if relaxed else claim.positions,
                claim.pull,
                claim.active,
                claim.hazard,
                claim.drives,
                claim.backend,
                claim.frequency,
                claim.volts,
                claim.shifter,
                claim.divider_ohm,
            )
        case I2cClaim(behind=None, port_kind=None) as claim if request.text not in muxes:
            return (
                "i2c",
                relaxed,
                claim.part,
                claim.addresses,
                claim.bus,
                claim.positions,
                claim.volts,
            )
        case _:
            return None


def _shared(one: Candidate, share: str, role: str) -> Candidate:
    """Return *one* owned together with all that name the same share and do the same."""
    key = f"share {share} as {role}"
    place = f"{one.resource} {one.channel or ''} as {role}"
    return replace(
        one,
        uses=(
            *(Use(use.resource, use.keys | {key}) for use in one.uses),
            Use(Resource(Kind.SHARE, share), frozenset({place})),
        ),
    )


def _taken(held: tuple[Resource, Reservation], one: Candidate, view: BoardView) -> Rejection:
    resource, taken = held
    line = LineName(resource.name) if resource.kind is Kind.LINE else None
    where = resource.text if line is None else view.at(line)
    besides = line is not None and line in one.besides
    return Rejection(
        rule="boot-line-collision" if besides else taken.rule,
        message=f"{one.setting} takes {resource.text}, which {taken.by} holds"
        if besides
        else f"{resource.text} is taken by {taken.by}",
        why=f"{where} is in use before any plugin starts",
        resource=resource.text,
        origin=taken.origin,
        label=taken.by,
        repair=taken.repair,
    )

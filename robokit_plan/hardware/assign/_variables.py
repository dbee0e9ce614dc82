"""All choices of one problem, laid out for the search."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from robokit_plan.hardware.boot.options import boot_needs
from robokit_plan.hardware.problem import ClaimKeyPair, HardwareInstance, HardwareProblem
from robokit_plan.model import (
    BusName,
    ClaimName,
    Controller,
    ControllerName,
    InstanceName,
    Place,
    SignalClaim,
    VariantName,
    dataclass,
)

from ._board_view import BoardView, Rejection, address_text
from ._boot_lines import with_boot_lines
from ._buses import i2c_device, outlet_key
from ._candidates import Domain, Offers, in_variant
from ._requests import ClaimRequest, claim_requests
from ._resources import Candidate, Kind, Resource, Signal, Use


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Variable:
    """
    One choice: how a claim is satisfied, which variant an instance takes, how a controller links.

    `key`: what is dropped together where not all fits; the same claim of several variants is
    one. `request` None for the other two kinds. `place`: the claimant for a finding.
    """

    key: ClaimKeyPair
    instance: InstanceName
    candidates: tuple[Candidate, ...]
    rejections: tuple[Rejection, ...] = ()
    request: ClaimRequest | None = None
    place: Place
    choice: bool = False
    link: bool = False
    extra: frozenset[int] = frozenset()
    """Indices of candidates that only a repair may use."""

    @property
    def optional(self) -> bool:
        """Whether the claim may be left out."""
        return self.request is not None and self.request.claim.key.optional


def variables_of(
    problem: HardwareProblem,
    view: BoardView,
    offers: Offers,
    relaxed: frozenset[ClaimKeyPair] = frozenset(),
) -> tuple[Variable, ...]:
    """
    Return every choice: variants first, then links of controllers, then claims, each sorted.

    *offers*: those of `offers_of`; what it made before is not made again.

    *relaxed*: these claims get further candidates behind their own, as if nothing fixed their
    place, and their instances all variants; repairs try those.
    """
    instances = {one.name: one for one in problem.instances}
    free = frozenset(instance for instance, _ in relaxed)
    allowed = {
        one.name: allowed_variants(one, problem, free=one.name in free)
        for one in problem.instances
        if one.variants
    }
    requests = offers.requests
    found = [
        _choice(instances[name], allowed[name], allowed_variants(instances[name], problem))
        for name in sorted(allowed)
    ]
    found.extend(
        _link(name, controller, view)
        for name, controller in sorted(problem.controllers.items())
        if controller.link not in {None, "usb"}
    )
    banned = _banned(requests, view)
    for request in requests:
        if request.variant is not None and request.variant not in allowed[request.instance]:
            continue
        domain = offers.domain(request)
        if request in banned:
            domain = Domain((), (banned[request],))
        candidates: Sequence[Candidate] = domain.candidates
        extra: frozenset[int] = frozenset()
        if request.key in relaxed:
            same = {_place(one) for one in candidates}
            more = tuple(
                one
                for one in offers.domain(request, relaxed=True).candidates
                if _place(one) not in same
            )
            extra = frozenset(range(len(candidates), len(candidates) + len(more)))
            candidates = (*candidates, *more)
        found.append(_variable(request, candidates, domain, allowed, offers.muxes, extra))
    return tuple(found)


def offers_of(problem: HardwareProblem, view: BoardView) -> Offers:
    """Return what makes the domains of *problem*."""
    return Offers(view, claim_requests(problem))


def _place(one: Candidate) -> tuple[object, ...]:
    """Return what a builder would write to get *one*."""
    return (one.resource, one.route, one.port, one.function, one.setting)


def allowed_variants(
    instance: HardwareInstance, problem: HardwareProblem, *, free: bool = False
) -> tuple[VariantName, ...]:
    """Return the variants that may be chosen, the most wanted first."""
    names = tuple(name for name, _ in instance.variants)
    if instance.variant_wish in names and not free:
        return tuple(name for name in names if name == instance.variant_wish)
    left = tuple(name for name in names if (instance.name, name) not in problem.ruled_out)
    return left or names


def _choice(
    instance: HardwareInstance,
    allowed: tuple[VariantName, ...],
    own: tuple[VariantName, ...],
) -> Variable:
    resource = Resource(Kind.VARIANT, instance.name)
    return Variable(
        key=(instance.name, ClaimName("")),
        instance=instance.name,
        candidates=tuple(
            Candidate(uses=(Use(resource, frozenset({name})),), resource=name, option=rank)
            for rank, name in enumerate(allowed)
        ),
        place=Place(origin=instance.origin, label=instance.name),
        choice=True,
        extra=frozenset(rank for rank, name in enumerate(allowed) if name not in own),
    )


def _variable(
    request: ClaimRequest,
    candidates: Sequence[Candidate],
    domain: Domain,
    allowed: Mapping[InstanceName, tuple[VariantName, ...]],
    muxes: frozenset[str],
    extra: frozenset[int],
) -> Variable:
    if request.variant is not None:
        others = frozenset(name for name in allowed[request.instance] if name != request.variant)
        candidates = in_variant(
            Domain(tuple(candidates)), request.instance, request.variant, frozenset(others)
        )
    if request.claim.key.optional:
        # What is behind a multiplexer cannot stay when the multiplexer is left out.
        uses = [Use(Resource(Kind.MUX, request.text))] if request.text in muxes else []
        if request.variant is not None:
            uses.append(Use(Resource(Kind.VARIANT, request.instance), frozenset({request.variant})))
        candidates = (
            *candidates,
            Candidate(uses=tuple(uses), resource="", function="left out", active=False),
        )
    # One object per shape keeps the search's tables small.
    same = tuple(candidates) if candidates is not domain.candidates else domain.candidates
    return Variable(
        key=request.key,
        instance=request.instance,
        candidates=same,
        rejections=domain.rejections,
        request=request,
        place=request.place,
        extra=extra,
    )


def _banned(requests: Sequence[ClaimRequest], view: BoardView) -> Mapping[ClaimRequest, Rejection]:
    """
    Return the claims of variants that the robot file's wiring speaks against.

    Wiring may move a claim anywhere, but where one variant lists the wired line and another
    does not, the line tells which variant is meant.
    """
    found: dict[ClaimRequest, Rejection] = {}
    by_key: dict[ClaimKeyPair, list[ClaimRequest]] = {}
    for request in requests:
        if (
            request.variant is not None
            and request.wiring is not None
            and request.wiring.line is not None
        ):
            by_key.setdefault(request.key, []).append(request)
    for group in by_key.values():
        listing = [request for request in group if _lists(request, view)]
        if not listing:
            continue
        for request in group:
            if request not in listing and request.wiring is not None:
                found[request] = Rejection(
                    rule="line-missing",
                    message=f"variant {request.variant} of {request.instance} does not use "
                    f"{request.wiring.line}",
                    resource=request.wiring.line,
                )
    return found


def _lists(request: ClaimRequest, view: BoardView) -> bool:
    if (
        not isinstance(request.claim, SignalClaim)
        or request.wiring is None
        or request.wiring.line is None
    ):
        return False
    wired = view.find_line(request.wiring.line)
    return any(view.find_line(name) == wired for name in request.claim.lines.options)


def _link(name: ControllerName, controller: Controller, view: BoardView) -> Variable:
    """Return what a companion's link takes on the board."""
    link = controller.link or ""
    candidates = [*_bus_links(name, controller, view), *_spi_links(name, controller, view)]
    holders = [
        (way, view.holder(way.uses, boot_needs("controllers", one)))
        for one in candidates
        for way in with_boot_lines(one, "controllers", view)
    ]
    rejections = tuple(
        Rejection(
            rule=holder[1].rule,
            message=f"{holder[0].text} is taken by {holder[1].by}",
            why=f"{name} is linked by {link}",
            resource=holder[0].text,
        )
        for _, holder in holders
        if holder is not None
    )
    if not candidates:
        rejections = (
            Rejection(
                rule="bus-missing",
                message=f"the header of {view.board.id} has no {link}, the link of {name}",
                why=f"it has {', '.join((*view.buses('uart'), *view.buses('i2c')))}",
                resource=link,
            ),
        )
    return Variable(
        key=(InstanceName(name), ClaimName("link")),
        instance=InstanceName(name),
        candidates=tuple(one for one, holder in holders if holder is None),
        rejections=rejections,
        place=Place(origin=controller.origin, label=f"{name} linked by {link}"),
        link=True,
    )


def _bus_links(
    name: ControllerName, controller: Controller, view: BoardView
) -> Iterator[Candidate]:
    """Yield the UARTs and I2C buses by which the board can talk to *name*."""
    for kind, words in (("uart", ("tx", "rx")), ("i2c", ("sda", "scl"))):
        for outlet in view.outlet(kind, controller.link or ""):
            if not outlet.complete:
                continue
            keys = frozenset({outlet.bus}) if kind == "i2c" else frozenset()
            uses = [
                Use(Resource(Kind.BUS, outlet.bus), frozenset({outlet_key(outlet)})),
                *(Use(Resource(Kind.LINE, outlet.lines[word]), keys) for word in words),
            ]
            resource = outlet.bus
            if kind == "uart":
                uses.append(Use(Resource(Kind.UART, outlet.bus)))
            elif controller.address is not None:
                text = address_text(controller.address)
                uses.append(Use(Resource(Kind.ADDRESS, outlet.bus, text)))
                resource = BusName(f"{outlet.bus} {text}")
            yield Candidate(
                uses=tuple(uses),
                resource=resource,
                signals=tuple(
                    Signal(word, outlet.lines[word], shared=kind == "i2c") for word in words
                ),
                bus=outlet.bus,
                address=controller.address,
                route=outlet.route,
                controller=name,
                device=i2c_device(outlet.bus) if kind == "i2c" else None,
                function=f"link of {name}",
            )


def _spi_links(
    name: ControllerName, controller: Controller, view: BoardView
) -> Iterator[Candidate]:
    """Yield the SPI buses by which the board can talk to *name*; a whole bus is its own."""
    for outlet in view.outlet("spi", controller.link or ""):
        if outlet.complete:
            yield Candidate(
                uses=(Use(Resource(Kind.BUS, outlet.bus), frozenset({outlet_key(outlet)})),),
                resource=outlet.bus,
                signals=tuple(
                    Signal(word, line, shared=True) for word, line in outlet.lines.items()
                ),
                bus=outlet.bus,
                controller=name,
                function=f"link of {name}",
            )

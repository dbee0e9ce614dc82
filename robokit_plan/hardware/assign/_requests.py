"""Claims with what the robot file fixes for them: what the engine has to satisfy."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from robokit_plan.hardware.problem import ClaimKeyPair, HardwareProblem
from robokit_plan.hardware.typed_claim import typed_claim
from robokit_plan.model import (
    SECTION_OF,
    ActuatorClaim,
    AudioClaim,
    BlockClaim,
    CameraClaim,
    Claim,
    ClaimName,
    I2cClaim,
    I2sClaim,
    InstanceName,
    OneWireClaim,
    Origin,
    Place,
    PortClaim,
    PowerClaim,
    SignalClaim,
    SpiClaim,
    UartClaim,
    UsbClaim,
    VariantName,
    Wiring,
    dataclass,
    listed,
)

Assignable = (
    SignalClaim
    | I2cClaim
    | SpiClaim
    | UartClaim
    | BlockClaim
    | I2sClaim
    | OneWireClaim
    | CameraClaim
    | UsbClaim
    | AudioClaim
    | PortClaim
)

_SECTIONS = {name: rank for rank, name in enumerate(SECTION_OF.values())}


@dataclass(frozen=True, slots=True, eq=False)
class ClaimRequest:
    """One claim of one instance, in one variant (None: in all)."""

    instance: InstanceName
    claim: Assignable
    variant: VariantName | None
    wiring: Wiring | None

    @property
    def name(self) -> ClaimName:
        """The claim's name."""
        return self.claim.key.name

    @property
    def key(self) -> ClaimKeyPair:
        """What tells the claim from all others; the same in every variant."""
        return (self.instance, self.claim.key.name)

    @property
    def section(self) -> str:
        """Section of the manifest."""
        return SECTION_OF[type(self.claim)]

    @property
    def text(self) -> str:
        """The claim as it is written under `wiring`."""
        return f"{self.instance}.{self.claim.key.name}"

    def typed(self, keys: str, note: str = "") -> str:
        """Return *keys* of the claim as somebody types them into its manifest."""
        return typed_claim(self.claim, keys, note, variant=self.variant)

    @property
    def role(self) -> str:
        """What the claim is, for a label."""
        match self.claim:
            case SignalClaim(function=function):
                return function.value
            case I2cClaim(part=part) | SpiClaim(part=part) | UartClaim(part=part):
                bus = {"i2c": "I2C", "spi": "SPI", "uart": "UART"}[self.section]
                return f"{bus} device" if part is None else f"{bus} device {part}"
            case BlockClaim(blocks=blocks):
                return listed(blocks, "or")
            case I2sClaim(direction=direction):
                return f"I2S {direction}"
            case OneWireClaim():
                return "1-wire probe"
            case CameraClaim():
                return "camera"
            case UsbClaim(id=device):
                return f"usb {device}"
            case AudioClaim(direction=direction):
                return f"audio {direction}"
            case PortClaim(kind=kind):
                return f"power from a port of kind {kind}"

    @property
    def origin(self) -> Origin:
        """Where the claim got its place: the wiring entry, else the manifest."""
        return self.claim.key.origin if self.wiring is None else self.wiring.origin

    @property
    def place(self) -> Place:
        """The claimant for a finding."""
        return Place(origin=self.origin, label=f"{self.text} as {self.role}")

    @property
    def hazardous(self) -> bool:
        """Whether the claim can hurt somebody."""
        hazard = getattr(self.claim, "hazard", None)
        return hazard is not None and hazard.value != "none"


def claim_requests(problem: HardwareProblem) -> tuple[ClaimRequest, ...]:
    """Return all claims to assign, in an order that does not depend on the files' order."""
    wiring = {(one.instance, one.claim): one for one in problem.wiring}
    requests: list[ClaimRequest] = []
    for instance in problem.instances:
        requests.extend(_of(instance.name, None, instance.claims, wiring))
        for variant, claims in instance.variants:
            requests.extend(_of(instance.name, variant, claims, wiring))
    order = {
        (instance.name, variant): rank
        for instance in problem.instances
        for rank, (variant, _) in enumerate(instance.variants)
    }
    return tuple(
        sorted(
            requests,
            key=lambda request: (
                request.instance,
                _SECTIONS[request.section],
                request.name,
                -1 if request.variant is None else order[request.instance, request.variant],
            ),
        )
    )


def _of(
    instance: InstanceName,
    variant: VariantName | None,
    claims: Iterable[Claim],
    wiring: Mapping[ClaimKeyPair, Wiring],
) -> Iterable[ClaimRequest]:
    for claim in claims:
        if isinstance(claim, PowerClaim | ActuatorClaim):
            continue
        yield ClaimRequest(instance, claim, variant, wiring.get((instance, claim.key.name)))

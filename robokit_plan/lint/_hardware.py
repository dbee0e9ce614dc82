"""Rules about single claims: addresses, levels, hazards."""

from __future__ import annotations

from collections.abc import Iterator

from robokit_plan.model import (
    ActuatorClaim,
    Claim,
    Finding,
    Function,
    Hazard,
    I2cClaim,
    Manifest,
    Origin,
    Place,
    PowerClaim,
    Severity,
    SignalClaim,
    UartClaim,
    current_text,
    finding,
    frequency_text,
    listed,
    volt_text,
)

# Linux, i2c_check_7bit_addr_validity_strict: 0x08 to 0x77 (facts/i2c.yaml, KERNEL_I2C).
FIRST_ADDRESS, LAST_ADDRESS = 0x08, 0x77
HIGHEST_SEVEN_BIT = 0x7F
HIGHEST_EIGHT_BIT = 0xFF

LINE_MV = 3300
"""Level of the header's lines; boards with a lower one are the planner's concern."""

_INPUTS = frozenset({Function.INPUT, Function.IR_IN})
_MOVES_OR_HEATS = frozenset({Hazard.MOTION, Hazard.LASER, Hazard.HEAT, Hazard.MAINS})


def claims(manifest: Manifest) -> Iterator[Claim]:
    """Yield every claim, those of the variants too."""
    for needs in (manifest.base, *(variant.needs for variant in manifest.variants)):
        yield from needs.hardware


def check_addresses(manifest: Manifest) -> Iterator[Finding]:
    """I2C addresses are 7-bit and not among the reserved ones."""
    for claim in claims(manifest):
        if not isinstance(claim, I2cClaim):
            continue
        for address in claim.addresses:
            if FIRST_ADDRESS <= address <= LAST_ADDRESS:
                continue
            half = address >> 1
            slip = address <= HIGHEST_EIGHT_BIT and FIRST_ADDRESS <= half <= LAST_ADDRESS
            yield finding(
                "address-reserved",
                Severity.ERROR,
                f"{claim.key.name} cannot have I2C address 0x{address:02x}",
                places=[claim.key.origin],
                why=why_reserved(address),
                repair=f"address: 0x{half:02x}" if slip else (),
                plugins=[manifest.plugin],
                resource=f"0x{address:02x}",
            )
        repeated = {one for one in claim.addresses if claim.addresses.count(one) > 1}
        for address in sorted(repeated):
            yield finding(
                "listed-twice",
                Severity.NOTE,
                f"0x{address:02x} stands twice among the addresses of {claim.key.name}",
                places=[claim.key.origin],
                why="one of them was perhaps meant to be another",
                repair=f"keep one 0x{address:02x}",
                plugins=[manifest.plugin],
            )


def why_reserved(address: int) -> str:
    """Return why no device can have *address*."""
    if address > HIGHEST_SEVEN_BIT:
        return "7 bits end at 0x7f; data sheets that go further count the read-write bit too"
    why = "0x00 to 0x07 and 0x78 to 0x7f are kept by the I2C specification"
    if address > LAST_ADDRESS:
        return f"{why}; data sheets that count the read-write bit too come this far"
    return why


def check_levels(manifest: Manifest) -> Iterator[Finding]:
    """What drives a line above 3.3 V goes through a shifter or a divider that brings it down."""
    for claim in claims(manifest):
        if isinstance(claim, SignalClaim):
            if claim.function not in _INPUTS or claim.controller is not None:
                continue
        elif not isinstance(claim, UartClaim):
            continue
        if claim.volts <= LINE_MV or claim.shifter:
            continue
        name = claim.key.name
        if claim.divider_ohm is None:
            yield finding(
                "level-too-high",
                Severity.ERROR,
                f"{name} puts {volt_text(claim.volts)} on a line that bears 3.3 V",
                places=[claim.key.origin],
                why="an input above its supply can destroy the board",
                repair=["shifter: true, with a level shifter fitted", _divider(claim.volts)],
                plugins=[manifest.plugin],
            )
            continue
        upper, lower = claim.divider_ohm
        level = claim.volts * lower // (upper + lower)
        if level > LINE_MV:
            yield finding(
                "level-too-high",
                Severity.ERROR,
                f"the divider of {name} leaves {volt_text(level)} on a line that bears 3.3 V",
                places=[claim.key.origin],
                why=f"{volt_text(claim.volts)} x {lower} / ({upper} + {lower})",
                repair=[_divider(claim.volts), "shifter: true, with a level shifter fitted"],
                plugins=[manifest.plugin],
            )


def check_idle_keys(manifest: Manifest) -> Iterator[Finding]:
    """What a signal says is of its kind: a servo has no LEDs, an input no frequency."""
    for claim in claims(manifest):
        if not isinstance(claim, SignalClaim):
            continue
        string = claim.function is Function.LED_STRING
        idle = [
            key
            for key, said in (
                ("leds", claim.leds is not None and not string),
                ("ma-per-led", claim.ma_per_led is not None and not string),
                ("brightness", claim.brightness != _FULL and not string),
                ("dma", claim.dma is not None and not string),
                ("hz", claim.frequency is not None and claim.function in _STILL),
            )
            if said
        ]
        if idle:
            words = listed([f"`{key}`" for key in idle])
            yield finding(
                "key-idle",
                Severity.WARNING,
                f"{words} of {claim.key.name} {'say' if len(idle) > 1 else 'says'} nothing: its "
                f"function is {claim.function.value}",
                places=[claim.key.origin],
                why="it is passed over, and whoever wrote it counted on it",
                repair=[f"remove {key} from {claim.key.name}" for key in idle],
                plugins=[manifest.plugin],
            )


_FULL = 255
_STILL = frozenset(
    {Function.INPUT, Function.OUTPUT, Function.LED_STRING, Function.ANALOG, Function.IR_IN}
)
"""Functions without a frequency of their own."""


def check_ranges(manifest: Manifest) -> Iterator[Finding]:
    """What has two ends has them in order: currents, bands, pulses."""
    for claim in claims(manifest):
        name = claim.key.name
        if isinstance(claim, PowerClaim) and claim.typical is not None:
            highest = max(
                (one for one in (claim.peak, claim.stall) if one is not None), default=None
            )
            if highest is not None and highest < claim.typical:
                yield peak_below_typical(
                    str(name),
                    claim.typical,
                    highest,
                    claim.key.origin,
                    f"hardware: {{power: {{{name}: {{peak-ma: {claim.typical}}}}}}}   in the "
                    f"manifest of {manifest.plugin}, or its true figures",
                    [manifest.plugin],
                )
        radio = getattr(claim, "radio", None)
        if radio is not None and radio.band_khz is not None:
            low, high = radio.band_khz
            if low > high:
                yield finding(
                    "band-reversed",
                    Severity.ERROR,
                    f"the band of {name} begins at {low / 1000:g} and ends at {high / 1000:g} MHz",
                    places=[claim.key.origin],
                    why="no transmitter is within it, and nothing can be said of its power",
                    repair=f"band-mhz: [{high / 1000:g}, {low / 1000:g}]   of {name}",
                    plugins=[manifest.plugin],
                )
        if isinstance(claim, SignalClaim) and claim.function is Function.SERVO:
            hertz = claim.frequency
            if hertz is not None and not _SLOWEST_SERVO <= hertz <= _FASTEST_SERVO:
                yield finding(
                    "pulse-rate-odd",
                    Severity.WARNING,
                    f"{name} is a servo that gets {frequency_text(hertz)}",
                    places=[claim.key.origin],
                    why=f"servos take {_SLOWEST_SERVO} to {_FASTEST_SERVO} pulses a second, most "
                    "of them 50; with more their electronics run hot",
                    repair=[f"hz: 50   of {name}", f"function: pwm   of {name}, where it is none"],
                    plugins=[manifest.plugin],
                )


_SLOWEST_SERVO, _FASTEST_SERVO = 30, 560
"""
Pulses a second: analogue servos take 50, digital ones up to 333, narrow-band ones 560.

Source: common practice, no source
"""


def peak_below_typical(
    name: str, typical: int, peak: int, place: Origin, repair: str, plugins: list[str]
) -> Finding:
    """Return the finding about a load whose highest current is below its usual one."""
    return finding(
        "peak-below-typical",
        Severity.ERROR,
        f"{name} draws {current_text(typical)} as a rule and {current_text(peak)} at most",
        places=[place],
        why="a peak is the most that it draws: supplies, wires and fuses would be planned too weak",
        repair=repair,
        plugins=plugins,
    )


# E12 values (IEC 60063), lower arm of a divider whose upper arm is 10 kilohm.
_E12 = (1000, 1200, 1500, 1800, 2200, 2700, 3300, 3900, 4700, 5600, 6800, 8200)
_LOWER = tuple(sorted((*_E12, *(10 * one for one in _E12))))
_UPPER_OHM = 10_000


def _divider(level: int) -> str:
    fitting = [one for one in _LOWER if level * one // (_UPPER_OHM + one) <= LINE_MV]
    return f"divider-ohm: [{_UPPER_OHM}, {fitting[-1] if fitting else _LOWER[0]}]"


def check_hazards(manifest: Manifest) -> Iterator[Finding]:
    """What can hurt has a safe state, and what moves by a signal is declared as an actuator."""
    actuators = [one for one in claims(manifest) if isinstance(one, ActuatorClaim)]
    for actuator in actuators:
        if actuator.hazard is not Hazard.NONE and not actuator.safe_state:
            yield finding(
                "safe-state-missing",
                Severity.ERROR,
                f"{actuator.key.name} of {manifest.plugin} has hazard {actuator.hazard.value} "
                "and no safe state",
                # Word for word what the plan says, so that a robot's lint says it once.
                places=[
                    Place(
                        origin=actuator.key.origin,
                        label=f"{manifest.plugin} wires {actuator.key.name}",
                    )
                ],
                why="after a crash nobody knows what it does",
                repair=f"hardware: {{actuators: {{{actuator.key.name}: {{safe-state: stopped}}}}}}"
                f"   in the manifest of {manifest.plugin}, or what is safe for it",
                plugins=[manifest.plugin],
                resource=actuator.key.name,
            )
    if actuators:
        return
    taken = {str(one.key.name) for one in claims(manifest)}
    free = manifest.plugin if manifest.plugin not in taken else f"{manifest.plugin}-actuator"
    for claim in claims(manifest):
        hazard = getattr(claim, "hazard", Hazard.NONE)
        if hazard in _MOVES_OR_HEATS:
            yield finding(
                "actuator-undeclared",
                Severity.NOTE,
                f"{claim.key.name} can do harm ({hazard.value}), and no actuator is declared",
                places=[claim.key.origin],
                why="only a declared actuator has a safe state and one commander",
                repair=f"hardware: {{actuators: {{{free}: {{hazard: {hazard.value}, "
                f"safe-state: stopped}}}}}}   in the manifest of {manifest.plugin}",
                plugins=[manifest.plugin],
            )

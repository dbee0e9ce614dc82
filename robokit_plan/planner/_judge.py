"""What the assignment engine asks of what it assigned: all judgements of hardware over it."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence

from robokit_plan.hardware import (
    ClaimKeyPair,
    HardwareInstance,
    HardwareProblem,
    Judge,
    JudgedError,
)
from robokit_plan.hardware.boot import boot_settings, firmware_states
from robokit_plan.hardware.chips.controllers import check_controllers
from robokit_plan.hardware.circuits import ElectricalProblem, electrical
from robokit_plan.hardware.electrical.circuit import Wiring
from robokit_plan.hardware.electrical.i2c_bus import bus_speeds
from robokit_plan.model import (
    Assignment,
    Choice,
    Claim,
    ClaimKey,
    ClaimName,
    ControllerName,
    Electrical,
    Finding,
    I2cFacts,
    InstanceName,
    Origin,
    Severity,
    SignalClaim,
    VariantName,
    part_key,
    replace,
)

from ._problem import Problem

Claims = Mapping[ClaimKeyPair, Claim]

OF_CHIPS = frozenset(
    {
        "chip-exhausted",
        "converter-blocked",
        "debug-pin-taken",
        "outlet-collision",
        "slice-collision",
        "timer-collision",
    }
)
"""Rules that `check_controllers` alone has."""
_OF_TIMERS = frozenset({"slice-collision", "timer-collision"})
_SUMS = frozenset(
    {
        "battery-overload",
        "header-feed-overload",
        "port-overload",
        "rail-overload",
        "usb-overload",
    }
)
"""Rules that add up currents: only from which supply a claim draws counts."""

_ASPECTS: Mapping[str, Callable[[Assignment], Hashable]] = {
    "gpio-total-overload": lambda placed: ("on", placed.controller),
    "pull-conflict": lambda placed: ("on", placed.controller),
    "state-machines-exhausted": lambda placed: ("made by", placed.function),
    "chip-exhausted": lambda placed: ("on", placed.controller, placed.bus),
    **{rule: lambda placed: ("from", placed.port, "hdmi" in placed.resource) for rule in _SUMS},
}
"""Rule -> that of a place on which its errors rest; see `Judge.aspect`."""


def judge_of(problem: Problem, asked: HardwareProblem) -> Judge | None:
    """Return the judge over answers to *asked*; None: no facts of electricity are known."""
    if problem.electrical is None or problem.i2c is None:
        return None
    return _Judge(problem, problem.electrical, problem.i2c, asked.instances)


class _Judge:
    """All errors of hardware, of one robot."""

    unpublished = frozenset({"level-unknown"})

    def __init__(
        self,
        problem: Problem,
        facts: Electrical,
        i2c: I2cFacts,
        instances: Sequence[HardwareInstance],
    ) -> None:
        self._problem = problem
        self._facts = facts
        self._i2c = i2c
        self._base = [
            ((one.name, claim.key.name), claim) for one in instances for claim in one.claims
        ]
        self._variants = {
            (one.name, variant): [((one.name, claim.key.name), claim) for claim in claims]
            for one in instances
            for variant, claims in one.variants
        }
        self._known: dict[object, dict[object, frozenset[str]]] = {}
        """What claims of one shape make alone, by that of their place which counts."""
        board, image = problem.board, problem.robot.system.image
        self._speeds = bus_speeds(board, image, problem.boot_config)
        self._firmware = firmware_states(board, image, problem.boot_config)

    def errors(
        self,
        assignments: Sequence[Assignment],
        variants: Mapping[InstanceName, VariantName | None],
        only: frozenset[ClaimKeyPair] | None = None,
        rule: str | None = None,
    ) -> Sequence[JudgedError]:
        """Return what `Judge.errors` says."""
        claims = self._claims(variants)
        if only is not None:
            claims = {key: claim for key, claim in claims.items() if key in only}
        return [
            JudgedError(one.rule, one.resource or "", self._named(one, claims, assignments))
            for one in self._findings(claims, assignments, rule)
            if one.severity is Severity.ERROR
        ]

    def alone(
        self, key: ClaimKeyPair, claim: Claim | None, places: Sequence[Assignment]
    ) -> Sequence[frozenset[str]]:
        """Return what `Judge.alone` says."""
        if claim is None:
            return [_rules(self._told({}, (one,)) - self._told({}, ())) for one in places]
        known = self._known.setdefault(_shape(claim), {})
        faces = [_face(one) for one in places]
        fresh = {face: one for face, one in zip(faces, places, strict=True) if face not in known}
        if fresh:
            known.update(zip(fresh, self._alone(key, claim, tuple(fresh.values())), strict=True))
        return [known[face] for face in faces]

    def _alone(
        self, key: ClaimKeyPair, claim: Claim, places: Sequence[Assignment]
    ) -> Sequence[frozenset[str]]:
        anywhere = self._told({key: claim}, ())
        places = [replace(one, instance=key[0], claim=key[1]) for one in places]
        if any(one.controller is not None for one in places):
            return [_rules(self._told({key: claim}, (one,)) - anywhere) for one in places]
        # As many claims as there are places, all at once: what then names several is asked again.
        numbers = {InstanceName(f"place-{number}"): number for number in range(len(places))}
        found: list[set[tuple[str, str]]] = [set() for _ in places]
        unsure: set[int] = set()
        for one in self._findings(
            {(name, key[1]): claim for name in numbers},
            [replace(one, instance=name) for name, one in zip(numbers, places, strict=True)],
            None,
        ):
            if one.severity is Severity.ERROR:
                about = [numbers[name] for name in one.plugins if name in numbers]
                if len(about) == 1:
                    found[about[0]].add((one.rule, one.resource or ""))
                else:
                    unsure.update(about or numbers.values())
        for number in unsure:
            found[number] = set(self._told({key: claim}, (places[number],)))
        return [_rules(one - anywhere) for one in found]

    def _told(self, claims: Claims, placed: Sequence[Assignment]) -> frozenset[tuple[str, str]]:
        """Return the errors of *placed* as rule and resource."""
        return frozenset(
            (one.rule, one.resource or "")
            for one in self._findings(claims, placed, None)
            if one.severity is Severity.ERROR
        )

    def aspect(self, rule: str, placed: Assignment) -> Hashable:
        """Return what `Judge.aspect` says."""
        if rule in _OF_TIMERS and placed.controller is not None:
            return ("outlets", placed.controller, placed.bus, *self._outlets(placed))
        return _ASPECTS[rule](placed) if rule in _ASPECTS else None

    def _outlets(self, placed: Assignment) -> Iterable[frozenset[tuple[str, str]]]:
        """Yield the outlets of timers at each pin of *placed*."""
        controller = self._problem.robot.controllers.get(placed.controller or ControllerName(""))
        chip = None if controller is None else self._problem.chips.get(part_key(controller.chip))
        for use in placed.lines:
            pin = None if chip is None else chip.find_pin(str(use.line))
            yield frozenset(
                (one.bus, one.signal)
                for one in (() if pin is None else pin.functions)
                if one.kind == "pwm"
            )

    def _claims(self, variants: Mapping[InstanceName, VariantName | None]) -> Claims:
        found = dict(self._base)
        for name, variant in variants.items():
            if variant is not None:
                found.update(self._variants.get((name, variant), ()))
        return found

    def _findings(
        self, claims: Claims, assignments: Sequence[Assignment], rule: str | None
    ) -> Iterable[Finding]:
        problem = self._problem
        asked = ElectricalProblem(
            board=problem.board,
            robot=problem.robot,
            electrical=self._facts,
            i2c=self._i2c,
            chips=problem.chips,
            link_rules=problem.link_rules,
            parts=problem.parts,
            claims=tuple((name, claim) for (name, _), claim in claims.items()),
            assignments=tuple(assignments),
            speeds=self._speeds,
            firmware=self._firmware,
        )
        if rule in OF_CHIPS:
            yield from check_controllers(Wiring(asked))
            return
        yield from electrical(asked).findings
        system = problem.robot.system
        yield from boot_settings(
            problem.board, system.image, system.release, assignments, claims, problem.boot_config
        )[1]

    def _named(
        self, one: Finding, claims: Claims, assignments: Sequence[Assignment]
    ) -> frozenset[ClaimKeyPair]:
        """Return the claims and links that *one* is about: its places bear their names."""
        plugins = set(one.plugins)
        labels = {place.label for place in one.places}
        return frozenset(
            [key for key in claims if key[0] in plugins and f"{key[0]}.{key[1]}" in labels]
            + [
                (each.instance, ClaimName(each.claim))
                for each in assignments
                if each.section == "controllers"
                and any(label.startswith(_links(each)) for label in labels)
            ]
        )


def _links(placed: Assignment) -> tuple[str, str]:
    """Return how labels of the link *placed* begin."""
    return (f"link of {placed.instance}", f"{placed.instance} linked by")


def _rules(errors: Iterable[tuple[str, str]]) -> frozenset[str]:
    return frozenset(rule for rule, _ in errors)


_ANYONE = ClaimKey(name=ClaimName(""), origin=Origin(file=""))


def _shape(claim: Claim) -> Claim:
    """Return *claim* without its name, and a signal without the places that it lists."""
    if isinstance(claim, SignalClaim):
        return replace(claim, key=_ANYONE, lines=Choice(), pins=Choice(), positions=())
    return replace(claim, key=_ANYONE)


def _face(placed: Assignment) -> object:
    """Return *placed* without the claim that is there."""
    lines = tuple(use.line for use in placed.lines)
    return replace(placed, instance=InstanceName(""), claim=ClaimName(""), lines=()), lines

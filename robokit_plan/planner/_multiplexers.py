"""Devices behind a multiplexer that nobody has, or behind a channel that it lacks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from robokit_plan.model import (
    ClaimName,
    Finding,
    I2cClaim,
    Instance,
    InstanceName,
    Part,
    Place,
    Severity,
    VariantName,
    find_part,
    finding,
    variant_needs,
)

_MULTIPLEXER = "bus multiplexer"
"""Kind of a part (data/parts/i2c.yaml)."""


def multiplexer_findings(
    instances: tuple[Instance, ...],
    variants: Mapping[InstanceName, VariantName | None],
    parts: Mapping[str, Part],
) -> Iterator[Finding]:
    """
    Yield each I2C device that no open channel can ever lead to.

    A multiplexer is a claim of the same manifest, in the variant that was taken. How many channels
    it has is known where its part is.
    """
    for instance in instances:
        claims = {
            claim.key.name: claim
            for claim in variant_needs(instance.manifest, variants.get(instance.name)).hardware
            if isinstance(claim, I2cClaim)
        }
        for claim in claims.values():
            yield from _of_claim(instance, claim, claims, parts)


def _of_claim(
    instance: Instance,
    claim: I2cClaim,
    claims: Mapping[ClaimName, I2cClaim],
    parts: Mapping[str, Part],
) -> Iterator[Finding]:
    if claim.behind is None:
        return
    name, plugin = claim.key.name, instance.manifest.plugin
    place = Place(origin=claim.key.origin, label=f"{instance.name}.{name} as I2C device")
    mux = claims.get(claim.behind.claim)
    part = None if mux is None or mux.part is None else find_part(parts, mux.part)
    others = [
        one.key.name
        for one in claims.values()
        if one.part is not None
        and (found := find_part(parts, one.part)) is not None
        and found.kind == _MULTIPLEXER
    ]
    where = f"   in the manifest of {plugin}"
    elsewhere = [
        f"hardware: {{i2c: {{{name}: {{behind: {{mux: {one}, channel: "
        f"{claim.behind.channel}}}}}}}}}{where}"
        for one in sorted(others)
        if one != name
    ]
    if mux is None or _leads_to_itself(claim, claims) or (part and part.kind != _MULTIPLEXER):
        if mux is None:
            said = f"{instance.name}.{name} is behind {claim.behind.claim}, which nothing claims"
        elif part and part.kind != _MULTIPLEXER:
            said = f"{instance.name}.{name} is behind {claim.behind.claim}, which is no multiplexer"
        else:
            said = f"{instance.name}.{name} is behind itself"
        yield finding(
            "multiplexer-missing",
            Severity.ERROR,
            said,
            places=[place],
            why="no channel leads to the device, so nothing on the bus reaches it",
            repair=elsewhere
            or [f"hardware: {{i2c: {{{claim.behind.claim}: {{part: tca9548a}}}}}}{where}"][
                : mux is None
            ],
            plugins=[instance.name],
        )
    elif part is not None and part.channels is not None and claim.behind.channel >= part.channels:
        last = part.channels - 1
        yield finding(
            "multiplexer-channel-missing",
            Severity.ERROR,
            f"{instance.name}.{name} is behind channel {claim.behind.channel} of "
            f"{claim.behind.claim}, which has channels 0 to {last}",
            places=[place],
            why=f"{part.name} has {part.channels} channels",
            repair=f"hardware: {{i2c: {{{name}: {{behind: {{mux: {claim.behind.claim}, channel: "
            f"{last}}}}}}}}}{where}, or the channel that it is wired to",
            plugins=[instance.name],
        )


def _leads_to_itself(claim: I2cClaim, claims: Mapping[ClaimName, I2cClaim]) -> bool:
    seen = {claim.key.name}
    behind = claim.behind
    while behind is not None:
        if behind.claim in seen:
            return True
        seen.add(behind.claim)
        after = claims.get(behind.claim)
        behind = None if after is None else after.behind
    return False

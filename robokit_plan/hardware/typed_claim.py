"""A claim as somebody types it into a manifest; every repair of a claim is worded by it."""

from __future__ import annotations

from robokit_plan.model import SECTION_OF, Claim, Origin, VariantName


def manifest_of(origin: Origin) -> str:
    """Return, in words, the manifest that *origin* points into: its folder is named like it."""
    folder = origin.file.rpartition("/")[0].rpartition("/")[2]
    return f"in the manifest of {folder}" if folder else f"in {origin.file}"


def typed_claim(
    claim: Claim, keys: str, note: str = "", *, variant: VariantName | None = None
) -> str:
    """
    Return *keys* of *claim* as somebody types them, and into which manifest.

    *note*: what else is done; *variant*: the one that adds the claim, None for all.
    """
    text = f"hardware: {{{SECTION_OF[type(claim)]}: {{{claim.key.name}: {{{keys}}}}}}}"
    if variant is not None:
        text = f"variants: {{{variant}: {{{text}}}}}"
    return f"{text}   {manifest_of(claim.key.origin)}{', ' + note if note else ''}"

"""
What a builder must know before power is applied, per hazard.

Warnings from published limits and common practice; they certify nothing.
"""

from __future__ import annotations

import textwrap

from robokit_plan.model import Plan, listed

from ._plain import plain

CAUTIONS = {
    "motion": (
        "parts move by themselves, at start too: keep people and fingers clear, lift wheels and "
        "blades off, and have a switch at hand that cuts motor power without software"
    ),
    "laser": (
        "a laser beam: know its class (IEC 60825-1), wear eye protection made for its wavelength, "
        "end the beam on a matt surface, and let nobody look into it or its mirror image"
    ),
    "heat": (
        "a heater: give it a thermal cut-off in hardware, keep things that burn away, and leave "
        "it never alone"
    ),
    "mains": (
        "mains voltage (touch-safe only below 50 V ac or 120 V dc, IEC 61140): work on it belongs "
        "to licensed people, unplugged and checked, behind a certified enclosed switch"
    ),
    "lithium": (
        "lithium cells: fuse and cut-off at the pack, a charger made for the chemistry and the "
        "number of cells, and no charging out of sight"
    ),
    "radio": (
        "a transmitter: connect its antenna first, and keep to band, power and duty cycle that "
        "are allowed where you are"
    ),
}
"""Hazard -> caution. Source: named in the text; the rest is common practice, from memory."""

DEFERENCE = (
    "local codes, the data sheet of each part and licensed practice come before what stands here"
)


def caution_rows(plan: Plan) -> list[tuple[str, str, str]]:
    """Return hazard, instances in words and caution of each enabled hazard; [] where none is."""
    return [
        (
            plain(hazard),
            listed([plain(one) for one in plan.hazards[hazard]]),
            CAUTIONS.get(hazard, "see the data sheet of the part"),
        )
        for hazard in sorted(plan.hazards)
    ]


def render_cautions(plan: Plan, *, width: int = 100) -> str:
    """Return the cautions of *plan* in lines of *width*; "" where nothing enabled can hurt."""
    rows = caution_rows(plan)
    if not rows:
        return ""
    lines = [f"caution {hazard} ({who}): {text}" for hazard, who, text in rows]
    return "".join(
        f"{line}\n"
        for text in [*lines, f"caution: {DEFERENCE}"]
        for line in textwrap.wrap(
            text, max(width, 30), subsequent_indent="  ", break_on_hyphens=False
        )
    )

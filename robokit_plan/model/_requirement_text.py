"""What somebody meant who wrote a requirement as other tools have it, or by a slip."""

from __future__ import annotations

import re

_SIGNS = {"≥": ">=", "≤": "<=", "≠": "!=", "＝": "=", "–": "-"}
_OPERATORS = {"=>": ">=", "=<": "<=", "=!": "!=", "=~": "~=", "~>": "~=", "<>": "!="}
_OPERATOR = r"(?:===|[<>=!~]=|[<>])"
_VERSION = r"v?[0-9][0-9A-Za-z.*+!]*"


def mended_requirement(text: str) -> str | None:
    """
    Return what *text* was meant to be, as PEP 508 has it; None where that cannot be told.

    Known slips: an operator turned round or taken from elsewhere (``=>``, ``~>``, ``^1.2``,
    ``=``), none at all (``numpy 1.26``), no comma between two bounds, brackets of a Debian
    relation, a comma or dot too many, ``1.x``.
    """
    from packaging.requirements import InvalidRequirement, Requirement

    head, mark, marker = text.strip().partition(";")
    if marker.strip()[:1] in set("<>=!~"):  # meant as a comma
        head, mark, marker = f"{head},{marker}", "", ""
    for sign, meant in _SIGNS.items():
        head = head.replace(sign, meant)
    head = re.sub(r"=>|=<|=!|=~|~>|<>", lambda found: _OPERATORS[found.group()], head)
    head = re.sub(r"(?<![<>=!~])=(?!=)", "==", head)
    head = re.sub(r"\^\s*v?([0-9]+)((?:\.[0-9]+)*)", _up_to_the_next, head)
    head = re.sub(rf"^\s*([\w.-]+(?:\[[^]]*\])?)\s+({_VERSION})\s*$", r"\1>=\2", head)
    head = re.sub(rf"\(\s*({_OPERATOR}\s*{_VERSION})\s*\)", r"\1", head)
    head = re.sub(rf"({_OPERATOR}\s*{_VERSION})\s*(?={_OPERATOR})", r"\1,", head)
    head = re.sub(rf"({_OPERATOR})\s*v?([0-9][0-9.]*?)\.?(?:\.[xX*])+(?![\w.])", _any_of, head)
    head = re.sub(rf"({_OPERATOR})\s+", r"\1", head)
    head = re.sub(r"\s*,[\s,]*", ",", head)
    head = re.sub(r"\s+(?=[<>=!~])", "", head).strip().rstrip(",.")
    found = f"{head}{mark}{marker}".strip().rstrip(";")
    try:
        Requirement(found)
    except InvalidRequirement:
        return None
    return found


def _up_to_the_next(found: re.Match[str]) -> str:
    """Return bounds up to the next release that may break: its first number that is not 0."""
    numbers = [int(one) for one in (found[1] + found[2]).split(".")]
    at = next((place for place, one in enumerate(numbers) if one), len(numbers) - 1)
    last = ".".join(str(one) for one in [*numbers[:at], numbers[at] + 1])
    return f">={found[1]}{found[2]},<{last}"


def _any_of(found: re.Match[str]) -> str:
    """Return ``==1.*`` for ``==1.x``; in other comparisons the letter says nothing."""
    wild = ".*" if found[1] in {"==", "!="} else ""
    return f"{found[1]}{found[2]}{wild}"

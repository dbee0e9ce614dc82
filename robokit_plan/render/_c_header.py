"""What a companion's firmware must know, as one C header: C99 and C++."""

from __future__ import annotations

import re
import string
import textwrap
from collections import Counter
from collections.abc import Iterable, Iterator
from hashlib import sha256

from robokit_plan.formats.lock import render_lock
from robokit_plan.model import Active, Assignment, LineUse, Plan, Pull, frequency_text, listed

from ._cautions import CAUTIONS, DEFERENCE
from ._plain import plain

_WORD = re.compile(r"[^A-Za-z0-9]+", re.ASCII)
_NUMBER = re.compile(r"(?:gpio|d)?([0-9]{1,3})", re.ASCII | re.IGNORECASE)
_CORE_NAME = re.compile(r"(?:P[A-K][0-9]{1,2}|A[0-9]{1,2})", re.ASCII)
"""Pins that the cores of these chips declare under the data sheet's or the board's own name."""

_IN_COMMENT = frozenset(string.ascii_letters + string.digits + " .,:;()[]<>=+-_@'!&#%|~")
_IN_STRING = frozenset(string.printable[:95]) - frozenset('"\\?')
_SIGNIFICANT = 63
"""C99 5.2.4.1: initial characters of a macro name that every compiler tells apart."""


def c_controllers(plan: Plan) -> tuple[str, ...]:
    """Return the names of the controllers that *plan* uses, sorted."""
    return tuple(sorted({str(one.controller) for one in plan.assignments if one.controller}))


def render_c_header(plan: Plan, controller: str) -> str:
    """
    Return what *plan* says about *controller* as a header without code: `#define` lines alone.

    Shape:
        ``HERON_<INSTANCE>_<CLAIM>_PIN`` and ``_PIN_NAME``, ``_FUNCTION``, ``_HZ``,
        ``_ACTIVE_LOW``, ``_PULL``, each where it holds; of a block ``_BLOCK`` and for each of its
        signals ``_<SIGNAL>_PIN`` and ``_<SIGNAL>_PIN_NAME``; ``HERON_LINK_…`` and
        ``HERON_INHIBIT_…`` for the link to the board (``_TIMEOUT_MS``: stop after so long a
        silence) and the pin of the inhibit switch; HERON is the robot's name. ``_PIN`` is a
        number, or the name that the chip's core declares; it is absent where neither is known.
        Of two claims whose names would be one, each bears a digest.

    Source:
        ISO/IEC 9899:1999, 5.2.1, 6.4.2.1, 6.10.3; names with leading underscores are avoided.
    """
    used = sorted(
        (one for one in plan.assignments if one.controller == controller),
        key=lambda one: (one.section == "controllers", one.instance, one.claim),
    )
    robot = _identifier((plan.robot,))
    if not robot[0].isalpha():
        robot = f"R_{robot}"
    guard = f"ROBOKIT_{robot}_{_identifier((controller,))}_H"
    names = dict(_names(robot, used))
    lines = [
        "/*",
        *_comment(f"Pins of {controller}, a companion of {plan.robot} ({plan.board}).", plan),
        " *",
        " * Made by robokit-plan wiring --format c-header: change robot.yaml and make it anew.",
        *_caution(plan, used),
        " */",
        f"#ifndef {guard}",
        f"#define {guard}",
        "",
        f"#define {robot}_ROBOT {_string(plan.robot)}",
        *([f"#define {robot}_PROFILE {_string(plan.profile)}"] if plan.profile else []),
        f"#define {robot}_BOARD {_string(plan.board)}",
        f"#define {robot}_CONTROLLER {_string(controller)}",
        "/* SHA-256 of the lock file that says the same. */",
        f"#define {robot}_PLAN {_string(sha256(render_lock(plan).encode()).hexdigest())}",
    ]
    for one in used:
        lines += ["", *_claim(one, names[one.instance, one.claim])]
    return "\n".join([*lines, "", f"#endif /* {guard} */", ""])


def _claim(one: Assignment, name: str) -> Iterator[str]:
    """Yield the comment and the lines of one claim."""
    what = [one.function or one.section]
    if one.frequency is not None:
        what.append(frequency_text(one.frequency))
    if one.active is Active.LOW:
        what.append("active low")
    if one.note and one.section == "controllers":
        what.append(one.note)
    yield f"/* {_plain_words(f'{one.instance}.{one.claim}: ' + ', '.join(what))} */"
    if one.section == "controllers" and one.function != "inhibit":
        yield f"#define {name}_TO {_string(one.resource)}"
        if one.address is not None:
            yield f"#define {name}_ADDRESS 0x{one.address:02x}"
        if one.timeout_ms is not None:
            yield f"#define {name}_TIMEOUT_MS {one.timeout_ms}"
        return
    if one.section == "blocks" and one.bus is not None:
        yield f"#define {name}_BLOCK {_string(one.bus)}"
    for use in one.lines:
        own = f"{name}{_signal_word(one, use)}"
        pin = _pin(use.line)
        if pin is not None:
            yield f"#define {own}_PIN {pin}"
        yield f"#define {own}_PIN_NAME {_string(use.line)}"
    if one.function:
        yield f"#define {name}_FUNCTION {_string(one.function)}"
    if one.frequency is not None:
        yield f"#define {name}_HZ {one.frequency}"
    if one.active is not None:
        yield f"#define {name}_ACTIVE_LOW {int(one.active is Active.LOW)}"
    if one.pull is not None and one.pull is not Pull.NONE:
        yield f"#define {name}_PULL_{one.pull.value.upper()} 1"


def _signal_word(one: Assignment, use: LineUse) -> str:
    """Return what tells the pins of one block apart; nothing where a claim has one pin."""
    return f"_{_identifier((use.signal,))}" if one.section == "blocks" else ""


def _longest(one: Assignment) -> int:
    """Return the length of the longest ending that a name of *one* gets."""
    words = [f"{_signal_word(one, use)}_PIN_NAME" for use in one.lines]
    return max(map(len, ("_ACTIVE_LOW", *words)))


def _pin(name: str) -> str | None:
    """Return what firmware calls the pin: its number, or a name that the chip's core declares."""
    number = _NUMBER.fullmatch(name)
    if number is not None:
        return str(int(number[1]))
    return name if _CORE_NAME.fullmatch(name) else None


def _names(robot: str, used: Iterable[Assignment]) -> Iterator[tuple[tuple[str, str], str]]:
    """Yield instance and claim with their identifier, no two alike."""
    used = tuple(used)
    words_of = [((one.instance, one.claim), (robot, *_own_words(one))) for one in used]
    endings = {(one.instance, one.claim): _longest(one) for one in used}
    short = {key: _identifier(words) for key, words in words_of}
    often = Counter(short.values())
    for key, words in words_of:
        name = short[key]
        space = _SIGNIFICANT - endings[key]
        if often[name] > 1 or len(name) > space:
            mark = sha256("\0".join(key).encode(errors="surrogatepass")).hexdigest()[:8].upper()
            room = max(1, space - len(mark) - 1)
            name = f"{_identifier(words)[:room].rstrip('_')}_{mark}"
        yield key, name


def _own_words(one: Assignment) -> tuple[str, ...]:
    return (one.claim,) if one.section == "controllers" else (one.instance, one.claim)


def _identifier(words: Iterable[str]) -> str:
    """Return *words* as one macro name; what C has no letter for becomes an underscore."""
    parts = [_WORD.sub("_", word).strip("_").upper() for word in words]
    return "_".join(part for part in parts if part) or "X"


def _string(text: str) -> str:
    """Return *text* as a C string literal: ASCII, other bytes in octal, no trigraph."""
    return '"{}"'.format(
        "".join(
            one
            if one in _IN_STRING
            else "".join(f"\\{byte:03o}" for byte in one.encode("utf-8", "surrogatepass"))
            for one in text
        )
    )


def _plain_words(text: str) -> str:
    """Return *text* with nothing in it that ends a comment, opens one or is not ASCII."""
    return "".join(one if one in _IN_COMMENT else "_" for one in plain(text))


def _comment(text: str, plan: Plan) -> list[str]:
    profile = f" Profile {plan.profile}." if plan.profile else ""
    return _wrapped(text + profile)


def _wrapped(text: str) -> list[str]:
    return [f" * {line}" for line in textwrap.wrap(_plain_words(text), 96, break_on_hyphens=False)]


def _caution(plan: Plan, used: Iterable[Assignment]) -> list[str]:
    """Return the cautions of the instances that have pins here; nothing where none can hurt."""
    here = {one.instance for one in used}
    rows = [
        (hazard, sorted(here & set(plan.hazards[hazard])))
        for hazard in sorted(plan.hazards)
        if here & set(plan.hazards[hazard])
    ]
    if not rows:
        return []
    return [
        " *",
        *(
            line
            for hazard, who in rows
            for line in _wrapped(
                f"CAUTION {hazard} ({listed(who)}): "
                f"{CAUTIONS.get(hazard, 'see the data sheet of the part')}."
            )
        ),
        *_wrapped(f"{DEFERENCE[0].upper()}{DEFERENCE[1:]}."),
    ]

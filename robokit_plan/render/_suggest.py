"""What still fits, as text and as JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence

from robokit_plan.model import (
    Assignment,
    Clash,
    Cost,
    FreeKind,
    MovableClaim,
    OtherPlace,
    OtherVariant,
    Suggestions,
    Together,
    counted,
    current_text,
    listed,
    size_text,
)

from ._check_json import assignment_rows
from ._findings import Json, render_json
from ._plain import plain
from ._table import fitted, row_lines

NAMED = 6
"""So many other places of one claim are named in the overview."""
_INDENT = "  "


def render_suggestions_text(found: Suggestions, *, width: int = 100) -> str:
    """Return what is free, what could move, which plugins go together, what one more costs."""
    profile = "" if found.profile is None else f" ({plain(found.profile)})"
    blocks = [f"{plain(found.robot)}{profile} on {plain(found.board)}"]
    if found.claim is not None:
        blocks.append(_one_claim(found, width))
        return "\n\n".join(blocks) + "\n"
    if found.unplaced:
        names = listed([f"{instance}.{claim}" for instance, claim in found.unplaced])
        blocks.append(
            _wrapped(
                f"{names} found no place; robokit-plan check says why, and what follows is told "
                f"without {'it' if len(found.unplaced) == 1 else 'them'}",
                width,
            )
        )
    blocks.append(_free(found.free, width))
    blocks.append(_others(found.movable, found.variants, width))
    if found.together is not None:
        blocks.append(_together(found.together, width))
    blocks.append(_costs(found.costs, width))
    return "\n\n".join(blocks) + "\n"


def _wrapped(text: str, width: int, indent: str = "") -> str:
    return textwrap.fill(
        plain(text),
        max(width, 30),
        initial_indent=indent,
        subsequent_indent=indent,
        break_on_hyphens=False,
    )


def _table(rows: Sequence[tuple[str, ...]], width: int) -> list[str]:
    safe = [tuple(plain(cell) for cell in row) for row in rows]
    widths = fitted(safe, width - len(_INDENT))
    return [line for row in safe for line in row_lines(row, widths, indent=_INDENT)]


# --- free things ----------------------------------------------------------------------------


def _free(kinds: Sequence[FreeKind], width: int) -> str:
    rows: list[tuple[str, str]] = []
    for one in kinds:
        if any(" " in where for where in one.items.values()):
            for at, (name, where) in enumerate(one.items.items()):
                rows.append(("" if at else one.kind, f"{name}: {where}"))
        else:
            texts = [f"{name} ({where})" if where else name for name, where in one.items.items()]
            rows.append((one.kind, ", ".join(texts)))
    return "\n".join(["free", *(_table(rows, width) if rows else [f"{_INDENT}nothing"])])


# --- other places ---------------------------------------------------------------------------


def _placed(resource: str, where: str) -> str:
    return f"{resource} ({where})" if where else resource


def _others(claims: Sequence[MovableClaim], variants: Sequence[OtherVariant], width: int) -> str:
    rows = [
        (
            f"{one.instance}.{one.claim}",
            _placed(one.now or "nowhere", one.where) + (", wired" if one.wired else ""),
            _also(one.others),
        )
        for one in claims
    ]
    rows += [
        (str(one.instance), f"variant {one.now}", ", ".join(one.others) or "nothing else fits")
        for one in variants
    ]
    if not rows:
        return f"other places\n{_INDENT}no claim and no variant leaves a choice"
    return "\n".join(["other places", *_table([("claim", "now", "also"), *rows], width)])


def _also(others: Sequence[OtherPlace]) -> str:
    plainly = [one for one in others if not one.moves]
    parts = [_listed(plainly[:NAMED])] if plainly else []
    if len(plainly) > NAMED:
        parts.append(f"{len(plainly) - NAMED} more")
    moving = len(others) - len(plainly)
    if moving:
        what = "more" if plainly else ("place" if moving == 1 else "places")
        parts.append(f"{moving} {what} where others move")
    return "; ".join(parts) or "nothing else fits"


def _listed(others: Sequence[OtherPlace]) -> str:
    """Return the places in a row; what each begins with like the one before is said once."""
    texts: list[str] = []
    last: list[str] = []
    for one in others:
        words = one.resource.split(" ")
        like = words[:-1] if words[:-1] == last[:-1] else []
        texts.append(_placed(" ".join(words[len(like) :]), one.where))
        last = words
    return ", ".join(texts)


def _one_claim(found: Suggestions, width: int) -> str:
    if not found.movable:
        return f"{plain(found.claim or '')} can go nowhere else"
    one = found.movable[0]
    name = f"{one.instance}.{one.claim}"
    now = "found no place" if one.now is None else f"is at {_placed(one.now, one.where)}"
    head = f"{name} {now}" + (", as wiring in robot.yaml says" if one.wired else "")
    if not one.others:
        return f"{plain(head)}\n{_INDENT}nothing else fits"
    rows = [("place", "in robot.yaml", "who moves", "remark")]
    for other in one.others:
        remarks = [other.remark] if other.remark else []
        if other.rewire:
            remarks.append("not listed by the manifest")
        rows.append(
            (
                _placed(other.resource, other.where),
                "" if other.entry is None else f"{name}: {other.entry}",
                _movers(other),
                "; ".join(remarks),
            )
        )
    if not any(row[3] for row in rows[1:]):
        rows = [row[:3] for row in rows]  # type: ignore[misc]
    return "\n".join([plain(head), *_table(rows, width)])


def _movers(other: OtherPlace) -> str:
    if not other.moves:
        return "nobody"
    return ", ".join(f"{instance}.{claim} to {to}" for instance, claim, to in other.moves)


# --- sets -----------------------------------------------------------------------------------


def _together(found: Together, width: int) -> str:
    lines = ["plugins that go together"]
    lines.append(_wrapped(_summary(found), width, _INDENT))
    if found.alike and found.more:
        groups = "; ".join(listed([str(name) for name in group]) for group in found.alike)
        lines.append(_wrapped(f"any may stand for another: {groups}", width, _INDENT))
    if found.sets:
        common = [name for name in found.sets[0] if all(name in one for one in found.sets)]
        rows: list[tuple[str, str, str]] = []
        if len(found.sets) == 1:
            rows.append(("the set", str(len(common)), ", ".join(common)))
        else:
            rows.append(("in each", str(len(common)), ", ".join(common) or "none"))
            rows += [
                (
                    f"set {at}",
                    str(len(one)),
                    ("and " if common else "")
                    + (", ".join(name for name in one if name not in common)),
                )
                for at, one in enumerate(found.sets, start=1)
            ]
        lines += _table(rows, width)
    for title, clashes in (("cannot go together", found.clashes), ("in no set", found.nowhere)):
        if clashes:
            lines += ["", title, *_table([_clash_row(one) for one in clashes], width)]
    return "\n".join(lines)


def _clash_row(one: Clash) -> tuple[str, str]:
    return listed([str(name) for name in one.instances]), f"{one.rule}: {one.message}"


def _summary(found: Together) -> str:
    asked = "hardware, behaviour and software" if found.software else "hardware and behaviour alone"
    looked = f"{counted(len(found.instances), 'instance')} looked at, {asked}"
    if not found.sets:
        return f"{looked}: " + (
            "the search was stopped before it found a set" if found.stopped else "no set"
        )
    if found.more:
        count = f"more than {found.limit} sets that nothing can join; the largest {found.limit} are"
    elif found.stopped:
        count = counted(len(found.sets), "set")
        return f"{looked}: {count}; the search was stopped, there may be others and larger ones"
    elif len(found.sets) == 1:
        return f"{looked}: one set that nothing can join"
    else:
        return f"{looked}: all {len(found.sets)} sets that nothing can join, the largest first"
    return f"{looked}: {count} told"


# --- cost -----------------------------------------------------------------------------------

_HEADS = ("plugin", "fits", "to fetch", "installs", "takes", "peak")


def _costs(costs: Sequence[Cost], width: int) -> str:
    title = "one plugin more"
    if not costs:
        return f"{title}\n{_INDENT}every plugin in reach is enabled"
    rows = [
        (
            str(one.instance),
            "yes" if one.fits else "no",
            _fetched(one),
            _installs(one),
            _takes(one),
            _peak(one),
        )
        for one in costs
    ]
    kept = [at for at in range(len(_HEADS)) if any(row[at] for row in rows)]
    table = [tuple(row[at] for at in kept) for row in (_HEADS, *rows)]
    lines = [title, *_table(table, width)]
    against = [
        (str(one.instance), f"{rule}: {message}") for one in costs for rule, message in one.against
    ]
    if against:
        lines += ["", "what stands against it", *_table(against, width)]
    changes = [(str(one.instance), text) for one in costs if one.fits for text in _changes(one)]
    if changes:
        lines += ["", "what it changes besides", *_table(changes, width)]
    hazards = [(str(one.instance), listed(one.hazards)) for one in costs if one.hazards]
    if hazards:
        lines += ["", "hazards that it brings; check shows the cautions", *_table(hazards, width)]
    return "\n".join(lines)


def _fetched(one: Cost) -> str:
    if one.fetched is None:
        return ""
    return size_text(one.fetched) if one.fetched else "nothing"


def _installs(one: Cost) -> str:
    if one.python is None:
        return ""
    parts = [f"{len(one.python)} Python"] if one.python else []
    if one.debian:
        size = sum(pin.installed_size for pin in one.debian)
        parts.append(f"{len(one.debian)} Debian, {size_text(size)} on the card")
    elif one.debian is None:
        parts.append("Debian not planned")
    return "; ".join(parts) or "nothing"


def _takes(one: Cost) -> str:
    return ", ".join(dict.fromkeys(_place_of(each) for each in one.assignments)) or "nothing"


def _place_of(one: Assignment) -> str:
    where = ""
    if len(one.lines) == 1 and one.lines[0].position is not None:
        where = str(one.lines[0].position)
    port = "" if one.port is None or one.resource == f"port {one.port}" else f", port {one.port}"
    return _placed(one.resource, where) + port


def _peak(one: Cost) -> str:
    parts = [f"{current_text(current)} {supply}" for supply, current in one.peak.items()]
    if one.unknown_peak:
        parts.append(f"{listed([str(claim) for claim in one.unknown_peak])} not declared")
    return ", ".join(parts)


def _changes(one: Cost) -> Iterator[str]:
    """Yield what a plugin that fits does to the others."""
    for before, after in one.moved:
        to = "nowhere" if after is None else after.resource
        yield f"moves {before.instance}.{before.claim} from {before.resource} to {to}"
    for name, (old, new) in one.replaced.items():
        yield f"changes {name} {old} to {new}"


# --- JSON -----------------------------------------------------------------------------------


def render_suggestions_json(found: Suggestions) -> str:
    """Return what `suggest --json` prints."""
    return render_json(suggestions_object(found))


def suggestions_object(found: Suggestions) -> Json:
    """Return *found* as JSON values; keys are a contract, only ever added to."""
    together = found.together
    return {
        "robot": found.robot,
        "profile": found.profile,
        "board": found.board,
        "claim": found.claim,
        "free": [
            {"kind": one.kind, "items": [{"name": n, "where": w} for n, w in one.items.items()]}
            for one in found.free
        ],
        "unplaced": [f"{instance}.{claim}" for instance, claim in found.unplaced],
        "places": [_claim_object(one) for one in found.movable],
        "variants": [
            {"plugin": one.instance, "now": one.now, "others": list(one.others)}
            for one in found.variants
        ],
        "together": None
        if together is None
        else {
            "plugins": list(together.instances),
            "sets": [list(one) for one in together.sets],
            "clashes": _clash_objects(together.clashes),
            "nowhere": _clash_objects(together.nowhere),
            "alike": [list(one) for one in together.alike],
            "limit": together.limit,
            "more": together.more,
            "stopped": together.stopped,
            "software": together.software,
        },
        "costs": [_cost_object(one) for one in found.costs],
    }


def _claim_object(one: MovableClaim) -> Json:
    return {
        "plugin": one.instance,
        "claim": one.claim,
        "section": one.section,
        "now": one.now,
        "where": one.where,
        "wired": one.wired,
        "others": [
            {
                "resource": other.resource,
                "where": other.where,
                "wiring": other.entry,
                "moves": [
                    {"plugin": instance, "claim": claim, "to": to}
                    for instance, claim, to in other.moves
                ],
                "remark": other.remark,
                "listed": not other.rewire,
            }
            for other in one.others
        ],
    }


def _clash_objects(clashes: Iterable[Clash]) -> list[Json]:
    return [
        {"plugins": list(one.instances), "rule": one.rule, "message": one.message}
        for one in clashes
    ]


def _cost_object(one: Cost) -> Json:
    return {
        "name": one.instance,
        "plugin": one.plugin,
        "fits": one.fits,
        "against": [{"rule": rule, "message": message} for rule, message in one.against],
        "assignments": [row for each in one.assignments for row in assignment_rows(each)],
        "moves": [
            {
                "plugin": before.instance,
                "claim": before.claim,
                "from": before.resource,
                "to": None if after is None else after.resource,
            }
            for before, after in one.moved
        ],
        "python": None
        if one.python is None
        else [
            {"name": pin.name, "version": pin.version, "size": pin.file.size} for pin in one.python
        ],
        "debian": None
        if one.debian is None
        else [
            {
                "name": pin.name,
                "version": pin.version,
                "size": pin.size,
                "installed_size": pin.installed_size,
            }
            for pin in one.debian
        ],
        "fetch": one.fetched,
        "changes": [
            {"name": name, "from": old, "to": new} for name, (old, new) in one.replaced.items()
        ],
        "peak_ma": dict(one.peak),
        "peak_not_declared": list(one.unknown_peak),
        "hazards": list(one.hazards),
    }

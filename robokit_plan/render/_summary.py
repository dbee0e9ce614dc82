"""The few lines of `check` that say what the robot would be."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from robokit_plan.model import (
    Plan,
    Rail,
    card_bytes,
    counted,
    current_text,
    most_bytes,
    size_text,
    sized_items,
    volt_text,
)

from ._cautions import render_cautions
from ._plain import plain

BOARD = "board"
BEHIND = frozenset({"converter", "branch"})
"""How the planner names, among the loads of a rail, the board and what a further rail takes."""


def render_summary(plan: Plan) -> str:
    """Return the robot at a glance: software, sizes, lines, boot, power and cautions."""
    rows: list[tuple[str, str]] = [("plugins", _plugins(plan))]
    rows.append(("python", _python(plan)))
    rows.append(("debian", _debian(plan)))
    rows.append(("wiring", _wiring(plan)))
    if plan.boot:
        they = "it acts" if len(plan.boot) == 1 else "they act"
        rows.append(("boot", f"{counted(len(plan.boot), 'setting')}; {they} after a reboot"))
    rows.extend(("power", _rail(plan, at)) for at in range(len(plan.rails)))
    rows.extend(("load", text) for text in _load(plan))
    rows.extend(("card", text) for text in _card(plan))
    lines = [f"{head:<8} {text}" for head, text in rows]
    cautions = render_cautions(plan)
    return "\n".join(lines) + "\n" + (f"\n{cautions}" if cautions else "")


def _plugins(plan: Plan) -> str:
    names = ", ".join(
        plain(one.name) if one.variant is None else f"{plain(one.name)} ({plain(one.variant)})"
        for one in plan.instances
    )
    return names or "none enabled"


def _python(plan: Plan) -> str:
    here = ", ".join(f"{one.name} {one.version}" for one in plan.carried)
    if not plan.python:
        return f"nothing to install: Debian brings {here}" if here else "nothing to install"
    size = sum(one.file.size or 0 for one in plan.python)
    built = [one.name for one in plan.python if not one.is_wheel]
    tail = f"; built on the board: {', '.join(built)}" if built else ""
    count = len(plan.python)
    tail += "; the environment sees Debian's Python modules" if plan.system_packages else ""
    tail += f", of which {here} {'is' if len(plan.carried) == 1 else 'are'} used" if here else ""
    return (
        f"{counted(count, 'distribution')} for Python {plan.target.python}, "
        f"{size_text(size)} to fetch{tail}"
    )


def _debian(plan: Plan) -> str:
    if not plan.debian_known:
        return "not planned: no mirror is known"
    if not plan.debian:
        return "nothing to install"
    size = sum(one.size for one in plan.debian)
    installed = sum(one.installed_size for one in plan.debian)
    base = "the base" if plan.base_known else "plain Debian's base"
    count = len(plan.debian)
    return (
        f"{counted(count, 'package')} beyond {base}, {size_text(size)} to fetch, "
        f"{size_text(installed)} on the card{_to_build(plan)}"
    )


def _to_build(plan: Plan) -> str:
    """Return how much of what Debian brings may go again once everything is built."""
    tools = [one for one in plan.debian if one.name in plan.debian_build]
    size = sum(one.installed_size for one in tools)
    return f", {size_text(size)} of it only to build" if tools else ""


def _wiring(plan: Plan) -> str:
    lines = {use.line for one in plan.assignments if one.on_board for use in one.lines}
    claims = len(plan.assignments)
    if not claims:
        return "nothing to wire"
    return f"{counted(claims, 'claim')} on {counted(len(lines), 'line')} of the header"


def _load(plan: Plan) -> Iterator[str]:
    """Yield what the plugins hold in use, where one says so, beside what the board has."""
    loads = [one for one in plan.instances if one.memory_mb or one.cpu_percent]
    if not loads:
        return
    has = plan.capacity
    memory = sum(one.memory_mb or 0 for one in loads) + has.system_memory_mb
    cpu = sum(one.cpu_percent or 0 for one in loads)
    least = f"{has.memory_sizes_mb[0]} MB" if has.memory_sizes_mb else "not known"
    more = " or more" if len(has.memory_sizes_mb) > 1 else ""
    cores = "not known" if has.cores is None else f"{has.cores * 100} %"
    silent = len(plan.instances) - len(loads)
    tail = f"; {counted(silent, 'plugin')} not counted" if silent else ""
    yield (
        f"{memory} MB of memory with the system's own, limit {least}{more}; "
        f"{cpu} % of a core, limit {cores}{tail}"
    )


def _card(plan: Plan) -> Iterator[str]:
    """Yield what the card must hold, where the robot file says how large it is."""
    has = plan.capacity
    if has.card_bytes is None:
        return
    items = sized_items(plan)
    stays = has.system_card_bytes + card_bytes(items)
    while_ = has.system_card_bytes + most_bytes(plan, items)
    yield (
        f"{size_text(stays)} with the system's own, {size_text(while_)} while it is installed, "
        f"limit {size_text(has.card_bytes)}"
    )


def _lasts(minutes: int | None, *, at_most: bool) -> str:
    if minutes is None:
        return ""
    hours = f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min"
    return f", lasts {'less than' if at_most else 'about'} {hours}"


def _rail(plan: Plan, at: int) -> str:
    rail = plan.rails[at]
    limit = "no limit declared" if rail.limit is None else f"limit {current_text(rail.limit)}"
    silent = sorted(_silent({one.name: one for one in plan.rails}, rail))
    return (
        f"{plain(rail.name)} {volt_text(rail.volts)}: {current_text(rail.typical)} typical, "
        f"{current_text(rail.peak)} peak, {limit}{_lasts(rail.run_minutes, at_most=bool(silent))}"
        + (f"; not counted: {', '.join(map(plain, silent))}" if silent else "")
    )


def _silent(rails: Mapping[str, Rail], rail: Rail) -> set[str]:
    """Return what draws from *rail*, or from a rail behind it, and says no current."""
    names: set[str] = set()
    seen = {str(rail.name)}
    left = [rail]
    while left:
        for load in left.pop().loads:
            if load.claim in BEHIND and load.instance in rails:
                if load.instance not in seen:
                    seen.add(str(load.instance))
                    left.append(rails[load.instance])
            elif load.typical is None and load.peak is None:
                board = load.instance == BOARD
                names.add("the board itself" if board else f"{load.instance}.{load.claim}")
    return names

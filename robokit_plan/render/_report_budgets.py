"""What runs out besides power: memory, processor and card, as bars; and what each plugin brings."""

from __future__ import annotations

from collections.abc import Iterator

from robokit_plan.model import (
    ItemKind,
    Plan,
    card_bytes,
    counted,
    fetched_bytes,
    instance_sizes,
    most_bytes,
    size_text,
    sized_items,
)

from ._report_html import Html, el, join
from ._report_plugins import plugin_link
from ._report_power import bar


def budgets(plan: Plan) -> Html:
    """Return the bars, what the sizes are made of, and the table of plugins."""
    return join([*_bars(plan), _made_of(plan), _table(plan)])


def _bars(plan: Plan) -> Iterator[Html]:
    has = plan.capacity
    items = sized_items(plan)
    memory = sum(one.memory_mb or 0 for one in plan.instances) + has.system_memory_mb
    cpu = sum(one.cpu_percent or 0 for one in plan.instances)
    sizes = has.memory_sizes_mb
    known = "no limit known"
    if sizes:
        limit = f"limit {sizes[0]} MB" + ("" if len(sizes) == 1 else ", the least of its kind")
    yield _bar(
        "memory",
        f"{memory} MB with the system's own, {limit if sizes else known}",
        (memory, memory),
        sizes[0] if sizes else None,
    )
    cores = None if has.cores is None else has.cores * 100
    yield _bar(
        "processor",
        f"{cpu} % of a core, {known if cores is None else f'limit {cores} %'}",
        (cpu, cpu),
        cores,
    )
    stays = has.system_card_bytes + card_bytes(items)
    most = has.system_card_bytes + most_bytes(plan, items)
    room = has.card_bytes
    yield _bar(
        "card",
        f"{size_text(stays)} with the system's own, {size_text(most)} while it is installed, "
        + ("its size is not said" if room is None else f"limit {size_text(room)}"),
        (stays, most),
        room,
    )


def _bar(name: str, words: str, used: tuple[int, int], limit: int | None) -> Html:
    """
    Return a figure from zero to *limit*; the second of *used* is reached in passing.

    Without a limit there is nothing to compare with, so words alone stand there.
    """
    return el(
        "figure",
        el("figcaption", el("strong", name), f": {words}"),
        None
        if limit is None
        else bar(f"{name}: {words}", typical=used[0], peak=used[1], limit=limit),
        class_="rail",
    )


def _made_of(plan: Plan) -> Html:
    items = sized_items(plan)
    rows = [
        f"{kind.value}: {counted(len(some), 'file')}, {size_text(fetched_bytes(some))} to fetch, "
        f"{size_text(card_bytes(some))} on the card"
        for kind in ItemKind
        if (some := [one for one in items if one.kind is kind])
    ]
    return el("ul", [el("li", words) for words in rows]) if rows else el("p", "Nothing is fetched.")


def _table(plan: Plan) -> Html | None:
    if not plan.instances:
        return None
    loads = {one.name: one for one in plan.instances}
    rows = []
    for size in instance_sizes(plan):
        one = loads[size.instance]
        cells = (
            size_text(size.own_fetch),
            size_text(size.own_card),
            size_text(size.shared_fetch),
            size_text(size.shared_card),
            "not said" if one.memory_mb is None else f"{one.memory_mb} MB",
            "not said" if one.cpu_percent is None else f"{one.cpu_percent} %",
        )
        rows.append(
            el(
                "tr",
                el("th", plugin_link(plan, size.instance), scope="row"),
                [el("td", words, class_="figure") for words in cells],
            )
        )
    heads = (
        "plugin", "own, to fetch", "own, on the card", "shared, to fetch", "shared, on the card",
        "memory", "of a core",
    )  # fmt: skip
    return join(
        [
            el(
                "p",
                "Own goes when this plugin alone is disabled; shared stays for others.",
                class_="quiet",
            ),
            el(
                "div",
                el(
                    "table",
                    el("caption", "what each plugin brings and holds in use", class_="unseen"),
                    el("thead", el("tr", [el("th", words, scope="col") for words in heads])),
                    el("tbody", rows),
                ),
                class_="wide",
                tabindex="0",
                role="group",
                aria_label="table of sizes, scrolls sideways where the screen is narrow",
            ),
        ]
    )

"""Whether the machine bears what is planned: memory, processor, card; pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from robokit_plan.model import (
    Board,
    BuildEffort,
    Capacity,
    DistributionName,
    Finding,
    Instance,
    InstanceName,
    ItemKind,
    MachineFacts,
    Place,
    Plan,
    Robot,
    Severity,
    System,
    building_bytes,
    fetched_bytes,
    finding,
    instance_sizes,
    listed,
    most_bytes,
    size_text,
    sized_items,
)

_CARDS_GB = (4, 8, 16, 32, 64, 128, 256, 512, 1024)
"""Sizes in which cards are sold; common practice, no source."""
_SHOWN = 3


def capacity_of(board: Board, system: System, facts: MachineFacts) -> Capacity:
    """Return what *board* with *system* on it has; the robot file's word goes first."""
    image = "vendor" if system.image == "vendor" else "debian"
    card = None if system.card_gb is None else system.card_gb * 10**9
    return Capacity(
        memory_sizes_mb=(
            board.memory_sizes_mb if system.memory_mb is None else (system.memory_mb,)
        ),
        cores=board.cores,
        card_bytes=None if card is None else card * (100 - facts.card_reserve_percent) // 100,
        system_memory_mb=facts.system_memory_mb,
        system_card_bytes=facts.system_card_mb.get((system.release, image), 0) * 10**6,
    )


def check_capacity(
    plan: Plan,
    robot: Robot,
    board: Board,
    instances: Sequence[Instance],
    efforts: Mapping[DistributionName, BuildEffort],
) -> Iterator[Finding]:
    """
    Yield what *plan* asks of the machine beyond what that has; *efforts* of what it builds there.

    What a plugin does not say counts as nothing, which the finding says; so does what is not
    known of the machine, but for its memory, where a note asks for it.
    """
    entries = {one.name: one for one in instances}
    yield from _memory(plan, robot, board, entries)
    yield from _processor(plan, entries)
    yield from _card(plan, robot, entries)
    yield from _builds(plan, robot, board, entries, efforts)


_Entries = Mapping[InstanceName, Instance]


def _memory(plan: Plan, robot: Robot, board: Board, entries: _Entries) -> Iterator[Finding]:
    taken = {one.name: one.memory_mb for one in plan.instances if one.memory_mb}
    sizes = plan.capacity.memory_sizes_mb
    need = sum(taken.values()) + plan.capacity.system_memory_mb
    if not taken or (sizes and need <= sizes[0]):
        return
    places = [
        Place(origin=entries[name].origin, label=f"{name} takes {taken[name]} MB")
        for name in sorted(taken)
    ]
    why = [
        f"{sum(taken.values())} MB by what the plugins say, {plan.capacity.system_memory_mb} MB "
        "for the system",
        *_silent([one.name for one in plan.instances if one.memory_mb is None]),
    ]
    key = robot.system.places.get("memory-mb", robot.places.get("board", robot.origin))
    if not sizes or (len(sizes) > 1 and need <= sizes[-1]):
        one_of = listed(map(str, sizes), "or")
        enough = next((size for size in sizes if size >= need), 1 << need.bit_length())
        yield finding(
            "memory-unknown",
            Severity.WARNING if sizes else Severity.NOTE,
            f"whether {need} MB fit the board's memory is not known: "
            + (f"it is sold with {one_of} MB" if sizes else "nobody says how large it is"),
            places=[Place(origin=key)],
            why=why,
            repair=f"system: {{memory-mb: {enough}}}   in robot.yaml, or what yours has",
            plugins=sorted(taken),
        )
        return
    more = [size for size in board.memory_sizes_mb if size >= need]
    yield finding(
        "memory-short",
        Severity.ERROR,
        f"{need} MB of memory are needed, {plan.board} has {sizes[-1]} MB",
        places=[Place(origin=key), *places],
        why=[*why, "what does not fit is killed, whichever plugin it belongs to"],
        repair=[
            *_without(taken, need - sizes[-1]),
            *(
                f"system: {{memory-mb: {size}}}   in robot.yaml, on a board that has as much"
                for size in more[:1]
            ),
        ],
        plugins=sorted(taken),
        resource="memory",
    )


def _processor(plan: Plan, entries: _Entries) -> Iterator[Finding]:
    taken = {one.name: one.cpu_percent for one in plan.instances if one.cpu_percent}
    cores, total = plan.capacity.cores, sum(taken.values())
    if cores is None or total <= cores * 100:
        return
    has = "one core" if cores == 1 else f"{cores} cores"
    yield finding(
        "cpu-short",
        Severity.WARNING,
        f"the plugins ask for {total} % of a core, {plan.board} has {has}",
        places=[
            Place(origin=entries[name].origin, label=f"{name} takes {taken[name]} %")
            for name in sorted(taken)
        ],
        why=[
            "everything gets slower then, also what must be in time",
            *_silent([one.name for one in plan.instances if one.cpu_percent is None]),
        ],
        repair=_without(taken, total - cores * 100),
        plugins=sorted(taken),
        resource="processor",
    )


def _card(plan: Plan, robot: Robot, entries: _Entries) -> Iterator[Finding]:
    room = plan.capacity.card_bytes
    if room is None:
        return
    items = sized_items(plan)
    fetched = fetched_bytes(items)
    building = building_bytes(plan)
    need = plan.capacity.system_card_bytes + most_bytes(plan, items)
    if need <= room:
        return
    sizes = {one.instance: one.own_card + one.own_fetch for one in instance_sizes(plan)}
    parts = [
        f"{kind.value} {size_text(size)}"
        for kind in ItemKind
        if (size := sum(one.card for one in items if one.kind is kind))
    ]
    large = sorted(items, key=lambda one: (-one.card, one.name))[:_SHOWN]
    keep = room / (robot.system.card_gb or 1)
    enough = next((size for size in _CARDS_GB if size * keep >= need), None)
    over = "" if size_text(need) != size_text(room) else f", {size_text(need - room)} too little"
    yield finding(
        "card-full",
        Severity.ERROR,
        f"{size_text(need)} of the card are needed, a card of {robot.system.card_gb} GB has room "
        f"for {size_text(room)}{over}",
        places=[
            Place(origin=robot.system.places.get("card-gb", robot.origin)),
            *(
                Place(origin=entries[name].origin, label=f"{name} alone: {size_text(size)}")
                for name, size in sorted(sizes.items())
                if size
            ),
        ],
        why=[
            f"the system {size_text(plan.capacity.system_card_bytes)} at the least, "
            f"{', '.join(parts)}, and {size_text(fetched)} while it is fetched"
            + (f", {size_text(building)} while it is built" if building else ""),
            "most of it: " + ", ".join(f"{one.name} {size_text(one.card)}" for one in large),
        ],
        repair=[
            *([] if enough is None else [f"system: {{card-gb: {enough}}}   in robot.yaml"]),
            *_without(sizes, need - room),
        ],
        plugins=sorted(name for name, size in sizes.items() if size),
        resource="card",
    )


def _builds(
    plan: Plan,
    robot: Robot,
    board: Board,
    entries: _Entries,
    efforts: Mapping[DistributionName, BuildEffort],
) -> Iterator[Finding]:
    """Yield what cannot be compiled in the memory that is there, as far as that is known."""
    sizes = plan.capacity.memory_sizes_mb
    for pin in plan.python:
        effort = efforts.get(pin.name)
        if effort is None or not sizes or effort.memory_mb <= sizes[-1]:
            continue
        key = robot.system.places.get("memory-mb", robot.places.get("board", robot.origin))
        more = [size for size in board.memory_sizes_mb if size >= effort.memory_mb]
        yield finding(
            "build-memory-short",
            Severity.WARNING,
            f"compiling {pin.name} {pin.version} takes {effort.memory_mb} MB of memory, "
            f"{plan.board} has {sizes[-1]} MB",
            places=[
                Place(origin=key),
                *(
                    Place(origin=entries[name].origin, label=f"{name} leads to {pin.name}")
                    for name in pin.wanted_by
                ),
            ],
            why=[
                "the compiler is killed where memory and swap run out, after hours perhaps",
                effort.source,
            ],
            repair=[
                f"robokit-plan disable {' '.join(pin.wanted_by)}",
                *(
                    f"system: {{memory-mb: {size}}}   in robot.yaml, on a board that has as much"
                    for size in more[:1]
                ),
            ],
            plugins=pin.wanted_by,
            resource=pin.name,
        )


def _silent(names: Sequence[InstanceName]) -> list[str]:
    if not names:
        return []
    some = ", ".join(names[:_SHOWN]) + (" and others" if len(names) > _SHOWN else "")
    return [f"not counted, since nobody says what they take: {some}"]


def _without(taken: Mapping[InstanceName, int], over: int) -> list[str]:
    """Return commands that free *over*: one plugin each where one is enough, else the fewest."""
    order = sorted(taken, key=lambda name: (-taken[name], name))
    alone = [name for name in order if taken[name] >= over]
    if alone:
        return [f"robokit-plan disable {name}" for name in alone[:_SHOWN]]
    some: list[InstanceName] = []
    for name in order:
        some.append(name)
        over -= taken[name]
        if over <= 0:
            return [f"robokit-plan disable {' '.join(some)}"]
    return []

"""One machine beside its lock file: what differs, and what could not be seen."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from enum import Enum

from robokit_plan.model import (
    Assignment,
    MachineState,
    Plan,
    UnitState,
    counted,
    dataclass,
    listed,
    size_text,
)

from ._findings import Json, render_json
from ._plain import plain
from ._script import (
    COMMAND_LINE_KINDS,
    boot_file_of,
    kernel_modules,
    profile_word,
    unit_name,
)
from ._table import fitted, row_lines
from ._wiring_json import asset_path, render_wiring_json

RESERVE = 200_000_000
"""Bytes that a running system should find free: logs, updates; common practice, no source."""


class Verdict(Enum):
    """What a comparison found."""

    SAME = "as planned"
    DIFFERS = "differs"
    UNKNOWN = "not seen"


@dataclass(frozen=True, kw_only=True, slots=True)
class MachineRow:
    """
    One thing that the plan says and the machine has, or has not.

    `area` is a word of the plan's parts; `found` in words.
    """

    area: str
    item: str
    planned: str
    found: str
    verdict: Verdict


def compare_machine(
    plan: Plan,
    state: MachineState,
    *,
    home: str,
    lock_sha256: str | None = None,
    union: Plan | None = None,
) -> tuple[MachineRow, ...]:
    """
    Return every comparison, in the order of the script's steps.

    Args:
        plan: Read from the lock file.
        state: Of the machine, asked for all that `asked_of` names.
        home: The robot's folder on the machine.
        lock_sha256: Of the lock file, to know whether it is the one that was installed.
        union: Of *plan* and the further profiles that the machine can switch to, where it has any.
    """
    everything = plan if union is None else union
    return (
        *_target(plan, state, lock_sha256),
        *_profile(plan, state, home),
        *_debian(everything, state),
        *_python(everything, state),
        *_groups(everything, state),
        *_services(everything, state),
        *_texts(plan, everything, state, home),
        *_boot(plan, state),
        *_assets(everything, state, home),
        *_secrets(everything, state),
        *_disk(state),
        *_devices(plan, state),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class MachineQuestion:
    """What must be read of a machine to compare it: paths, units, names of variables."""

    texts: tuple[str, ...]
    hashes: tuple[str, ...]
    units: tuple[str, ...]
    variables: tuple[str, ...]
    devices: tuple[str, ...]


def asked_of(plan: Plan, *, home: str, union: Plan | None = None) -> MachineQuestion:
    """Return what comparing *plan* with a machine takes; *union* as for `compare_machine`."""
    everything = plan if union is None else union
    machine = everything.machine
    units = {unit_name(one) for one in (*machine.start, *machine.stop)}
    if plan.program is not None:
        units.add(f"{plan.robot}.service")
    files = {place for file in _boot_files(plan) for place in _places(file)}
    files |= {path for path, _ in _own_texts(plan, everything, home)}
    files.add(profile_file(home))
    devices = {one.device for one in plan.assignments if one.device}
    return MachineQuestion(
        texts=tuple(sorted(files)),
        hashes=tuple(
            sorted(f"{home}/{asset_path(one.instance, one.path)}" for one in machine.assets)
        ),
        units=tuple(sorted(units)),
        variables=tuple(sorted({one.name for _, one in machine.environment})),
        devices=tuple(sorted(devices)),
    )


# --- parts ----------------------------------------------------------------------------------------


def _row(area: str, item: str, planned: str, found: str | None) -> MachineRow:
    """Return a row; None as *found* is what could not be seen."""
    if found is None:
        return MachineRow(
            area=area, item=item, planned=planned, found="could not be seen",
            verdict=Verdict.UNKNOWN,
        )  # fmt: skip
    verdict = Verdict.SAME if found == planned else Verdict.DIFFERS
    return MachineRow(area=area, item=item, planned=planned, found=found, verdict=verdict)


def _target(plan: Plan, state: MachineState, lock_sha256: str | None) -> Iterator[MachineRow]:
    if state.board is None:
        yield _row("machine", "board", plan.board, None)
    else:
        own = plan.board in state.board
        yield _row("machine", "board", plan.board, plan.board if own else state.board[0])
    yield _row("machine", "release", plan.target.release, state.release)
    yield _row("machine", "architecture", plan.target.architecture, state.architecture)
    if lock_sha256 is not None:
        have = (state.lock or "").split()
        planned = f"{lock_sha256[:12]} installed"
        if lock_sha256 in have:
            found = planned
        elif have:
            found = f"{listed(one[:12] for one in have)} installed"
        else:
            found = "never installed as a whole"
        yield _row("machine", "lock file", planned, found)


def _profile(plan: Plan, state: MachineState, home: str) -> Iterator[MachineRow]:
    """Yield which profile was chosen, where the machine has more than one."""
    chosen = state.texts.get(profile_file(home))
    if chosen is not None:
        yield _row("machine", "profile", profile_word(plan), chosen.strip())


def profile_file(home: str) -> str:
    """Return where the script notes which profile was chosen."""
    return f"{home}/state/profile"


def _debian(plan: Plan, state: MachineState) -> Iterator[MachineRow]:
    for pin in plan.debian:
        key = f"{pin.name}:{pin.architecture}"
        have = state.packages.get(key)
        if have is None or have.status in {"not-installed", "config-files"}:
            if pin.name in plan.debian_build and state.python is not None:
                continue  # what only builds need may go once everything is built
            found = "not installed"
        elif have.status != "installed":
            found = f"{have.version}, {have.status}"
        else:
            found = have.version
        yield _row("Debian", pin.name, pin.version, found)


def _python(plan: Plan, state: MachineState) -> Iterator[MachineRow]:
    if state.python is None:
        yield _row("Python", "virtual environment", "there", "there is none")
        return
    planned = {str(pin.name): pin.version for pin in plan.python}
    for name, version in sorted(planned.items()):
        yield _row("Python", name, version, state.python.get(name, "not installed"))
    expected = {"pip", "setuptools", "wheel", *planned}
    for name, version in sorted(state.python.items()):
        if name not in expected:
            yield _row("Python", name, "none", version)
    shown = ", ".join(state.damaged[:3]) + (" and more" if len(state.damaged) > 3 else "")
    found = "as installed"
    if state.damaged:
        found = f"{counted(len(state.damaged), 'file')} changed or gone: {shown}"
    yield _row("Python", "recorded hashes", "as installed", found)


def _groups(plan: Plan, state: MachineState) -> Iterator[MachineRow]:
    if not plan.machine.groups or plan.program_user in {None, "root"}:
        return
    user = str(plan.program_user)
    for name in sorted(plan.machine.groups):
        if state.groups is None:
            found = f"there is no user {user}"
        else:
            found = f"{user} in it" if name in state.groups else f"{user} not in it"
        yield _row("groups", name, f"{user} in it", found)


def _services(plan: Plan, state: MachineState) -> Iterator[MachineRow]:
    for name in sorted(plan.machine.stop):
        unit = state.units.get(unit_name(name), UnitState(state="absent"))
        quiet = unit.state in {"masked", "absent"} and not unit.active
        found = "off" if quiet else ("runs" if unit.active else unit.state)
        yield _row("services", name, "off", found)
    for name in sorted(plan.machine.start):
        unit = state.units.get(unit_name(name), UnitState(state="absent"))
        good = unit.state in {"enabled", "static"} and unit.active is not False
        found = "on" if good else ("does not run" if unit.active is False else unit.state)
        yield _row("services", name, "on", found)
    if plan.program is not None:
        unit = state.units.get(f"{plan.robot}.service", UnitState(state="absent"))
        there = "there" if unit.state in {"enabled", "disabled", "static"} else unit.state
        yield _row("services", f"{plan.robot}.service", "there", there)


def _own_texts(plan: Plan, union: Plan, home: str) -> list[tuple[str, str]]:
    """Return the files that are the script's alone and that only the plan decides."""
    load, block = kernel_modules(union)
    texts = [(f"{home}/wiring.json", render_wiring_json(plan))]
    if load:
        text = "".join(f"{one}\n" for one in load)
        texts.append((f"/etc/modules-load.d/robokit-{plan.robot}.conf", text))
    if block:
        text = "".join(f"blacklist {one}\ninstall {one} /bin/false\n" for one in block)
        texts.append((f"/etc/modprobe.d/robokit-{plan.robot}.conf", text))
    if union.udev_rules:
        text = "".join(f"{one}\n" for one in union.udev_rules)
        texts.append((f"/etc/udev/rules.d/60-robokit-{plan.robot}.rules", text))
    return texts


def _texts(plan: Plan, union: Plan, state: MachineState, home: str) -> Iterator[MachineRow]:
    for path, text in _own_texts(plan, union, home):
        have = state.texts.get(path)
        found = "not there" if have is None else ("as planned" if have == text else "other text")
        yield _row("files", path, "as planned", found)


def _boot_files(plan: Plan) -> set[str]:
    return {boot_file_of(one) for one in plan.boot if not one.kind.startswith("module-")}


def _places(file: str) -> tuple[str, ...]:
    """Return where a boot file may be: images moved ``/boot/firmware``."""
    if file.startswith("/boot/firmware/"):
        return file, f"/boot/{file.removeprefix('/boot/firmware/')}"
    return (file,)


def _boot(plan: Plan, state: MachineState) -> Iterator[MachineRow]:
    running = None if state.command_line is None else state.command_line.split()
    for one in plan.boot:
        if one.kind.startswith("module-"):
            continue
        file = boot_file_of(one)
        have = next(
            (text for place in _places(file) if (text := state.texts.get(place)) is not None), None
        )
        gone = one.frees or one.kind == "kernel-command-line-remove"
        planned = f"not in {file}" if gone else f"in {file}"
        if have is None:
            yield _row("boot", one.text, planned, planned if gone else f"no {file} here")
            continue
        if one.kind in COMMAND_LINE_KINDS:
            device = one.text.partition(",")[0]
            there = (
                any(word.partition(",")[0] == device for word in have.split())
                if gone
                else one.text in have.split()
            )
        else:
            there = one.text in _unfiltered(have)
        found = f"in {file}" if there else f"not in {file}"
        yield _row("boot", one.text, planned, found)
        if one.kind in COMMAND_LINE_KINDS and found == planned and running is not None:
            now = (
                any(word.partition(",")[0] == one.text.partition(",")[0] for word in running)
                if gone
                else one.text in running
            )
            if now == gone:
                yield _row("boot", f"{one.text} (running)", "in force", "acts after a restart")


def _unfiltered(text: str) -> Iterator[str]:
    """
    Yield the lines of a boot file that hold for every board: below no filter but ``[all]``.

    Source:
        the board maker's documentation of config.txt, conditional filters (from memory).
    """
    for_all = True
    for line in text.splitlines():
        if line.startswith("[") and line.rstrip().endswith("]"):
            for_all = line.rstrip() == "[all]"
        elif for_all:
            yield line


def _assets(plan: Plan, state: MachineState, home: str) -> Iterator[MachineRow]:
    for one in plan.machine.assets:
        path = asset_path(one.instance, one.path)
        have = state.hashes.get(f"{home}/{path}")
        wanted = (one.sha256 or "")[:12]
        yield _row("assets", path, wanted, "not there" if have is None else have[:12])


def _secrets(plan: Plan, state: MachineState) -> Iterator[MachineRow]:
    names = sorted({one.name for _, one in plan.machine.environment})
    if not names:
        return
    if state.secrets_mode is None:
        found: str | None = "not there"
    else:
        found = "owner only" if not state.secrets_mode & 0o077 else "others may read it"
    yield _row("secrets", "environment", "owner only", found)
    for name in names:
        given = None if state.variables is None else state.variables.get(name, False)
        found = None if given is None else ("has a value" if given else "no value")
        yield _row("secrets", name, "has a value", found)


def _disk(state: MachineState) -> Iterator[MachineRow]:
    planned = f"{size_text(RESERVE)} free"
    if state.free is None:
        yield _row("disk", "free", planned, None)
        return
    enough = state.free >= RESERVE
    yield MachineRow(
        area="disk",
        item="free",
        planned=planned,
        found=f"{size_text(state.free)} free",
        verdict=Verdict.SAME if enough else Verdict.DIFFERS,
    )


def _devices(plan: Plan, state: MachineState) -> Iterator[MachineRow]:
    for one in sorted(plan.assignments, key=lambda one: (one.instance, one.section, one.claim)):
        item = f"{one.instance}.{one.claim}"
        planned = f"{one.resource} there"
        match one.section:
            case "usb" | "controllers" if one.resource.startswith("usb "):
                yield _row("devices", item, planned, _usb(one, state))
            case "camera":
                found = None
                if state.cameras:  # which connector a sensor is at, the kernel does not say
                    found = planned
                yield _row("devices", item, planned, found)
            case "audio":
                found = None
                if state.cards is not None:
                    found = planned if state.cards else "no sound card"
                yield _row("devices", item, planned, found)
            case "i2c" if one.address is not None:
                yield _row("devices", item, planned, _i2c(one, state))
            case _ if one.device is not None:
                there = state.paths.get(one.device)
                words = None if there is None else (planned if there else f"no {one.device}")
                yield _row("devices", item, planned, words)


def _usb(one: Assignment, state: MachineState) -> str | None:
    if state.usb is None:
        return None
    words = one.resource.split(" ")
    wanted, serial = words[1].lower(), " ".join(words[3:]) or None
    for device in state.usb:
        if device.id.lower() == wanted and serial in {None, device.serial}:
            return f"{one.resource} there"
    return "not plugged in"


def _i2c(one: Assignment, state: MachineState) -> str | None:
    """Return whether it is there: a driver of the kernel holds it; else only the bus is seen."""
    if one.device is None or not state.paths:
        return None
    if not state.paths.get(one.device, False):
        return f"no {one.device}"
    number = one.device.rpartition("-")[2]
    held = f"{number}-{one.address or 0:04x}" in state.i2c_bound
    return f"{one.resource} there" if held else None


# --- text -----------------------------------------------------------------------------------------


def render_machine_text(
    plan: Plan, rows: Iterable[MachineRow], *, width: int = 100, everything: bool = False
) -> str:
    """Return what differs as a table by part, what was not seen in a line, and the verdict."""
    rows = list(rows)
    shown = [one for one in rows if everything or one.verdict is Verdict.DIFFERS]
    blocks = []
    if shown:
        table = [("item", "planned", "found")]
        table += [(plain(one.item), plain(one.planned), plain(one.found)) for one in shown]
        widths = fitted(table, width - 2)
        lines = row_lines(table[0], widths, indent="  ")
        area = ""
        for one, row in zip(shown, table[1:], strict=True):
            if one.area != area:
                area = one.area
                lines += ["", area]
            lines += row_lines(row, widths, indent="  ")
        blocks.append("\n".join(line.rstrip() for line in lines))
    unseen = [one for one in rows if one.verdict is Verdict.UNKNOWN]
    if unseen and not everything:
        names = ", ".join(plain(f"{one.area} {one.item}") for one in unseen)
        blocks.append(f"not seen without disturbing it: {names}")
    blocks.append(machine_verdict(plan, rows))
    return "\n\n".join(blocks) + "\n"


def machine_verdict(plan: Plan, rows: Iterable[MachineRow]) -> str:
    """Return in one sentence whether the machine is what the lock file says."""
    rows = list(rows)
    differs = sum(one.verdict is Verdict.DIFFERS for one in rows)
    same = sum(one.verdict is Verdict.SAME for one in rows)
    who = plain(plan.robot)
    if differs:
        return (
            f"{who} differs from its lock file in {counted(differs, 'thing')}; {same} are as "
            "planned   fix: sudo sh install.sh"
        )
    return f"{who} is what its lock file says: {counted(same, 'thing')} compared"


def render_machine_json(
    plan: Plan, rows: Iterable[MachineRow], *, stale: Sequence[str] = ()
) -> str:
    """Return every row for other programs; *stale*: what changed beside the lock file since."""
    rows = list(rows)
    found: Json = {
        "robot": plan.robot,
        "profile": plan.profile,
        "ok": all(one.verdict is not Verdict.DIFFERS for one in rows),
        "stale": list(stale),
        "rows": [
            {
                "area": one.area,
                "item": one.item,
                "planned": one.planned,
                "found": None if one.verdict is Verdict.UNKNOWN else one.found,
                "verdict": one.verdict.value,
            }
            for one in rows
        ],
    }
    return render_json(found)

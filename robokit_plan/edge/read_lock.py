"""
Reads a lock file back into a plan.

`parse_lock` is pure; `read_lock` only opens the file. A lock file may come from a stranger as
well, so every value is checked for its type, and every name that later builds a line of a system
file for its alphabet.
"""

from __future__ import annotations

import re
import shlex
import tomllib
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

from robokit_plan.model import (
    Active,
    Assignment,
    BoardId,
    BootSetting,
    BusName,
    CapabilityName,
    Capacity,
    CarriedPin,
    ClaimName,
    ControllerName,
    DebianName,
    DebianPin,
    Direction,
    DistributionName,
    Finding,
    Hertz,
    IndexFile,
    InstanceName,
    LineName,
    LineUse,
    Load,
    Machine,
    Milliamp,
    Millivolt,
    Origin,
    PinId,
    Plan,
    PlannedAsset,
    PlannedInstance,
    PlannedSource,
    PluginName,
    PortName,
    Pull,
    PythonPin,
    Rail,
    ResourceName,
    RobotName,
    SettingValue,
    Severity,
    SupplyName,
    Target,
    Variable,
    VariantName,
    dataclass,
    finding,
    is_archive_address,
    is_archive_word,
    is_base64,
    is_boot_command,
    is_boot_file,
    is_debian_name,
    is_debian_version,
    is_keyring,
    is_machine_name,
    is_module_name,
    is_plain_line,
    is_python_name,
    is_relative_path,
    is_sha256,
    is_udev_rule,
    is_variable_name,
    limit_text,
)

from .unreadable import UnreadableFile

LOCK_FORMAT = 1
MAX_BYTES = 16_000_000
"""Of a lock file; a large robot needs less than a tenth."""

_ROBOT = re.compile(r"[a-z][a-z0-9-]*", re.ASCII)
_PYTHON_MINOR = re.compile(r"3\.[0-9]{1,3}", re.ASCII)
_PYTHON_VERSION = re.compile(r"[0-9A-Za-z][0-9A-Za-z.!+_-]*", re.ASCII)
_T = TypeVar("_T")
_MAKE = "robokit-plan lock"
_Check = Callable[[str], bool]


class LockError(Exception):
    """A lock file cannot be used; `finding` says where, why and what to do."""

    def __init__(self, finding: Finding) -> None:
        self.finding = finding
        super().__init__(f"{finding.places[0].origin}: {finding.message}")


def read_lock(path: Path) -> Plan:
    """
    Return the plan in the lock file at *path*.

    Raises:
        UnreadableFile: No such file, no right to read it, too large, or no UTF-8.
        LockError: It is no lock file of this tool, or one of a newer format.
    """
    place = Origin(file=path.name)
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise UnreadableFile.at(
            place, (error.strerror or "cannot be read").lower(), _MAKE
        ) from error
    if len(raw) > MAX_BYTES:
        raise UnreadableFile.at(place, f"it is larger than {limit_text(MAX_BYTES)}", _MAKE)
    try:
        text = raw.decode()
    except UnicodeDecodeError as error:
        raise UnreadableFile.at(place, f"it is not UTF-8 at byte {error.start}", _MAKE) from error
    return parse_lock(text, file=path.name)


def parse_lock(text: str, *, file: str) -> Plan:
    """
    Return the plan that *text* holds, without findings and tags; *file* names it in findings.

    Raises:
        LockError: With rule ``lock-invalid`` or ``format-too-new``.
    """
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise LockError(_syntax(error, file=file)) from error
    try:
        return _plan(_Table(content, ()), Origin(file=file))
    except _WrongError as wrong:
        raise LockError(_complaint(wrong, text, file=file)) from wrong


# --- complaints -----------------------------------------------------------------------------


class _WrongError(Exception):
    """A value at `path` (keys and positions) is not what it should be."""

    def __init__(
        self, path: tuple[str | int, ...], message: str, *, rule: str = "lock-invalid"
    ) -> None:
        self.path = path
        self.message = message
        self.rule = rule
        super().__init__(message)


def _syntax(error: Exception, *, file: str) -> Finding:
    found = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
    line, column = (int(found[1]), int(found[2])) if found else (0, 0)
    match error:
        case tomllib.TOMLDecodeError():
            words = re.sub(r"\s*\(at .*\)$", "", str(error))
        case RecursionError():
            words = "it nests too deeply"
        case _:  # the only other one that the parser lets through
            words = "a number in it has too many digits"
    return finding(
        "lock-invalid",
        Severity.ERROR,
        f"the lock file is not TOML: {words[:1].lower()}{words[1:]}",
        places=[Origin(file=file, line=line, column=column)],
        why="it was edited by hand, or a merge left its marks in it",
        repair=_MAKE,
    )


def _complaint(wrong: _WrongError, text: str, *, file: str) -> Finding:
    repair = (
        "update robokit-plan, or make the lock file anew with this one: robokit-plan lock"
        if wrong.rule == "format-too-new"
        else _MAKE
    )
    return finding(
        wrong.rule,
        Severity.ERROR,
        f"{_path_text(wrong.path)}: {wrong.message}" if wrong.path else wrong.message,
        places=[Origin(file=file, line=_line_of(wrong.path, text), column=1)],
        why="a lock file is used only where every value in it is understood",
        repair=repair,
    )


def _path_text(path: tuple[str | int, ...]) -> str:
    text = ""
    for step in path:
        text += f"[{step}]" if isinstance(step, int) else f"{'.' if text else ''}{step}"
    return text


def _line_of(path: tuple[str | int, ...], text: str) -> int:
    """
    Return the line where the value at *path* stands, or the nearest table above it.

    The TOML reader of the standard library keeps no positions; lock files are written one key a
    line, so counting headers finds them.
    """
    best, depth = 1, 0
    here: tuple[str | int, ...] = ()
    seen: dict[tuple[str | int, ...], int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        header = re.fullmatch(r"\s*(\[\[?)([^\[\]]+)\]\]?\s*", line)
        if header:
            names: tuple[str | int, ...] = ()
            for name in (part.strip().strip('"') for part in header[2].split(".")):
                names = (*names, name)
                if names in seen and names != tuple(header[2].split(".")):
                    names = (*names, seen[names])
            if header[1] == "[[":
                seen[names] = seen.get(names, -1) + 1
                names = (*names, seen[names])
            here, candidate = names, names
        else:
            key = re.match(r'\s*"?([A-Za-z0-9_-]+)"?\s*=', line)
            if not key:
                continue
            candidate = (*here, key[1])
        if len(candidate) > depth and path[: len(candidate)] == candidate:
            best, depth = number, len(candidate)
    return best


# --- typed access ---------------------------------------------------------------------------

_WORDS = {
    str: "text",
    int: "a whole number",
    bool: "true or false",
    dict: "a table",
    list: "a list",
    datetime: "a date and time",
}


@dataclass(frozen=True, slots=True)
class _Table:
    """A TOML table that knows its path, so that each complaint names it."""

    content: Mapping[str, object]
    path: tuple[str | int, ...]

    def only(self, *known: str) -> None:
        """Refuse keys that are not *known*."""
        for name in self.content:
            if name not in known:
                raise _WrongError((*self.path, name), "this key is not known")

    def find(self, name: str, kind: type[_T]) -> _T | None:
        """Return the value of *name*, None where it is absent."""
        if name not in self.content:
            return None
        return _typed(self.content[name], kind, (*self.path, name))

    def need(self, name: str, kind: type[_T]) -> _T:
        """Return the value of *name*."""
        found = self.find(name, kind)
        if found is None:
            raise _WrongError(self.path, f"{name} is missing")
        return found

    def text(self, name: str, check: _Check | None = None, wanted: str = "") -> str:
        """Return a string that is there and passes *check*."""
        found = self.need(name, str)
        if check is not None and not check(found):
            raise _WrongError((*self.path, name), f"{found!r} is not {wanted}")
        return found

    def find_text(self, name: str, check: _Check | None = None, wanted: str = "") -> str | None:
        """Return a string that passes *check*, or None."""
        return self.text(name, check, wanted) if name in self.content else None

    def flag(self, name: str, *, default: bool = False) -> bool:
        """Return a boolean."""
        found = self.find(name, bool)
        return default if found is None else found

    def count(self, name: str) -> int:
        """Return a whole number that is not negative."""
        found = self.need(name, int)
        if found < 0:
            raise _WrongError((*self.path, name), f"{found} is negative")
        return found

    def find_count(self, name: str) -> int | None:
        """Return a whole number that is not negative, or None."""
        return self.count(name) if name in self.content else None

    def counts(self, name: str) -> tuple[int, ...]:
        """Return a list of whole numbers that are not negative; empty where it is absent."""
        found: list[object] = self.find(name, list) or []
        counts = [_typed(one, int, (*self.path, name, at)) for at, one in enumerate(found)]
        if any(one < 0 for one in counts):
            raise _WrongError((*self.path, name), "holds a negative number")
        return tuple(counts)

    def table(self, name: str) -> _Table:
        """Return a table; empty where it is absent."""
        found = self.find(name, dict)
        return _Table(found or {}, (*self.path, name))

    def rows(self, name: str) -> list[_Table]:
        """Return the tables of an array; empty where it is absent."""
        found: list[object] = self.find(name, list) or []
        path = (*self.path, name)
        return [_Table(_typed(one, dict, (*path, at)), (*path, at)) for at, one in enumerate(found)]

    def texts(self, name: str, check: _Check | None = None, wanted: str = "") -> tuple[str, ...]:
        """Return a list of strings; empty where it is absent."""
        found: list[object] = self.find(name, list) or []
        texts = []
        for at, one in enumerate(found):
            text = _typed(one, str, (*self.path, name, at))
            if check is not None and not check(text):
                raise _WrongError((*self.path, name, at), f"{text!r} is not {wanted}")
            texts.append(text)
        return tuple(texts)

    def instances(self, name: str = "for") -> tuple[InstanceName, ...]:
        """Return a list of instance names."""
        return tuple(InstanceName(one) for one in self.texts(name, is_plain_line, "one line"))


def _typed(value: object, kind: type[_T], path: tuple[str | int, ...]) -> _T:
    if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
        raise _WrongError(path, f"must be {_WORDS[kind]}")
    return value


def _maybe(make: Callable[[str], _T], text: str | None) -> _T | None:
    return None if text is None else make(text)


# --- values ---------------------------------------------------------------------------------

_BOOT_KINDS = frozenset(
    {
        "parameter",
        "overlay",
        "firmware",
        "kernel-command-line",
        "kernel-command-line-remove",
        "file-line",
        "module-load",
        "module-block",
    }
)
_ONE_LINE = (is_plain_line, "one line of text")
_ADDRESS = (
    lambda one: is_plain_line(one) and not set(one) & set(" ;\\'\""),
    "an address without blanks and quotes",
)
_HASH = (is_sha256, "a sha-256 in lower-case hexadecimal")


def _plan(top: _Table, origin: Origin) -> Plan:
    lock_version = top.text("lock-version")
    if not re.fullmatch(r"1\.[0-9]+", lock_version):
        raise _WrongError(
            ("lock-version",), f"{lock_version!r} is not known, 1.0 is", rule="format-too-new"
        )
    tools = top.table("tool")
    if "robokit-plan" not in tools.content:
        raise _WrongError((), "the lock file has no table tool.robokit-plan: another tool wrote it")
    ours = tools.table("robokit-plan")
    found = ours.count("format")
    if found > LOCK_FORMAT:
        raise _WrongError(
            (*ours.path, "format"),
            f"format {found} is newer than {LOCK_FORMAT}, the newest that is known here",
            rule="format-too-new",
        )
    if found < 1:
        raise _WrongError((*ours.path, "format"), f"{found} is not a format")
    ours.only(
        "format", "robot", "profile", "board", "system-packages", "program", "program-user",
        "keep-logs", "target", "instances", "providers", "assignments", "carried", "build",
        "indexes", "build-environment", "build-room", "debian", "boot", "modules", "udev",
        "machine", "rails", "hazards", "digests", "capacity",
    )  # fmt: skip
    debian = ours.table("debian")
    debian.only("known", "base-known", "suites", "build-only", "packages", "sources")
    udev = ours.table("udev")
    udev.only("rules")
    return Plan(
        robot=RobotName(ours.text("robot", lambda one: bool(_ROBOT.fullmatch(one)), "a name")),
        profile=ours.find_text("profile", is_machine_name, "a name"),
        board=BoardId(ours.text("board", *_ONE_LINE)),
        target=_target(ours.table("target")),
        instances=tuple(_instance(one) for one in ours.rows("instances")),
        providers=_providers(ours.table("providers")),
        assignments=tuple(_assignment(one) for one in ours.rows("assignments")),
        python=tuple(_python(one) for one in top.rows("packages")),
        carried=tuple(_carried(one) for one in ours.rows("carried")),
        build=tuple(_python(one) for one in ours.rows("build")),
        debian=tuple(_debian(one) for one in debian.rows("packages")),
        debian_build=tuple(
            DebianName(one)
            for one in debian.texts("build-only", is_debian_name, "a Debian package name")
        ),
        debian_known=debian.flag("known", default=True),
        base_known=debian.flag("base-known", default=True),
        debian_suites=debian.texts("suites", *_ONE_LINE),
        boot=tuple(_boot(one) for one in ours.rows("boot")),
        machine=_machine(ours.table("machine"), origin),
        rails=tuple(_rail(one) for one in ours.rows("rails")),
        hazards=_asked(ours.table("hazards")),
        digests=_strings(ours.table("digests")),
        program=ours.find_text("program", _is_command, "a command with closed quotes"),
        program_user=ours.find_text("program-user", is_machine_name, "a user name"),
        keep_logs=ours.count("keep-logs") if "keep-logs" in ours.content else 1,
        indexes=_strings(ours.table("indexes")),
        system_packages=ours.flag("system-packages"),
        sources=tuple(_source(one) for one in debian.rows("sources")),
        build_environment=_build_environment(ours.table("build-environment")),
        build_room=_build_room(ours.table("build-room")),
        modules=_modules(ours.table("modules")),
        capacity=_capacity(ours.table("capacity")),
        udev_rules=udev.texts("rules", is_udev_rule, "a udev rule that runs nothing"),
    )


def _source(table: _Table) -> PlannedSource:
    table.only("name", "url", "suites", "components", "keyring", "key", "priority", "only", "dated")
    return PlannedSource(
        name=table.text("name", is_python_name, "a name"),
        url=table.text("url", is_archive_address, "an address of an archive"),
        suites=table.texts("suites", is_archive_word, "a suite"),
        components=table.texts("components", is_archive_word, "a component"),
        key=table.find_text("key", is_base64, "base64") or "",
        keyring=table.find_text("keyring", is_keyring, "a keyring of a package"),
        priority=table.find("priority", int),
        only=table.texts("only", is_debian_name, "a Debian package name"),
        dated=table.flag("dated"),
    )


def _build_environment(
    table: _Table,
) -> dict[DistributionName, tuple[tuple[str, str], ...]]:
    found = {}
    for name in sorted(table.content):
        if not is_python_name(name):
            raise _WrongError((*table.path, name), "is not a normalised name (PEP 503)")
        pairs = _strings(table.table(name))
        for variable in pairs:
            if not is_variable_name(variable):
                raise _WrongError((*table.path, name, variable), "is not a name of a variable")
        found[DistributionName(name)] = tuple(pairs.items())
    return found


def _build_room(table: _Table) -> dict[DistributionName, int]:
    for name in table.content:
        if not is_python_name(name):
            raise _WrongError((*table.path, name), "is not a normalised name (PEP 503)")
    return {DistributionName(name): table.count(name) for name in sorted(table.content)}


def _modules(table: _Table) -> dict[str, tuple[InstanceName, ...]]:
    for name in table.content:
        if not is_module_name(name):
            raise _WrongError((*table.path, name), f"{name!r} is not an import name")
    return {name: table.instances(name) for name in sorted(table.content)}


def _is_command(text: str) -> bool:
    try:
        return is_plain_line(text) and bool(shlex.split(text))
    except ValueError:
        return False


def _strings(table: _Table) -> dict[str, str]:
    return {name: table.text(name, *_ONE_LINE) for name in sorted(table.content)}


def _providers(table: _Table) -> dict[CapabilityName, InstanceName]:
    return {CapabilityName(name): InstanceName(one) for name, one in _strings(table).items()}


def _asked(table: _Table, *, names: bool = False) -> dict[str, tuple[InstanceName, ...]]:
    for name in table.content:
        if names and not is_machine_name(name):
            raise _WrongError((*table.path, name), f"{name!r} is not a name of the system")
    return {name: table.instances(name) for name in sorted(table.content)}


def _target(table: _Table) -> Target:
    table.only("release", "image", "architecture", "python", "markers")
    return Target(
        release=table.text("release", is_machine_name, "a release"),
        image=table.text("image", *_ONE_LINE),
        architecture=table.text("architecture", is_debian_name, "a Debian architecture"),
        python=table.text(
            "python", lambda one: bool(_PYTHON_MINOR.fullmatch(one)), "a version such as '3.13'"
        ),
        tags=(),
        markers={
            name: table.table("markers").need(name, str)
            for name in sorted(table.table("markers").content)
        },
    )


def _instance(table: _Table) -> PlannedInstance:
    table.only(
        "name", "plugin", "version", "variant", "behaviour", "settings", "unset", "provides",
        "digest", "summary", "license", "memory-mb", "cpu-percent",
    )  # fmt: skip
    settings: dict[str, SettingValue] = dict.fromkeys(table.texts("unset"))
    known = table.table("settings")
    for name, value in known.content.items():
        if not isinstance(value, str | int | float | bool):
            raise _WrongError((*known.path, name), "must be text, a number, true or false")
        settings[name] = value
    return PlannedInstance(
        name=InstanceName(table.text("name", *_ONE_LINE)),
        plugin=PluginName(table.text("plugin", *_ONE_LINE)),
        version=table.text("version", *_ONE_LINE),
        variant=_maybe(VariantName, table.find_text("variant", *_ONE_LINE)),
        settings={name: settings[name] for name in sorted(settings)},
        behaviour=table.find_text("behaviour", *_ONE_LINE),
        provides=tuple(CapabilityName(one) for one in table.texts("provides", *_ONE_LINE)),
        digest=table.text("digest"),
        summary=table.find_text("summary") or "",
        license=table.find_text("license"),
        memory_mb=table.find_count("memory-mb"),
        cpu_percent=table.find_count("cpu-percent"),
    )


def _capacity(table: _Table) -> Capacity:
    table.only("memory-sizes-mb", "cores", "card-bytes", "system-memory-mb", "system-card-bytes")
    return Capacity(
        memory_sizes_mb=table.counts("memory-sizes-mb"),
        cores=table.find_count("cores"),
        card_bytes=table.find_count("card-bytes"),
        system_memory_mb=table.find_count("system-memory-mb") or 0,
        system_card_bytes=table.find_count("system-card-bytes") or 0,
    )


def _assignment(table: _Table) -> Assignment:
    table.only(
        "instance", "claim", "section", "resource", "lines", "bus", "address", "select",
        "channel", "route", "port", "controller", "device", "function", "note", "hz", "active",
        "level-mv", "ma", "converter", "pull", "timeout-ms",
    )  # fmt: skip
    return Assignment(
        instance=InstanceName(table.text("instance", *_ONE_LINE)),
        claim=ClaimName(table.text("claim", *_ONE_LINE)),
        section=table.text("section", *_ONE_LINE),
        resource=ResourceName(table.text("resource", *_ONE_LINE)),
        lines=tuple(_line_use(one) for one in table.rows("lines")),
        bus=_maybe(BusName, table.find_text("bus", *_ONE_LINE)),
        address=table.find_count("address"),
        select=table.find_count("select"),
        channel=table.find_text("channel", *_ONE_LINE),
        route=table.find_text("route", *_ONE_LINE),
        port=_maybe(PortName, table.find_text("port", *_ONE_LINE)),
        controller=_maybe(ControllerName, table.find_text("controller", *_ONE_LINE)),
        device=table.find_text("device", *_ONE_LINE),
        function=table.find_text("function") or "",
        note=table.find_text("note") or "",
        frequency=Hertz(table.count("hz")) if "hz" in table.content else None,
        active=_maybe(Active, table.find_text("active", _is_active, "high or low")),
        pull=_maybe(Pull, table.find_text("pull", _is_pull, "up, down or none")),
        level=Millivolt(table.count("level-mv")) if "level-mv" in table.content else None,
        current=Milliamp(table.count("ma")) if "ma" in table.content else None,
        converter=table.find_text("converter", *_ONE_LINE) or "",
        timeout_ms=table.find_count("timeout-ms"),
    )


def _is_direction(text: str) -> bool:
    return text in {"in", "out", "both"}


def _is_active(text: str) -> bool:
    return any(text == one.value for one in Active)


def _is_pull(text: str) -> bool:
    return any(text == one.value for one in Pull)


def _line_use(table: _Table) -> LineUse:
    table.only("signal", "line", "position", "shared", "chip", "offset", "direction")
    return LineUse(
        signal=table.text("signal", *_ONE_LINE),
        line=LineName(table.text("line", *_ONE_LINE)),
        position=_maybe(PinId, table.find_text("position", *_ONE_LINE)),
        shared=table.flag("shared"),
        chip=table.find_text("chip", *_ONE_LINE),
        offset=table.find_count("offset"),
        direction=_maybe(Direction, table.find_text("direction", _is_direction, "in, out or both")),
    )


def _python(table: _Table) -> PythonPin:
    """Return one package; keys of the standard that we do not write are left to other tools."""
    wheels = table.rows("wheels")
    sdist = table.find("sdist", dict)
    if len(wheels) + (sdist is not None) != 1:
        raise _WrongError(table.path, "must have exactly one file, a wheel or an sdist")
    archive = wheels[0] if wheels else _Table(sdist or {}, (*table.path, "sdist"))
    extra = table.table("tool").table("robokit-plan")
    extra.only(
        "for", "direct", "extras", "index", "yanked", "file-requires-python", "installed-size",
        "license",
    )  # fmt: skip
    requires_python = table.find_text("requires-python", *_ONE_LINE)
    own = extra.find_text("file-requires-python")
    return PythonPin(
        name=DistributionName(
            table.text("name", is_python_name, "a normalised name (PEP 503)"),
        ),
        version=table.text(
            "version", lambda one: bool(_PYTHON_VERSION.fullmatch(one)), "a version (PEP 440)"
        ),
        extras=extra.texts("extras", *_ONE_LINE),
        file=IndexFile(
            filename=archive.text("name", is_relative_path, "a file name"),
            url=archive.text("url", *_ADDRESS),
            sha256=archive.table("hashes").text("sha256", *_HASH),
            size=archive.find_count("size"),
            requires_python=requires_python if own is None else (own or None),
            yanked=extra.find_text("yanked"),
            upload_time=_time_text(archive.find("upload-time", datetime)),
            index=extra.find_text("index", *_ONE_LINE) or "default",
        ),
        requires_python=requires_python,
        requires=tuple(
            DistributionName(one.text("name", is_python_name, "a normalised name (PEP 503)"))
            for one in table.rows("dependencies")
        ),
        wanted_by=extra.instances(),
        direct=extra.flag("direct"),
        installed_size=extra.find_count("installed-size"),
        license=extra.find_text("license"),
    )


def _time_text(time: datetime | None) -> str | None:
    if time is None:
        return None
    fixed = time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)
    return fixed.isoformat().replace("+00:00", "Z")


def _carried(table: _Table) -> CarriedPin:
    table.only("name", "version", "package", "for")
    return CarriedPin(
        name=DistributionName(table.text("name", is_python_name, "a normalised name (PEP 503)")),
        version=table.text(
            "version", lambda one: bool(_PYTHON_VERSION.fullmatch(one)), "a version (PEP 440)"
        ),
        package=DebianName(table.text("package", is_debian_name, "a Debian package name")),
        wanted_by=table.instances(),
    )


def _debian(table: _Table) -> DebianPin:
    table.only(
        "name", "version", "architecture", "suite", "source", "filename", "size",
        "installed-size", "sha256", "for", "direct", "requires",
    )  # fmt: skip
    return DebianPin(
        name=DebianName(table.text("name", is_debian_name, "a Debian package name")),
        version=table.text("version", is_debian_version, "a Debian version"),
        architecture=table.text("architecture", is_debian_name, "a Debian architecture"),
        suite=table.text("suite", *_ONE_LINE),
        source=table.find_text("source", *_ONE_LINE) or "",
        filename=table.text("filename", is_relative_path, "a path in the archive"),
        size=table.count("size"),
        installed_size=table.count("installed-size"),
        sha256=table.text("sha256", *_HASH),
        wanted_by=table.instances(),
        direct=table.flag("direct"),
        requires=tuple(
            DebianName(name)
            for name in table.texts("requires", is_debian_name, "a Debian package name")
        ),
    )


def _boot(table: _Table) -> BootSetting:
    table.only("kind", "text", "file", "frees", "apply", "for", "source")
    kind = table.text("kind", _BOOT_KINDS.__contains__, f"one of {', '.join(sorted(_BOOT_KINDS))}")
    text = (is_machine_name, "a kernel module") if kind.startswith("module-") else _ONE_LINE
    return BootSetting(
        kind=kind,
        text=table.text("text", *text),
        file=table.find_text("file", is_boot_file, "a file with boot settings"),
        frees=table.flag("frees"),
        apply=table.find_text("apply", is_boot_command, "a hook of the kernel packages"),
        because_of=table.instances(),
        source=table.find_text("source") or "",
    )


def _machine(table: _Table, origin: Origin) -> Machine:
    table.only("groups", "start", "stop", "load", "block", "permissions", "environment", "assets")
    sections: dict[str, Mapping[str, tuple[InstanceName, ...]]] = {
        name: _asked(table.table(name), names=True)
        for name in ("groups", "start", "stop", "load", "block", "permissions")
    }
    return Machine(
        groups=sections["groups"],
        start=sections["start"],
        stop=sections["stop"],
        load=sections["load"],
        block=sections["block"],
        permissions=sections["permissions"],
        environment=tuple(_variable(one, origin) for one in table.rows("environment")),
        assets=tuple(_asset(one) for one in table.rows("assets")),
    )


def _variable(table: _Table, origin: Origin) -> tuple[InstanceName, Variable]:
    table.only("instance", "name", "secret", "purpose")
    return InstanceName(table.text("instance", *_ONE_LINE)), Variable(
        name=table.text("name", is_variable_name, "a name of an environment variable"),
        secret=table.flag("secret"),
        purpose=table.find_text("purpose") or "",
        origin=origin,
    )


def _asset(table: _Table) -> PlannedAsset:
    table.only("instance", "url", "sha256", "size", "path", "license")
    return PlannedAsset(
        instance=InstanceName(table.text("instance", is_relative_path, "a name")),
        url=table.text("url", *_ONE_LINE),
        sha256=table.text("sha256", *_HASH),
        size=table.find_count("size"),
        path=table.text("path", is_relative_path, "a path below the robot's folder"),
        license=table.find_text("license"),
    )


def _rail(table: _Table) -> Rail:
    table.only("name", "mv", "limit-ma", "typical-ma", "peak-ma", "run-minutes", "loads")
    limit = table.find_count("limit-ma")
    return Rail(
        name=SupplyName(table.text("name", *_ONE_LINE)),
        volts=Millivolt(table.count("mv")),
        limit=None if limit is None else Milliamp(limit),
        typical=Milliamp(table.count("typical-ma")),
        peak=Milliamp(table.count("peak-ma")),
        loads=tuple(_load(one) for one in table.rows("loads")),
        run_minutes=table.find_count("run-minutes"),
    )


def _load(table: _Table) -> Load:
    table.only("instance", "claim", "typical-ma", "peak-ma")
    typical, peak = table.find_count("typical-ma"), table.find_count("peak-ma")
    return Load(
        instance=InstanceName(table.text("instance", *_ONE_LINE)),
        claim=table.text("claim", *_ONE_LINE),
        typical=None if typical is None else Milliamp(typical),
        peak=None if peak is None else Milliamp(peak),
    )

"""
The lock file: PEP 751 for the Python part, one table of ours for all the rest.

Findings are not locked: they follow from the inputs, and their lines move with every comment.
Neither are the target's tags, which follow from its release, architecture and Python version.
A lock file may come from a stranger: each string has an alphabet fit for the place where it ends.

Source:
    PEP 751 (accepted 2025-03-31), section "File Format".
"""

from __future__ import annotations

import re
import shlex
import tomllib
from collections.abc import Mapping
from typing import Any, Final

from robokit_plan.model import (
    ADDRESS,
    ARCHIVE_ADDRESS,
    ARCHIVE_WORD,
    BASE64,
    BOOT_COMMAND,
    BOOT_FILE,
    BOOT_TEXT,
    COMMAND,
    DEBIAN_NAME,
    DEBIAN_VERSION,
    DEFAULT_SETTING,
    KERNEL_WORD,
    KEYRING,
    MACHINE_NAME,
    MODULE_NAME,
    NAME,
    PLAIN_LINE,
    PYTHON_NAME,
    RELATIVE_PATH,
    SHA256,
    UDEV_RULE,
    VARIABLE_NAME,
    WEB_ADDRESS,
    Active,
    Alphabet,
    Assignment,
    BootSetting,
    Capacity,
    CarriedPin,
    DebianPin,
    Direction,
    Finding,
    Hazard,
    IndexFile,
    InstanceName,
    LineUse,
    Load,
    Machine,
    Origin,
    Plan,
    PlannedAsset,
    PlannedInstance,
    PlannedSource,
    Pull,
    PythonPin,
    Rail,
    SettingValue,
    Severity,
    Target,
    Variable,
    dataclass,
    finding,
    replace,
    without_credentials,
)

from . import toml
from .codec import (
    REQUIRED,
    As,
    Count,
    Definitions,
    Flag,
    Group,
    Key,
    Member,
    Named,
    OneOf,
    Record,
    Rows,
    Scalar,
    Text,
    Time,
    Where,
    Word,
    WrongValue,
    path_text,
)

LOCK_FORMAT: Final = 1
"""Of the table ``tool.robokit-plan``."""

_TOOL: Final = "robokit-plan"


def put_aside(path: str) -> str:
    """Return what to type to keep the file at *path* under another name, and no other's."""
    return f"mv --backup=numbered {shlex.quote(path)} {shlex.quote(path + '.before')}"


_MARKERS: Final = ("sys_platform", "platform_machine", "python_version", "implementation_name")

# --- alphabets ------------------------------------------------------------------------------

_LINE: Final = Text(PLAIN_LINE)
_ANY: Final = Text()
_PYTHON_NAME: Final = Text(PYTHON_NAME)
_DEBIAN_NAME: Final = Text(DEBIAN_NAME)
_MACHINE_NAME: Final = Text(MACHINE_NAME)
_NAME: Final = Text(NAME)
_INSTANCES: Final = Rows(_NAME)
_VERSION: Final = Text(Alphabet("version", r"[0-9A-Za-z][0-9A-Za-z.!+_\-]*", "a version (PEP 440)"))

_FILE_NAME: Final = Alphabet(
    "file-name", r"[A-Za-z0-9_][A-Za-z0-9_.+!~\-]*", "a file name of a distribution"
)
_POOL_PATH: Final = Alphabet(
    "pool-path",
    r"[A-Za-z0-9][A-Za-z0-9+.~_:%\-]*(?:/[A-Za-z0-9][A-Za-z0-9+.~_:%\-]*)*",
    "a path in the archive",
)
"""One word wherever lists of files are split at blanks."""


@dataclass(frozen=True, slots=True)
class _Address(Text):
    """An address; its user and password are never written."""

    def write(self, value: str) -> str:
        """Return the address without them."""
        return without_credentials(value)


# --- the target and what is enabled on it ---------------------------------------------------

_TARGET: Final = Record(
    "target",
    Target,
    (
        Key("release", _MACHINE_NAME, "Debian release, such as debian-13"),
        Key("image", _LINE, "What the card carries before the install"),
        Key("architecture", Text(DEBIAN_NAME, "a Debian architecture")),
        Key(
            "python",
            Text(Alphabet("python-minor", r"3\.[0-9]{1,3}", "a version such as '3.13'")),
        ),
        Key("markers", Named(_ANY, _ANY), "PEP 508 environment", absent={}, always=True),
    ),
    make=lambda **said: Target(tags=(), **said),
)


def _planned_instance(
    *, settings: Mapping[str, SettingValue], unset: tuple[str, ...], **said: Any
) -> PlannedInstance:
    known = {**dict.fromkeys(unset), **settings}
    return PlannedInstance(settings={name: known[name] for name in sorted(known)}, **said)


_INSTANCE: Final = Record(
    "instance",
    PlannedInstance,
    (
        Key("name", _NAME),
        Key("plugin", _NAME),
        Key("version", _LINE, "Of the plugin"),
        Key("variant", _NAME, "Which of its variants is built up", absent=None),
        Key("behaviour", _LINE, "Object reference of its entry point", absent=None),
        Key(
            "settings",
            Named(_ANY, Scalar()),
            "Settings with a value",
            absent={},
            get=lambda one: {name: item for name, item in one.settings.items() if item is not None},
        ),
        Key(
            "unset",
            Rows(_ANY),
            "Settings without a value",
            absent=(),
            get=lambda one: tuple(sorted(n for n, item in one.settings.items() if item is None)),
        ),
        Key("provides", Rows(_NAME), "Capabilities", absent=()),
        Key("digest", _ANY, "SHA-256 of its manifest"),
        Key("summary", _ANY),
        Key("license", _ANY, "SPDX expression"),
        Key("memory-mb", Count("MB"), "Held in use"),
        Key("cpu-percent", Count("percent of one core")),
    ),
    make=_planned_instance,
)

_LINE_USE: Final = Record(
    "line-use",
    LineUse,
    (
        Key("signal", _LINE, "The claim's own word for it"),
        Key("line", _LINE),
        Key("position", _LINE, "Of the header", absent=None),
        Key("shared", Flag(), "A bus line that other claims of the bus may use too"),
        Key("chip", _LINE, "Label of the GPIO chip"),
        Key("offset", Count(), "Number of the line on its chip"),
        Key(
            "direction",
            Member(Direction),
            "Seen from the board, or from the controller whose pin it is",
        ),
    ),
)

_ASSIGNMENT: Final = Record(
    "assignment",
    Assignment,
    (
        Key("instance", _NAME),
        Key("claim", _LINE),
        Key("section", _LINE, "Of the manifest"),
        Key("resource", _LINE, "What a person calls it"),
        Key("lines", Rows(_LINE_USE)),
        Key("bus", _LINE),
        Key("address", Count(base=16)),
        Key("select", Count(), "Chip select"),
        Key("channel", _LINE, "Of a PWM block, or of the multiplexer that the device is behind"),
        Key("route", _LINE, "Which of the ways that the block has to its lines"),
        Key("port", _LINE),
        Key("controller", _LINE, "Whose pins the lines are"),
        Key("device", _LINE, "Path on the machine"),
        Key("function", _ANY),
        Key("note", _ANY),
        Key("hz", Count("Hz"), "Of pulses", attribute="frequency"),
        Key("active", Member(Active), "Level at which the signal means yes"),
        Key("pull", Member(Pull), "Resistor"),
        Key("level-mv", Count("mV"), "Level of the other side", attribute="level"),
        Key("ma", Count("mA"), "Current through the line", attribute="current"),
        Key("converter", _LINE, "What stands between two levels"),
        Key("timeout-ms", Count("ms", least=1), "Silence after which the firmware stops"),
    ),
)

# --- Python ---------------------------------------------------------------------------------

_ARCHIVE: Final = Record(
    "archive",
    IndexFile,
    (
        Key("name", Text(_FILE_NAME), attribute="filename"),
        Key("upload-time", Time()),
        Key("url", _Address(ADDRESS)),
        Key("size", Count("bytes")),
        Group("hashes", (Key("sha256", Text(SHA256), absent=REQUIRED),)),
    ),
    is_open=True,
)


def _python_pin(
    *,
    sdist: IndexFile | None,
    wheels: tuple[IndexFile, ...],
    requires_python: str | None,
    file_requires_python: str | None,
    index: str,
    yanked: str | None,
    **said: Any,
) -> PythonPin:
    own = requires_python if file_requires_python is None else (file_requires_python or None)
    archive = wheels[0] if sdist is None else sdist
    file = replace(archive, requires_python=own, index=index, yanked=yanked)
    return PythonPin(file=file, requires_python=requires_python, **said)


def _file_requires_python(pin: PythonPin) -> str | None:
    own = pin.file.requires_python
    return None if own == pin.requires_python else own or ""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Name:
    name: str


_REQUIREMENT: Final = Record("requirement", _Name, (Key("name", _PYTHON_NAME),), is_open=True)


def _package(indexes: Mapping[str, str]) -> Record[PythonPin]:
    """Return a package of PEP 751; *indexes* are written with the packages that come from them."""
    return Record(
        "package",
        PythonPin,
        (
            Key("name", _PYTHON_NAME),
            Key("version", _VERSION),
            Key("requires-python", _LINE),
            Key(
                "dependencies",
                Rows(As(_REQUIREMENT, lambda one: one.name, lambda name: _Name(name=name))),
                attribute="requires",
            ),
            Key("index", _Address(PLAIN_LINE), get=lambda pin: indexes.get(pin.file.index),
                derived=True, absent=None),
            Key("sdist", _ARCHIVE, get=lambda pin: None if pin.is_wheel else pin.file, absent=None),
            Key("wheels", Rows(_ARCHIVE, least=1, most=1),
                get=lambda pin: (pin.file,) if pin.is_wheel else (), absent=()),
            Group("tool", (
                Group("robokit-plan", (
                    Key("for", _INSTANCES, attribute="wanted_by", always=True),
                    Key("direct", Flag(), "Asked for by a manifest"),
                    Key("extras", Rows(_LINE)),
                    Key("index", _LINE, "Name of the index", absent="default",
                        get=lambda pin: pin.file.index),
                    Key("yanked", _ANY, "Reason", absent=None, get=lambda pin: pin.file.yanked),
                    Key("file-requires-python", _ANY, "Of the file, where it says another one",
                        absent=None, get=_file_requires_python),
                    Key("installed-size", Count("bytes")),
                    Key("license", _ANY),
                )),
            ), is_open=True),
        ),
        make=_python_pin,
        rules=(OneOf(("sdist", "wheels"), "must have exactly one file, a wheel or an sdist"),),
        is_open=True,
    )  # fmt: skip


_CARRIED: Final = Record(
    "carried",
    CarriedPin,
    (
        Key("name", _PYTHON_NAME),
        Key("version", _VERSION),
        Key("package", _DEBIAN_NAME, "Debian package that brings it"),
        Key("for", _INSTANCES, attribute="wanted_by", always=True),
    ),
)

# --- Debian ---------------------------------------------------------------------------------

_DEBIAN_PACKAGE: Final = Record(
    "debian-package",
    DebianPin,
    (
        Key("name", _DEBIAN_NAME),
        Key("version", Text(DEBIAN_VERSION)),
        Key("architecture", Text(DEBIAN_NAME, "a Debian architecture")),
        Key("suite", Text(ARCHIVE_WORD, "a suite")),
        Key("source", _PYTHON_NAME, "Name of a further archive; absent: the mirror"),
        Key("filename", Text(_POOL_PATH)),
        Key("size", Count("bytes")),
        Key("installed-size", Count("bytes")),
        Key("sha256", Text(SHA256)),
        Key("for", _INSTANCES, attribute="wanted_by", always=True),
        Key("direct", Flag(), "Asked for by a manifest"),
        Key("requires", Rows(_DEBIAN_NAME), "Others of these packages that it needs"),
    ),
)

_SOURCE: Final = Record(
    "source",
    PlannedSource,
    (
        Key("name", Text(PYTHON_NAME, "a name")),
        Key("url", _Address(ARCHIVE_ADDRESS)),
        Key("suites", Rows(Text(ARCHIVE_WORD, "a suite"))),
        Key("components", Rows(Text(ARCHIVE_WORD, "a component")), absent=REQUIRED),
        Key("keyring", Text(KEYRING), "A file that a package installs"),
        Key("key", Text(BASE64), "The key's file in base64"),
        Key("priority", Count(least=-10_000, most=10_000), "Of apt_preferences(5)"),
        Key("only", Rows(_DEBIAN_NAME), "Packages that come from here, and no others"),
        Key("dated", Flag(), "A snapshot: its Release files may have run out"),
    ),
)

# --- the machine ----------------------------------------------------------------------------

_BOOT: Final = Record(
    "boot-setting",
    BootSetting,
    (
        Key(
            "kind",
            Word(
                (
                    "file-line",
                    "firmware",
                    "kernel-command-line",
                    "kernel-command-line-remove",
                    "module-block",
                    "module-load",
                    "overlay",
                    "parameter",
                )
            ),
        ),
        Key("text", Text(BOOT_TEXT), "The line or word itself"),
        Key("file", Text(BOOT_FILE), "That holds it; absent: the machine's own place"),
        Key("frees", Flag(), "Taken out where it stands"),
        Key("apply", Text(BOOT_COMMAND), "Puts the edited file into force"),
        Key("for", _INSTANCES, attribute="because_of", always=True),
        Key("source", _ANY),
    ),
    rules=(
        Where(
            "kind",
            Word(("module-block", "module-load")),
            "text",
            Text(MACHINE_NAME, "a kernel module"),
        ),
        Where(
            "kind",
            Word(("kernel-command-line", "kernel-command-line-remove")),
            "text",
            Text(KERNEL_WORD),
        ),
        Where(
            "file",
            Text(Alphabet("default-file", r"/etc/default/[\s\S]*", "a file of defaults")),
            "text",
            Text(DEFAULT_SETTING),
        ),
    ),
)

_ASKED: Final = Named(_MACHINE_NAME, _INSTANCES)


def _variable(*, instance: str, **said: Any) -> tuple[InstanceName, Variable]:
    return InstanceName(instance), Variable(origin=Origin(file=""), **said)


_VARIABLE: Final = Record(
    "variable",
    Variable,
    (
        Key("instance", _NAME, get=lambda pair: pair[0]),
        Key("name", Text(VARIABLE_NAME), get=lambda pair: pair[1].name),
        Key("secret", Flag(), get=lambda pair: pair[1].secret),
        Key("purpose", _ANY, absent="", get=lambda pair: pair[1].purpose),
    ),
    make=_variable,
)

_ASSET: Final = Record(
    "asset",
    PlannedAsset,
    (
        Key("instance", _NAME),
        Key("url", _Address(WEB_ADDRESS)),
        Key("sha256", Text(SHA256)),
        Key("size", Count("bytes"), absent=None),
        Key("path", Text(RELATIVE_PATH, "a path below the robot's folder")),
        Key("license", _ANY, absent=None),
    ),
)

_MACHINE: Final = Record(
    "machine",
    Machine,
    (
        Key("groups", _ASKED, "Group that the program's user joins -> who asks", section=True),
        Key("start", _ASKED, "Unit that is started -> who asks", section=True),
        Key("stop", _ASKED, "Unit that is stopped -> who asks", section=True),
        Key("load", _ASKED, "Kernel module -> who asks", section=True),
        Key("block", _ASKED, "Kernel module that is kept out -> who asks", section=True),
        Key("permissions", _ASKED, "Right of the program -> who asks", section=True),
        Key("environment", Rows(_VARIABLE), "Names only, never values", section=True),
        Key("assets", Rows(_ASSET), "Files to fetch", section=True),
    ),
)

# --- budgets --------------------------------------------------------------------------------

_LOAD: Final = Record(
    "load",
    Load,
    (
        Key("instance", _NAME),
        Key("claim", _LINE),
        Key("typical-ma", Count("mA"), attribute="typical", absent=None),
        Key("peak-ma", Count("mA"), attribute="peak", absent=None),
    ),
)

_RAIL: Final = Record(
    "rail",
    Rail,
    (
        Key("name", _LINE),
        Key("mv", Count("mV"), attribute="volts"),
        Key("limit-ma", Count("mA"), attribute="limit", absent=None),
        Key("typical-ma", Count("mA"), attribute="typical"),
        Key("peak-ma", Count("mA"), attribute="peak"),
        Key("run-minutes", Count("minutes"), "How long a battery lasts at the typical load"),
        Key("loads", Rows(_LOAD)),
    ),
)

_CAPACITY: Final = Record(
    "capacity",
    Capacity,
    (
        Key(
            "memory-sizes-mb",
            Rows(Count("MB")),
            "Sizes that the board may have, in MB; one where it is known",
        ),
        Key("cores", Count()),
        Key("card-bytes", Count("bytes"), "What files may take of the card"),
        Key("system-memory-mb", Count("MB"), "What the system holds before any plugin runs"),
        Key("system-card-bytes", Count("bytes"), "What the system has on the card"),
    ),
)

# --- the whole ------------------------------------------------------------------------------

_OURS: Final = (
    Key("format", Count(least=1, most=LOCK_FORMAT), "Format of this table", absent=REQUIRED,
        get=lambda _: LOCK_FORMAT, derived=True),
    Key("robot", Text(Alphabet("robot", r"[a-z][a-z0-9\-]*", "a name"))),
    Key("profile", Text(MACHINE_NAME, "a name"), "Absent: the robot file's own enabled set",
        absent=None),
    Key("board", _LINE, "Device-tree compatible string"),
    Key("system-packages", Flag(), "The virtual environment sees Debian's Python modules"),
    Key("program", Text(COMMAND), "What the robot runs"),
    Key("program-user", Text(MACHINE_NAME, "a user name")),
    Key("keep-logs", Count("days"), always=True),
    Key("target", _TARGET, "The machine that the plan is for", section=True),
    Key("instances", Rows(_INSTANCE), "Enabled plugins", absent=(), section=True),
    Key("providers", Named(_NAME, _NAME), "Capability -> instance that serves it", section=True),
    Key("assignments", Rows(_ASSIGNMENT), "Claims tied to resources", section=True),
    Key("carried", Rows(_CARRIED), "Distributions that Debian packages bring", section=True),
    Key("build", Rows(_package({})), "Build requirements of sdists, as packages of PEP 751",
        section=True, get=lambda plan: _sorted(plan.build)),
    Key("indexes", Named(_ANY, _Address(PLAIN_LINE)), "Python index -> address, no credentials",
        section=True),
    Key("build-environment",
        Named(_PYTHON_NAME, As(Named(Text(VARIABLE_NAME, "a name of a variable"), _LINE),
                               lambda table: tuple(table.items()), dict)),
        "Distribution built on the board -> variables that its build must see", section=True),
    Key("build-room", Named(_PYTHON_NAME, Count("MB")),
        "Distribution built on the board -> MB of the card that its build takes while it runs",
        section=True),
    Group("debian", (
        Key("known", Flag(), "False: no mirror was known, nothing was planned",
            attribute="debian_known", always=True),
        Key("base-known", Flag(), "Whether it is known what the card carries"),
        Key("suites", Rows(Text(ARCHIVE_WORD, "a suite")), attribute="debian_suites", always=True),
        Key("build-only", Rows(_DEBIAN_NAME), "Packages that only builds need",
            attribute="debian_build", get=lambda plan: tuple(sorted(plan.debian_build))),
        Key("packages", Rows(_DEBIAN_PACKAGE), attribute="debian", always=True,
            get=lambda plan: sorted(plan.debian, key=lambda pin: (pin.name, pin.architecture))),
        Key("sources", Rows(_SOURCE), "Further archives; a snapshot that was planned from is one",
            section=True, get=lambda plan: tuple(sorted(plan.sources, key=lambda one: one.name))),
    ), "Debian packages that are added to the base", section=True),
    Key("boot", Rows(_BOOT), "Settings of firmware and kernel", section=True),
    Key("modules", Named(Text(MODULE_NAME), _INSTANCES), "Import name -> who declares it",
        section=True),
    Group("udev", (
        Key("rules", Rows(Text(UDEV_RULE)), "Rules of udev(7) that run nothing",
            attribute="udev_rules"),
    ), section=True),
    Key("machine", _MACHINE, "What the system must have or let go", section=True),
    Key("rails", Rows(_RAIL), "Supplies and their loads", section=True),
    Key("hazards",
        Named(Word(tuple(one.value for one in Hazard if one is not Hazard.NONE)), _INSTANCES),
        "What can hurt -> who brings it", section=True),
    Key("capacity", _CAPACITY, "What the machine has, and what its system takes of it",
        section=True),
    Key("digests", Named(_ANY, _LINE), "Input -> SHA-256", section=True),
)  # fmt: skip


def _sorted(pins: tuple[PythonPin, ...]) -> tuple[PythonPin, ...]:
    return tuple(sorted(pins, key=lambda pin: (pin.name, pin.version)))


def _environment(plan: Plan) -> list[str]:
    """Return the PEP 508 marker of the target; only what tells machines apart."""
    known = {**plan.target.markers}
    known.setdefault("python_version", plan.target.python)
    return [" and ".join(f"{name} == '{known[name]}'" for name in _MARKERS if name in known)]


def _document(indexes: Mapping[str, str]) -> Record[Plan]:
    return Record(
        "document",
        Plan,
        (
            Key("lock-version", _ANY, derived=True, get=lambda _: "1.0", absent=REQUIRED),
            Key("environments", Rows(_ANY), derived=True, get=_environment, absent=None),
            Key("requires-python", _ANY, derived=True, absent=None,
                get=lambda plan: f"=={plan.target.python}.*"),
            Key("created-by", _ANY, derived=True, get=lambda _: "robokit-plan", absent=None),
            Key("packages", Rows(_package(indexes)), attribute="python", section=True, always=True,
                get=lambda plan: _sorted(plan.python)),
            Group("tool", (Group("robokit-plan", _OURS, section=True),), section=True,
                  is_open=True),
        ),
        is_open=True,
    )  # fmt: skip


_DOCUMENT: Final = _document({})


def lock_name(plan: Plan) -> str:
    """Return the file name that PEP 751 and the design give the lock of *plan*."""
    return lock_name_of(plan.robot, plan.profile)


def lock_name_of(robot: str, profile: str | None) -> str:
    """Return the file name of the lock of *robot*, or of one of its profiles."""
    return f"pylock.{robot}{'' if profile is None else f'-{profile}'}.toml"


def render_lock(plan: Plan) -> str:
    """Return the lock file of *plan*; the same plan gives the same bytes."""
    return "\n".join(toml.document(_document(plan.indexes).write(plan))) + "\n"


def lock_schema() -> dict[str, Any]:
    """Return the JSON Schema of the table ``tool.robokit-plan``."""
    definitions = Definitions()
    own = Record("lock", Plan, _OURS).own_schema(definitions)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "https://robokit-plan.example/schemas/lock.schema.json",
        "title": "The table tool.robokit-plan of a lock file",
        "description": "What PEP 751 has no place for. Written and read by robokit-plan; the file "
        "is made by `robokit-plan lock`, not by hand.",
        **own,
        "$defs": dict(sorted(definitions.found.items())),
    }


class LockError(Exception):
    """A lock file cannot be used; `finding` says where, why and what to do."""

    def __init__(self, finding: Finding) -> None:
        self.finding = finding
        super().__init__(f"{finding.places[0].origin}: {finding.message}")


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
        _check_format(content)
        plan = _DOCUMENT.read(content)
    except WrongValue as wrong:
        raise LockError(_complaint(wrong, text, file=file)) from wrong
    if not plan.machine.environment:
        return plan
    origin = Origin(file=file)
    placed = tuple((name, replace(one, origin=origin)) for name, one in plan.machine.environment)
    return replace(plan, machine=replace(plan.machine, environment=placed))


def _check_format(content: Mapping[str, object]) -> None:
    version = content.get("lock-version")
    if isinstance(version, str) and not re.fullmatch(r"1\.[0-9]+", version):
        raise WrongValue(f"{version!r} is not known, 1.0 is", "lock-version", rule="format-too-new")
    tools = content.get("tool")
    if version is not None and (tools is None or (isinstance(tools, dict) and _TOOL not in tools)):
        raise WrongValue("the lock file has no table tool.robokit-plan: another tool wrote it")
    ours = tools.get(_TOOL) if isinstance(tools, dict) else None
    found = ours.get("format") if isinstance(ours, dict) else None
    if isinstance(found, int) and not isinstance(found, bool):
        if found > LOCK_FORMAT:
            raise WrongValue(
                f"format {found} is newer than {LOCK_FORMAT}, the newest that is known here",
                "tool", _TOOL, "format", rule="format-too-new",
            )  # fmt: skip
        if found < 1:
            raise WrongValue(f"{found} is not a format", "tool", _TOOL, "format")


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
        repair=put_aside(file),
    )


def _complaint(wrong: WrongValue, text: str, *, file: str) -> Finding:
    repair = (
        ["update robokit-plan", put_aside(file)]
        if wrong.rule == "format-too-new"
        else [put_aside(file)]
    )
    line, column = toml.place_of(wrong.path, text)
    return finding(
        wrong.rule or "lock-invalid",
        Severity.ERROR,
        f"{path_text(wrong.path)}: {wrong.message}" if wrong.path else wrong.message,
        places=[Origin(file=file, line=line, column=column)],
        why="a lock file is used only where every value in it is understood",
        repair=repair,
    )

"""The text of a ``robot.yaml`` as a value, and what is wrong with it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from robokit_plan.formats.ambiguities import joined_splits
from robokit_plan.formats.schema_findings import check_shape
from robokit_plan.formats.tree import Node, parse_tree, shown
from robokit_plan.formats.typed_map import TypedMap, scalar_text, scaled, whole
from robokit_plan.model import (
    AddOn,
    Battery,
    BoardId,
    CapabilityName,
    CarrierPort,
    ClaimName,
    Controller,
    ControllerName,
    EnabledPlugin,
    Finding,
    Index,
    Inhibit,
    InstanceName,
    LineName,
    Milliamp,
    MilliampHour,
    Millivolt,
    Origin,
    PinId,
    PluginName,
    PortName,
    Program,
    Robot,
    RobotName,
    RoleName,
    Severity,
    Source,
    Supply,
    SupplyName,
    System,
    Text,
    VariantName,
    Wiring,
    finding,
    folded,
    line_name,
    replace,
    sorted_findings,
)

from .manifests import (
    canonical,
    check_format,
    empty_file,
    file_digest,
    key_places,
    root_is_map,
    said,
)
from .schemas import read_schema

_BUS = re.compile(r"(?:i2c|spi)[-_0-9a-z]*\Z")
_UART = re.compile(r"(?:uart|serial)[-_0-9a-z]*\Z")


def parse_robot(text: str, file: str) -> tuple[Robot | None, tuple[Finding, ...]]:
    """
    Return the robot in *text* and the findings about its form.

    Pure, like `parse_manifest`. A wiring entry that is one word stands under `line`, `bus` or
    `port` by the look of the word; `read_robot`, which knows the claims, puts it right.

    Raises:
        UnreadableFile: The text does not parse as YAML.
    """
    tree, findings = parse_tree(text, file)
    if tree is None or not root_is_map(tree, file, "robot", findings):
        if tree is None:
            findings.append(empty_file(file, 'robot: NAME, board: "raspberrypi,4-model-b"'))
        return None, sorted_findings(folded(findings))
    late = check_format(tree, file)
    if late is not None and late.severity is Severity.ERROR:
        return None, (late,)
    findings.extend([late] if late else [])
    findings.extend(joined_splits(tree, text))
    said = _named(tree)  # before what cannot be used is taken out
    misshapen, usable = check_shape(tree, read_schema("robot"))
    findings.extend(_by_other_names(one, said) for one in misshapen)
    if not usable:
        return None, sorted_findings(folded(findings))
    view = TypedMap(tree, Origin(file=file, line=1, column=1))
    robot = None if "board" not in view else _robot(view, text, findings)
    return robot, sorted_findings(folded(findings))


def _named(tree: Node) -> dict[Origin, tuple[str, str]]:
    """Return where board and release stand -> which of them, as it is written."""
    found = {}
    board = tree.entries.get("board")
    system = tree.entries.get("system")
    release = None if system is None else system[1].entries.get("release")
    for key, entry in (("board", board), ("release", release)):
        if entry is not None:
            found[entry[1].origin] = (key, str(entry[1].raw or ""))
    return found


def _by_other_names(one: Finding, said: Mapping[Origin, tuple[str, str]]) -> Finding:
    """Return *one* with the board or release that its words mean, where they mean one of ours."""
    key, raw = said.get(one.places[0].origin, ("", "")) if one.places else ("", "")
    if one.rule != "schema" or not raw:
        return one
    from .facts import boards_by_words, find_release  # only for whom something is amiss

    if key == "board":
        near = boards_by_words(raw)
        return replace(one, repair=tuple(f'board: "{name}"' for name in near[:4])) if near else one
    known = find_release(raw)
    if known is None:
        return one
    return replace(one, repair=(f"release: {known}",))


def _robot(view: TypedMap, text: str, findings: list[Finding]) -> Robot:
    enabled = _entries(view.child("enabled"), "enabled", findings)
    profiles = {
        name: _entries(one.node, f"profiles.{name}", findings)
        for name, one in view.named("profiles")
    }
    wiring = [_wiring(name, one) for name, one in view.named("wiring")]
    measured = view.child("measured")
    return Robot(
        name=RobotName(view.string("robot") or "robot"),
        board=BoardId(view.string("board") or ""),
        system=_system(view.view("system")),
        plugin_paths=view.strings("plugin-paths") or ("plugins",),
        enabled=enabled,
        profiles=profiles,
        choose={CapabilityName(k): v for k, v in _words(view.child("choose"))},
        variants={
            InstanceName(k): (VariantName(v.text), v.origin)
            for k, v in _words(view.child("variant"))
        },
        roles={RoleName(k): v for k, v in _words(view.child("roles"))},
        wiring=tuple(sorted(wiring, key=lambda one: (one.instance, one.claim))),
        indexes=tuple(
            Index(
                name=one.string("name") or "",
                url=one.string("url") or "",
                only=one.strings("only"),
                origin=one.origin,
            )
            for one in view.views("indexes")
        ),
        controllers={
            ControllerName(name): _controller(name, one) for name, one in view.named("controllers")
        },
        supplies={SupplyName(name): _supply(name, one) for name, one in view.named("supplies")},
        ports=tuple(_port(one) for one in view.views("ports")),
        add_ons=tuple(_add_on(name, one) for name, one in view.named("add-ons")),
        measured={
            line_name(name): Millivolt(scaled(value.value, 1000))
            for name, (_, value) in (measured.entries.items() if measured else ())
        },
        program=_program(view.view("program")),
        digest=file_digest(text),
        values={key: canonical(value) for key, value in said(view.node).items()},
        origin=view.origin,
        places=key_places(view),
    )


def _words(node: Node | None) -> Iterator[tuple[str, Text]]:
    for name, (_, value) in node.entries.items() if node else ():
        if not name.startswith("x-"):
            yield name, Text(text=scalar_text(value), origin=value.origin)


def _entries(node: Node | None, where: str, findings: list[Finding]) -> tuple[EnabledPlugin, ...]:
    entries: list[EnabledPlugin] = []
    places: dict[str, list[Origin]] = {}
    for item in node.items if node else ():
        entry = _entry(item)
        if entry.instance not in places:
            entries.append(entry)
        places.setdefault(entry.instance, []).append(entry.origin)
    for name, origins in places.items():
        if len(origins) > 1:
            findings.append(
                finding(
                    "instance-twice",
                    Severity.ERROR,
                    f"{shown(name)} stands {len(origins)} times in {where}",
                    places=origins,
                    why="an instance's name tells its claims and settings apart from all others",
                    repair=f"{{as: {name}-2, plugin: {_plugin_of(entries, name)}}}   in place of "
                    "one of them, or remove it",
                    plugins=[name],
                )
            )
    return tuple(entries)


def _plugin_of(entries: list[EnabledPlugin], name: str) -> str:
    return next(one.plugin for one in entries if one.instance == name)


def _entry(item: Node) -> EnabledPlugin:
    if item.kind == "scalar":
        name = scalar_text(item)
        return EnabledPlugin(
            instance=InstanceName(name), plugin=PluginName(name), origin=item.origin
        )
    view = TypedMap(item, item)
    plugin = view.string("plugin") or ""
    settings = view.child("set")
    entries = settings.entries.items() if settings else ()
    return EnabledPlugin(
        instance=InstanceName(view.string("as") or plugin),
        plugin=PluginName(plugin),
        settings={name: value.value for name, (_, value) in entries},
        origin=item.origin,
        setting_places={name: value.origin for name, (_, value) in entries},
    )


def _wiring(name: str, view: TypedMap) -> Wiring:
    instance, _, claim = name.partition(".")
    node = view.node
    if node is not None and node.kind == "scalar":
        word = scalar_text(node)
        return Wiring(
            instance=InstanceName(instance),
            claim=ClaimName(claim),
            bus=word if _BUS.match(word) else None,
            port=PortName(word) if _UART.match(word) else None,
            line=None if _BUS.match(word) or _UART.match(word) else line_name(word),
            origin=view.origin,
        )
    line, header = view.string("gpio"), view.string("header")
    select, port = view.string("select"), view.string("port")
    return Wiring(
        instance=InstanceName(instance),
        claim=ClaimName(claim),
        line=None if line is None else line_name(line),
        position=None if header is None else PinId(header),
        bus=view.string("bus"),
        address=view.integer("address"),
        select=select,
        port=None if port is None else PortName(port),
        pin=view.string("pin"),
        connector=view.string("connector"),
        via=view.string("via"),
        origin=view.origin,
    )


def _system(view: TypedMap) -> System:
    plain = System()
    image = view.string("image") or plain.image
    # What a card carries stands in its status file, be it called an image or a base.
    base = image.removeprefix("file:") if image.startswith("file:") else None
    return System(
        release=view.string("release") or plain.release,
        image=image,
        architecture=view.string("architecture") or plain.architecture,
        python=view.string("python"),
        mirror=view.string("mirror"),
        suites=view.strings("suites"),
        base=view.string("base") or base,
        recommends=view.flag("recommends"),
        sources=tuple(
            Source(
                name=one.string("name") or "",
                url=one.string("url") or "",
                suites=one.strings("suites"),
                components=one.strings("components") or ("main",),
                signed_by=one.string("signed-by"),
                priority=one.integer("priority"),
                only=one.strings("only"),
                origin=one.origin,
            )
            for one in view.views("sources")
        ),
        snapshot=view.string("snapshot"),
        boot_config=view.string("boot-config"),
        sdists=view.strings("sdists"),
        memory_mb=view.integer("memory-mb"),
        card_gb=view.integer("card-gb"),
        board_typical=_milliamp(view.view("board-ma"), "typical"),
        board_peak=_milliamp(view.view("board-ma"), "peak"),
        places={} if view.node is None else {key: view.place(key) for key in view.node.entries},
    )


def _milliamp(view: TypedMap, key: str) -> Milliamp | None:
    value = view.integer(key)
    return None if value is None else Milliamp(value)


def _controller(name: str, view: TypedMap) -> Controller:
    inhibit = view.view("inhibit")
    level, supply = view.scaled("volts", 1000), view.string("supply")
    usb_id = view.string("usb-id")
    return Controller(
        name=ControllerName(name),
        chip=view.string("chip") or "",
        link=view.string("link"),
        usb_id=None if usb_id is None else usb_id.lower(),
        usb_serial=view.string("usb-serial"),
        address=view.integer("address"),
        volts=None if level is None else Millivolt(level),
        supply=None if supply is None else SupplyName(supply),
        moves_alone=view.strings("moves-alone"),
        released_by=view.string("released-by"),
        resumes=view.string("resumes"),
        host_timeout_ms=view.integer("host-timeout-ms"),
        baud=view.integer("baud"),
        octal_memory=view.flag("octal-memory") if "octal-memory" in view else None,
        inhibit=None
        if inhibit.node is None
        else Inhibit(
            pin=inhibit.string("pin") or "",
            active=inhibit.string("active") or "low",
            stops=inhibit.strings("stops"),
            origin=inhibit.origin,
        ),
        origin=view.origin,
    )


def _supply(name: str, view: TypedMap) -> Supply:
    battery = view.view("battery")
    limit = view.integer("max-ma")
    return Supply(
        name=SupplyName(name),
        volts=Millivolt(view.scaled("volts", 1000) or 0),
        max_current=None if limit is None else Milliamp(limit),
        feeds=view.strings("feeds"),
        by=view.string("by"),
        battery=None if battery.node is None else _battery(battery),
        origin=view.origin,
    )


def _battery(view: TypedMap) -> Battery:
    fuse = view.scaled("fuse-a", 1000)
    return Battery(
        chemistry=view.string("chemistry") or "",
        cells=view.integer("cells") or 1,
        capacity=MilliampHour(view.integer("capacity-mah") or 0),
        discharge_tenth_c=view.scaled("discharge-c", 10),
        fuse=None if fuse is None else Milliamp(fuse),
        cut_off=view.flag("cut-off"),
        protected=view.flag("protected"),
        origin=view.origin,
    )


def _port(view: TypedMap) -> CarrierPort:
    lines = view.child("lines")
    level, supply, limit = view.scaled("volts", 1000), view.string("supply"), view.integer("max-ma")
    count = view.child("count")
    named: dict[str, LineName] = {
        name: line_name(scalar_text(value))
        for name, (_, value) in (lines.entries.items() if lines else ())
    }
    return CarrierPort(
        name=PortName(view.string("name") or ""),
        kind=view.string("kind") or "",
        bus=view.string("bus"),
        volts=None if level is None else Millivolt(level),
        lines=named,
        supply=None if supply is None else SupplyName(supply),
        max_current=None if limit is None else Milliamp(limit),
        count=1 if count is None else whole(count.value),
        origin=view.origin,
    )


def _add_on(name: str, view: TypedMap) -> AddOn:
    return AddOn(
        name=name,
        size=view.integer("size"),
        positions=tuple(PinId(one) for one in view.strings("header")),
        blocks=view.strings("blocks"),
        id_eeprom=view.integer("id-eeprom"),
        origin=view.origin,
    )


def _program(view: TypedMap) -> Program | None:
    if view.node is None:
        return None
    keep = view.view("log").integer("keep")
    return Program(
        run=view.string("run") or "",
        user=view.string("user"),
        keep_logs=1 if keep is None else keep,
        origin=view.origin,
    )

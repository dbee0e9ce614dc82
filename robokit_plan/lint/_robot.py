"""All rules that look at one robot file."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping

from robokit_plan.model import (
    ActuatorClaim,
    Finding,
    Manifest,
    Origin,
    PluginName,
    Robot,
    Severity,
    finding,
    is_archive_address,
    is_relative_path,
    listed,
    near_names,
    sorted_findings,
)

from ._assets import urlsplit_scheme
from ._hardware import FIRST_ADDRESS, LAST_ADDRESS, peak_below_typical, why_reserved
from ._secrets import lint_text


def lint_robot(
    robot: Robot,
    manifests: Mapping[PluginName, Manifest] | None = None,
    *,
    text: str | None = None,
) -> tuple[Finding, ...]:
    """
    Return the findings about *robot* that reading it did not already bring.

    Args:
        robot: As `parse_robot` or `read_robot` returns it.
        manifests: All plugins at hand.
        text: The file itself; looked through for secrets.
    """
    findings: list[Finding] = []
    for rule in RULES:
        findings.extend(rule(robot))
    if manifests:
        findings.extend(check_stray_controllers(robot, manifests))
    if text is not None:
        findings.extend(lint_text(text, robot.origin.file))
    return sorted_findings(findings)


def check_indexes(robot: Robot) -> Iterator[Finding]:
    """A further index is read over https, has a name of its own, and says what it is for."""
    owners: dict[str, list[Origin]] = defaultdict(list)
    names: dict[str, list[Origin]] = defaultdict(list)
    for index in robot.indexes:
        names[index.name].append(index.origin)
        for distribution in index.only:
            owners[re.sub(r"[-_.]+", "-", distribution).lower()].append(index.origin)
        if urlsplit_scheme(index.url) not in {"https", "file"}:
            yield finding(
                "index-insecure",
                Severity.WARNING,
                f"index {index.name} is not read over https",
                places=[index.origin],
                why="on the way, files and their hashes can be changed together",
                repair=f"url: https{index.url[len(urlsplit_scheme(index.url)) :]}",
            )
        if not index.only:
            yield finding(
                "index-unbound",
                Severity.WARNING,
                f"index {index.name} does not say which distributions come from it",
                places=[index.origin],
                why="a stranger can put a greater version of any name on the other index",
                repair=f"only: [DISTRIBUTION]   in the entry of {index.name}",
            )
    for name, origins in sorted(owners.items()):
        if len(origins) > 1:
            yield finding(
                "index-twice",
                Severity.ERROR,
                f"{name} is to come from {len(origins)} indexes alone",
                places=origins,
                why="only means that no other index is asked for it",
                repair=f"remove {name} from only of all but one",
            )
    for name, origins in sorted(names.items()):
        if len(origins) > 1:
            yield finding(
                "index-twice",
                Severity.ERROR,
                f"{len(origins)} indexes are called {name}",
                places=origins,
                why="a lock file names an index by its name alone",
                repair=f"name: {name}-2   for one of them",
            )


def check_sources(robot: Robot) -> Iterator[Finding]:
    """A further Debian archive is signed by a key that is named."""
    for source in robot.system.sources:
        if source.signed_by is None:
            yield finding(
                "source-unsigned",
                Severity.WARNING,
                f"archive {source.name} does not say by which key it is signed",
                places=[source.origin],
                why="apt refuses an archive whose key it does not know",
                repair=f"signed-by: keys/{source.name}.asc   in its entry, with the key there",
            )


def check_paths(robot: Robot) -> Iterator[Finding]:
    """Files that the robot file names lie in its own folder."""
    system = robot.system
    paths = [("base", system.base), ("boot-config", system.boot_config)]
    if system.image.startswith("file:"):
        image = system.image.removeprefix("file:")
        # An image's file is what the base is read from, and is told under the key that was written.
        paths = [("image", image), *(one for one in paths if one[1] != image)]
    for key, path in paths:
        name = path.rpartition("/")[2] if path else ""
        word = f'"file:{name or "NAME"}"' if key == "image" else name or "NAME"
        if path is not None and not is_relative_path(path):
            yield finding(
                "path-escape",
                Severity.ERROR,
                f"{key} {path!r} leads out of the robot's folder",
                places=[system.places.get(key, robot.origin)],
                why="a robot is planned from its own folder alone, so that it can be moved",
                repair=f"system: {{{key}: {word}}}   with a copy of the file there",
            )


_DAY = re.compile(r"[0-9]{4}-?(?:0[1-9]|1[0-2])-?(?:0[1-9]|[12][0-9]|3[01])")
_TIME = re.compile(r"(?:T[0-9]{2}:?[0-9]{2}(?::?[0-9]{2})?Z?)?\Z")


def check_snapshot(robot: Robot) -> Iterator[Finding]:
    """The snapshot is a date of an archive that keeps days, or the address of one."""
    text = robot.system.snapshot
    if text is None or is_archive_address(text):
        return
    day = _DAY.match(text)
    if day is None or not _TIME.match(text[day.end() :]):
        yield finding(
            "snapshot-invalid",
            Severity.ERROR,
            f"snapshot {text!r} is no date",
            places=[robot.system.places.get("snapshot", robot.origin)],
            why="dates are written as in ISO 8601",
            repair='system: {snapshot: "2026-11-01"}   in robot.yaml',
        )
    elif robot.system.mirror is None:
        yield finding(
            "snapshot-invalid",
            Severity.ERROR,
            f"where the archive of {text} stands is not said",
            places=[robot.system.places.get("snapshot", robot.origin)],
            why="an ordinary mirror keeps the newest packages alone",
            repair='system: {mirror: "https://snapshots.example/archive/debian"}   in robot.yaml, '
            "with an archive of snapshots",
        )


def check_program(robot: Robot) -> Iterator[Finding]:
    """The robot's program does not run as root."""
    if robot.program is not None and robot.program.user == "root":
        yield finding(
            "program-as-root",
            Severity.WARNING,
            "the robot's program runs as root",
            places=[robot.program.origin],
            why="every plugin could then do anything to the machine",
            repair="program: {user: robot}   in robot.yaml",
        )


def check_addresses(robot: Robot) -> Iterator[Finding]:
    """I2C addresses in wiring and of controllers are 7-bit and not reserved."""
    # Of what is enabled, the plan says it.
    enabled = {one.instance for one in robot.enabled}
    given = [
        (f"wiring of {one.instance}.{one.claim}", one.address, one.origin)
        for one in robot.wiring
        if one.instance not in enabled
    ]
    given += [
        (f"controller {one.name}", one.address, one.origin) for one in robot.controllers.values()
    ]
    for what, address, place in given:
        if address is None or FIRST_ADDRESS <= address <= LAST_ADDRESS:
            continue
        half = address >> 1
        slip = FIRST_ADDRESS <= half <= LAST_ADDRESS
        yield finding(
            "address-reserved",
            Severity.ERROR,
            f"{what} cannot have I2C address 0x{address:02x}",
            places=[place],
            why=why_reserved(address),
            repair=f"address: 0x{half:02x}" if slip else (),
            resource=f"0x{address:02x}",
        )


def check_board_current(robot: Robot) -> Iterator[Finding]:
    """What the board draws at most is no less than what it draws as a rule."""
    typical, peak = robot.system.board_typical, robot.system.board_peak
    if typical is not None and peak is not None and peak < typical:
        yield peak_below_typical(
            "the board",
            typical,
            peak,
            robot.system.places.get("board-ma", robot.origin),
            f"system: {{board-ma: {{peak: {typical}}}}}   in robot.yaml, or its true figures",
            [],
        )


def check_links(robot: Robot) -> Iterator[Finding]:
    """What a controller says of its link is of that kind of link."""
    for controller in robot.controllers.values():
        link = controller.link or ""
        idle = [
            key
            for key, said in (
                ("address", controller.address is not None and not link.startswith("i2c")),
                ("usb-id", controller.usb_id is not None and link != "usb"),
                ("usb-serial", controller.usb_serial is not None and link != "usb"),
                ("baud", controller.baud is not None and link.startswith(("i2c", "spi"))),
            )
            if said
        ]
        if idle:
            words = listed([f"`{key}`" for key in idle])
            yield finding(
                "key-idle",
                Severity.WARNING,
                f"{words} of {controller.name} {'say' if len(idle) > 1 else 'says'} nothing: "
                + (f"its link is {link}" if link else "it has no link"),
                places=[controller.origin],
                why="it is passed over, and whoever wrote it counted on it",
                repair=[f"remove {key} from {controller.name}" for key in idle],
            )


def check_stray_controllers(
    robot: Robot, manifests: Mapping[PluginName, Manifest]
) -> Iterator[Finding]:
    """Actuators that a controller moves or stops are actuators of some plugin."""
    known = {
        claim.key.name
        for one in manifests.values()
        for needs in (one.base, *(variant.needs for variant in one.variants))
        for claim in needs.hardware
        if isinstance(claim, ActuatorClaim)
    }
    for controller in robot.controllers.values():
        inhibit = controller.inhibit
        named = [
            ("moves-alone", name, controller.origin, controller.moves_alone)
            for name in controller.moves_alone
        ]
        if inhibit is not None:
            named += [("stops", name, inhibit.origin, inhibit.stops) for name in inhibit.stops]
        for key, name, place, every in named:
            if name not in known:
                near = near_names(name, known, 1)
                words = ", ".join(near[0] if near and one == name else one for one in every)
                entry = f"{key}: [{words}]"
                entry = f"inhibit: {{{entry}}}" if key == "stops" else entry
                yield finding(
                    "actuator-unknown",
                    Severity.WARNING,
                    f"{key} of controller {controller.name} names {name}, which no plugin declares",
                    places=[place],
                    why="what it says of an actuator that nobody has protects nothing",
                    repair=f"controllers: {{{controller.name}: {{{entry}}}}}   in robot.yaml"
                    if near
                    else f"remove {name} from {key}",
                )


RULES = (
    check_indexes,
    check_sources,
    check_paths,
    check_snapshot,
    check_program,
    check_addresses,
    check_board_current,
    check_links,
)
"""Rules that need nothing but the robot file."""

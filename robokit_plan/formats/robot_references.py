"""What a robot file says about plugins, held against the plugins that are there."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from robokit_plan.model import (
    SECTION_OF,
    Claim,
    EnabledPlugin,
    Finding,
    InstanceName,
    LineName,
    Manifest,
    PluginName,
    PortName,
    Robot,
    Setting,
    SettingValue,
    Severity,
    SignalClaim,
    VariantName,
    Wiring,
    distance,
    few,
    find_nearest,
    finding,
    listed,
    replace,
)

from .tree import shown

Manifests = Mapping[PluginName, Manifest]

_ANY_SUPPLY = frozenset({"3V3", "5V"})
"""Rails of the header, which no robot file needs to declare."""
_SLIP = 2
"""An unknown instance that is so near to a known one is a slip of it."""
_NOT_WIRED = frozenset({"power", "actuators"})


def completed(robot: Robot, manifests: Manifests) -> Robot:
    """
    Return *robot* with what only the plugins' claims tell.

    A wiring entry of one word stands under the field that its claim has; a variant chosen for a
    plugin is chosen for each instance of it.
    """
    wiring = tuple(_placed(one, robot, manifests) for one in robot.wiring)
    variants = dict(robot.variants)
    for entry in _all_entries(robot):
        plugin = InstanceName(entry.plugin)
        if entry.instance not in variants and plugin in robot.variants:
            variants[entry.instance] = robot.variants[plugin]
    return replace(robot, wiring=wiring, variants=variants)


def check_robot(
    robot: Robot, manifests: Manifests, profile: str | None, known_folders: Iterable[str] = ()
) -> Iterator[Finding]:
    """
    Yield findings about names in *robot* that nothing bears.

    Args:
        robot: As `parse_robot` returns it.
        manifests: All plugins that were found.
        profile: The one asked for; None: `enabled`.
        known_folders: Plugin folders whose manifests were told to be wrong already.
    """
    if profile is not None and profile not in robot.profiles:
        yield _profile_unknown(robot, profile)
    chosen = {entry.origin for entry in robot.chosen(profile)}
    passed = set(known_folders)
    for entry in _all_entries(robot):
        manifest = manifests.get(entry.plugin)
        if manifest is None:
            if entry.plugin not in passed:
                yield _plugin_unknown(entry, manifests, in_use=entry.origin in chosen)
        else:
            yield from check_settings(entry, manifest)
    yield from _check_wiring(robot, manifests, passed)
    yield from _check_variants(robot, manifests, passed)
    yield from _check_roles(robot, manifests)
    yield from _check_choices(robot, manifests)
    yield from _check_references(robot)


def check_settings(entry: EnabledPlugin, manifest: Manifest) -> Iterator[Finding]:
    """Yield findings about values that *entry* sets and *manifest* does not allow."""
    for name, value in sorted(entry.settings.items()):
        place = entry.setting_places.get(name, entry.origin)
        setting = manifest.settings.get(name)
        if setting is None:
            near = find_nearest(name, manifest.settings)
            known = ", ".join(shown(one) for one in sorted(manifest.settings))
            yield finding(
                "setting-unknown",
                Severity.ERROR,
                f"{shown(entry.plugin)} has no setting {shown(name)}",
                places=[place],
                why=f"its settings: {known}" if known else "it has no settings",
                repair=f"set: {{{near}: {_word(value)}}}   in place of {name}"
                if near
                else f"remove {name} from set",
                plugins=[entry.instance],
            )
            continue
        why = why_not(setting, value)
        if why:
            yield finding(
                "setting-invalid",
                Severity.ERROR,
                f"{shown(name)} of {shown(entry.instance)} cannot be {shown(_word(value))}: {why}",
                places=[place, setting.origin],
                repair=f"set: {{{name}: {_word(_nearest_value(setting, value))}}}",
                plugins=[entry.instance],
            )


def why_not(setting: Setting, value: SettingValue) -> str:
    """Return in words why *value* is not allowed for *setting*; "" where it is."""
    number = isinstance(value, (int, float)) and not isinstance(value, bool)
    fits = {
        "integer": number and float(value or 0).is_integer(),
        "number": number,
        "string": isinstance(value, str),
        "boolean": isinstance(value, bool),
    }[setting.type]
    if not fits:
        wanted = {
            "integer": "a whole number",
            "number": "a number",
            "string": "a text",
            "boolean": "true or false",
        }[setting.type]
        return f"{wanted} is wanted"
    if number and isinstance(value, (int, float)):
        if setting.minimum is not None and value < setting.minimum:
            return f"the least is {setting.minimum}"
        if setting.maximum is not None and value > setting.maximum:
            return f"the most is {setting.maximum}"
    if setting.choices and value not in setting.choices:
        return f"{listed((shown(_word(one)) for one in setting.choices), 'or')} is wanted"
    return ""


def _nearest_value(setting: Setting, value: SettingValue) -> SettingValue:
    if isinstance(value, (int, float)) and not isinstance(value, bool) and not setting.choices:
        if setting.minimum is not None and value < setting.minimum:
            return setting.minimum
        if setting.maximum is not None and value > setting.maximum:
            return setting.maximum
    return setting.default


def _word(value: SettingValue) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)


def _all_entries(robot: Robot) -> Iterator[EnabledPlugin]:
    yield from robot.enabled
    for _, entries in sorted(robot.profiles.items()):
        yield from entries


def _profile_unknown(robot: Robot, profile: str) -> Finding:
    near = find_nearest(profile, robot.profiles)
    known = ", ".join(shown(one) for one in sorted(robot.profiles))
    return finding(
        "profile-unknown",
        Severity.ERROR,
        f"there is no profile {shown(profile)}",
        places=[robot.places.get("profiles", robot.origin)],
        why=f"profiles: {known}" if known else "the robot file has no profiles",
        repair=f"--profile {near}"
        if near
        else [f"--profile {one}" for one in sorted(robot.profiles)[:3]]
        or f"profiles: {{{profile}: [PLUGIN, …]}}   in robot.yaml",
    )


def _plugin_unknown(entry: EnabledPlugin, manifests: Manifests, *, in_use: bool) -> Finding:
    near = find_nearest(entry.plugin, manifests)
    known = few([shown(one) for one in sorted(manifests)], 12)
    instead = f"{near}   in place of {entry.plugin}" if near else f"robokit-plan new {entry.plugin}"
    return finding(
        "plugin-unknown",
        Severity.ERROR if in_use else Severity.WARNING,
        f"there is no plugin {shown(entry.plugin)}" + (f"; {shown(near)} is there" if near else ""),
        places=[entry.origin],
        why=f"plugins: {known}" if known else "no plugin was found at all",
        repair=[instead, *((f"robokit-plan disable {entry.instance}",) if in_use else ())],
        plugins=[entry.instance],
    )


# -- wiring -------------------------------------------------------------------------------------


def _instances(robot: Robot) -> dict[str, PluginName]:
    return {entry.instance: entry.plugin for entry in _all_entries(robot)}


def _plugin_for(name: str, robot: Robot, manifests: Manifests) -> PluginName | None:
    """Return the plugin behind an instance; one that is not enabled bears its plugin's name."""
    plugin = _instances(robot).get(name)
    if plugin is None and PluginName(name) in manifests:
        return PluginName(name)
    return plugin


def _claims(manifest: Manifest) -> dict[str, list[Claim]]:
    claims: dict[str, list[Claim]] = {}
    for needs in (manifest.base, *(variant.needs for variant in manifest.variants)):
        for claim in needs.hardware:
            if SECTION_OF[type(claim)] not in _NOT_WIRED:
                claims.setdefault(claim.key.name, []).append(claim)
    return claims


def _check_wiring(robot: Robot, manifests: Manifests, passed: set[str]) -> Iterator[Finding]:
    instances = _instances(robot)
    for one in robot.wiring:
        plugin = _plugin_for(one.instance, robot, manifests)
        if plugin is None:
            if one.instance not in passed:
                yield _instance_unknown("wiring", one.instance, one, sorted(instances))
            continue
        manifest = manifests.get(plugin)
        if manifest is None:
            continue
        claims = _claims(manifest)
        if one.claim not in claims:
            near = find_nearest(one.claim, claims)
            known = ", ".join(shown(name) for name in sorted(claims))
            yield finding(
                "claim-unknown",
                Severity.ERROR,
                f"{shown(plugin)} has no claim {shown(one.claim)}",
                places=[one.origin],
                why=f"its claims: {known}" if known else "it claims no line, bus or port",
                repair=_rewired(one, claim=near)
                if near
                else f"remove {one.instance}.{one.claim} from wiring",
                plugins=[one.instance] if one.instance in instances else [],
            )
            continue
        idle = _idle(_placed(one, robot, manifests), claims[one.claim])
        if idle is not None:
            yield idle
    ports = {port.name for port in robot.ports}
    for one in robot.wiring:
        if one.port is None or one.port in ports or not ports:
            continue
        near = find_nearest(one.port, ports)
        if near:
            yield finding(
                "port-unknown",
                Severity.ERROR,
                f"there is no port {shown(one.port)}; {shown(near)} is there",
                places=[one.origin],
                why=f"ports: {', '.join(shown(p) for p in sorted(ports))}",
                repair=f"wiring: {{{one.instance}.{one.claim}: {{port: {near}}}}}",
                plugins=[one.instance] if one.instance in instances else [],
            )


_PLACES: Mapping[str, tuple[str, ...]] = {
    "signals": ("gpio", "header", "port"),
    "one-wire": ("gpio", "header", "port"),
    "i2c": ("bus", "address", "port"),
    "spi": ("bus", "select", "port"),
    "uart": ("port", "bus"),
    "i2s": ("bus", "port"),
    "blocks": ("bus", "gpio", "header"),
    "camera": ("connector",),
    "usb": ("port",),
    "audio": ("via",),
    "ports": ("port",),
}
"""Section of a claim -> the keys of `wiring` that say where it goes."""


def _idle(one: Wiring, claims: list[Claim]) -> Finding | None:
    """Return what is wrong where an entry says something that its claim does not listen to."""
    given = {
        "gpio": one.line,
        "header": one.position,
        "bus": one.bus,
        "address": one.address,
        "select": one.select,
        "port": one.port,
        "pin": one.pin,
        "connector": one.connector,
        "via": one.via,
    }
    heard = {key for claim in claims for key in _heard_by(claim)}
    idle = [key for key, value in given.items() if value is not None and key not in heard]
    if not idle:
        return None
    kept = {key: value for key, value in given.items() if value is not None and key in heard}
    words = ", ".join(f"{key}: {_shown_place(key, value)}" for key, value in kept.items())
    name = f"{one.instance}.{one.claim}"
    many = len(idle) > 1
    return finding(
        "wiring-idle",
        Severity.ERROR,
        f"`{'` and `'.join(idle)}` {'say' if many else 'says'} nothing about {shown(name)}",
        places=[one.origin],
        why=f"where it goes is said by {listed([f'`{key}`' for key in _ordered(heard)], 'or')}",
        repair=f"wiring: {{{name}: {{{words}}}}}   in place of {name}"
        if words
        else f"remove {name} from wiring",
        plugins=[one.instance],
    )


def _heard_by(claim: Claim) -> tuple[str, ...]:
    if getattr(claim, "controller", None) is not None:
        return ("pin",)
    return _PLACES.get(SECTION_OF[type(claim)], ())


def _ordered(keys: set[str]) -> list[str]:
    order = ("gpio", "header", "pin", "bus", "address", "select", "port", "connector", "via")
    return [key for key in order if key in keys]


def _shown_place(key: str, value: object) -> str:
    return f"0x{value:02x}" if key == "address" and isinstance(value, int) else str(value)


def _instance_unknown(key: str, name: str, one: Wiring, known: list[str]) -> Finding:
    near = min(known, key=lambda other: (distance(name, other), other), default="")
    steps = distance(name, near)
    slip = bool(near) and steps <= _SLIP and 2 * steps <= len(name)
    return finding(
        "instance-unknown",
        # What is wired for an instance that was disabled waits for its return; a slip of the
        # pen leaves an enabled one unwired.
        Severity.ERROR if slip else Severity.WARNING,
        f"{key} speaks of {shown(name)}, which is enabled nowhere"
        + (f"; {shown(near)} is" if slip else ""),
        places=[one.origin],
        why="an entry for an instance that does not exist has no effect",
        repair=_rewired(one, instance=near)
        if slip
        else f"remove {one.instance}.{one.claim} from wiring",
    )


def _rewired(one: Wiring, *, instance: str | None = None, claim: str | None = None) -> str:
    """Return the entry *one* under another instance or claim, as it is to be written."""
    given = {
        "header": one.position,
        "bus": one.bus,
        "address": None if one.address is None else f"0x{one.address:02x}",
        "select": one.select,
        "port": one.port,
        "pin": one.pin,
        "connector": one.connector,
        "via": one.via,
    }
    words = [f"{key}: {value}" for key, value in given.items() if value is not None]
    value = str(one.line) if one.line is not None and not words else f"{{{', '.join(words)}}}"
    new = f"{instance or one.instance}.{claim or one.claim}"
    return f"wiring: {{{new}: {value}}}   in place of {one.instance}.{one.claim}"


def _placed(one: Wiring, robot: Robot, manifests: Manifests) -> Wiring:
    word = one.line or one.bus or one.port
    given = (one.line, one.position, one.bus, one.address, one.select, one.port, one.pin)
    if word is None or sum(field is not None for field in given) != 1:
        return one
    if one.connector is not None or one.via is not None:
        return one
    plugin = _plugin_for(one.instance, robot, manifests)
    manifest = manifests.get(plugin) if plugin else None
    claims = _claims(manifest).get(one.claim, []) if manifest else []
    if not claims:
        return one
    claim = claims[0]
    bare = replace(one, line=None, bus=None, port=None)
    match SECTION_OF[type(claim)]:
        case "signals" if isinstance(claim, SignalClaim) and claim.controller is not None:
            number = word.removeprefix("gpio")
            return replace(bare, pin=number if number.isdecimal() else word)
        case "signals" | "one-wire" | "i2c" | "spi" | "i2s" if one.port is not None:
            return one  # said to be a port: where there is none of that name, that is the fault
        case "signals" | "one-wire":
            if any(port.name == word for port in robot.ports):
                return replace(bare, port=PortName(word))
            return replace(bare, line=LineName(word))
        case "i2c" | "spi" | "i2s" | "blocks":
            if any(port.name == word for port in robot.ports):
                return replace(bare, port=PortName(word))
            return replace(bare, bus=word)
        case "uart" | "usb" | "ports":
            return replace(bare, port=PortName(word))
        case "camera":
            return replace(bare, connector=word)
        case "audio":
            return replace(bare, via=word)
        case _:
            return one


# -- the other names ----------------------------------------------------------------------------


def _check_variants(robot: Robot, manifests: Manifests, passed: set[str]) -> Iterator[Finding]:
    instances = _instances(robot)
    for name, (variant, origin) in sorted(robot.variants.items()):
        plugin = _plugin_for(name, robot, manifests)
        if plugin is None:
            if name not in passed:
                near = find_nearest(name, [*instances, *manifests])
                yield finding(
                    "instance-unknown",
                    Severity.ERROR if near else Severity.WARNING,
                    f"variant speaks of {shown(name)}, which is enabled nowhere",
                    places=[origin],
                    why="an entry for an instance that does not exist has no effect",
                    repair=f"variant: {{{near}: {variant}}}   in place of {name}"
                    if near
                    else f"remove {name} from variant",
                )
            continue
        manifest = manifests.get(plugin)
        if manifest is None:
            continue
        known: list[VariantName] = [one.name for one in manifest.variants]
        if variant in known:
            continue
        near_variant = find_nearest(variant, known)
        words = ", ".join(shown(one) for one in known)
        yield finding(
            "variant-unknown",
            Severity.ERROR,
            f"{shown(plugin)} has no variant {shown(variant)}",
            places=[origin],
            why=f"its variants: {words}" if words else "it has no variants",
            repair=[
                f"variant: {{{name}: {one}}}" for one in ([near_variant] if near_variant else known)
            ]
            or f"remove {name} from variant",
            plugins=[name] if name in instances else [],
        )


def _check_roles(robot: Robot, manifests: Manifests) -> Iterator[Finding]:
    targets = {*robot.supplies, *robot.controllers}
    for role, target in sorted(robot.roles.items()):
        if target.text in targets or target.text in _ANY_SUPPLY:
            continue
        near = find_nearest(target.text, targets)
        known = ", ".join(shown(one) for one in sorted(targets))
        yield finding(
            "role-unbound",
            Severity.ERROR,
            f"role {shown(role)} is bound to {shown(target.text)}, no supply and no controller",
            places=[target.origin],
            why=f"supplies and controllers here: {known}"
            if known
            else "this file has no supplies or controllers",
            repair=[
                f"roles: {{{role}: {one}}}" for one in ([near] if near else sorted(targets)[:3])
            ]
            or f"supplies: {{{target.text}: {{volts: …, max-ma: …}}}}",
        )
    used = _roles_used(manifests)
    for role in sorted(set(robot.roles) - used):
        near = find_nearest(role, used)
        if near and near not in robot.roles:
            yield finding(
                "role-unknown",
                Severity.WARNING,
                f"no plugin has a role {shown(role)}; {shown(near)} is one",
                places=[robot.roles[role].origin],
                why="the role that was meant stays bound to its own name",
                repair=f"roles: {{{near}: {robot.roles[role].text}}}   in place of {role}",
            )


def _roles_used(manifests: Manifests) -> set[str]:
    used: set[str] = set()
    for manifest in manifests.values():
        for needs in (manifest.base, *(variant.needs for variant in manifest.variants)):
            for claim in needs.hardware:
                for field in ("supply", "controller"):
                    name = getattr(claim, field, None)
                    if name:
                        used.add(name)
    return used


def _check_choices(robot: Robot, manifests: Manifests) -> Iterator[Finding]:
    # Whether the chosen one provides the service, and is enabled, is the planner's to say.
    known = {
        word
        for manifest in manifests.values()
        for word in (*manifest.provides, *(need.text for need in manifest.needs))
    }
    for capability, provider in sorted(robot.choose.items()):
        if capability in known or not known:
            continue
        near = find_nearest(capability, known)
        yield finding(
            "capability-unknown",
            Severity.ERROR if near else Severity.WARNING,
            f"no plugin provides or needs {shown(capability)}"
            + (f"; {shown(near)} is provided" if near else ""),
            places=[provider.origin],
            why="a choice for a service that does not exist has no effect",
            repair=f"choose: {{{near}: {provider.text}}}   in place of {capability}"
            if near
            else f"remove {capability} from choose",
        )


def _check_references(robot: Robot) -> Iterator[Finding]:
    """Yield findings about supplies named by controllers, ports and other supplies."""
    supplies = set(robot.supplies)
    named = [
        (f"controller {shown(one.name)}", f"controllers: {{{one.name}: {{", one.supply, one.origin)
        for one in robot.controllers.values()
    ]
    named += [
        (f"port {shown(one.name)}", f"ports: [{{name: {one.name}, ", one.supply, one.origin)
        for one in robot.ports
    ]
    for owner, head, name, origin in named:
        if name is None or name in supplies or name in _ANY_SUPPLY:
            continue
        near = find_nearest(name, supplies)
        yield finding(
            "supply-unknown",
            Severity.ERROR,
            f"{owner} is fed by {shown(name)}, which is no supply of this file",
            places=[origin],
            why=f"supplies: {', '.join(shown(one) for one in sorted(supplies))}"
            if supplies
            else "this file has no supplies",
            repair=f"{head}supply: {near}{'}}' if head.startswith('c') else ', …}]'}"
            if near
            else f"supplies: {{{name}: {{volts: …, max-ma: …}}}}",
        )
    fed = {"board", *supplies, *robot.controllers}
    for supply in sorted(robot.supplies.values(), key=lambda one: one.name):
        for target in supply.feeds:
            if target in fed:
                continue
            near = find_nearest(target, fed)
            yield finding(
                "supply-unknown",
                Severity.ERROR,
                f"supply {shown(supply.name)} feeds {shown(target)}, which this file does not have",
                places=[supply.origin],
                why="it can feed "
                + listed((shown(one) for one in sorted(fed - {supply.name})), "or"),
                repair=f"supplies: {{{supply.name}: {{feeds: {near}}}}}"
                if near
                else f"remove {target} from feeds",
            )
    ports: dict[str, list[object]] = {}
    for port in robot.ports:
        ports.setdefault(port.name, []).append(port)
    for port_name, alike in sorted(ports.items()):
        if len(alike) > 1:
            yield finding(
                "port-twice",
                Severity.ERROR,
                f"{len(alike)} ports are called {shown(port_name)}",
                places=[port.origin for port in robot.ports if port.name == port_name],
                why="wiring names a port by its name alone",
                repair=f"name: {port_name}b   for one of them",
            )

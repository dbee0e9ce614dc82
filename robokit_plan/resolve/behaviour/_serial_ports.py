"""Services that would take a serial port of a USB device before the robot's program can."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from robokit_plan.model import (
    Finding,
    Instance,
    InstanceName,
    Machine,
    MachineFacts,
    Place,
    Robot,
    Severity,
    SignalClaim,
    UsbClaim,
    VariantName,
    dataclass,
    finding,
    replace,
    variant_needs,
)

_SUFFIX = ".service"


@dataclass(frozen=True, kw_only=True, slots=True)
class SerialPort:
    """A USB device that appears as a serial port: what to call it, its id, who uses it."""

    name: str
    usb_id: str | None
    users: tuple[InstanceName, ...]
    place: Place


def serial_ports(
    instances: Iterable[Instance],
    variants: Mapping[InstanceName, VariantName | None],
    robot: Robot,
    facts: MachineFacts,
) -> tuple[SerialPort, ...]:
    """Return the controllers on USB, and the claimed USB devices that are serial converters."""
    users: dict[str, set[InstanceName]] = {name: set() for name in robot.controllers}
    found: list[SerialPort] = []
    for one in instances:
        for claim in variant_needs(one.manifest, variants.get(one.name)).hardware:
            if isinstance(claim, SignalClaim) and claim.controller is not None:
                role = robot.roles.get(claim.controller)
                name = role.text if role is not None else str(claim.controller)
                users.setdefault(name, set()).add(one.name)
            elif isinstance(claim, UsbClaim) and claim.id.lower() in facts.serial_ids:
                found.append(
                    SerialPort(
                        name=f"{one.name}.{claim.key.name}",
                        usb_id=claim.id.lower(),
                        users=(one.name,),
                        place=Place(origin=claim.key.origin, label=f"{one.name} claims it"),
                    )
                )
    found.extend(
        SerialPort(
            name=controller.name,
            usb_id=None if controller.usb_id is None else controller.usb_id.lower(),
            users=tuple(sorted(users[controller.name])),
            place=Place(origin=controller.origin, label=f"{controller.name} is on USB"),
        )
        for controller in robot.controllers.values()
        if controller.link == "usb"
    )
    return tuple(sorted(found, key=lambda one: one.name))


def guard_ports(
    machine: Machine, ports: Iterable[SerialPort], facts: MachineFacts
) -> tuple[Machine, tuple[Finding, ...]]:
    """Return *machine* with the services stopped that would take one of *ports*, and why."""
    ports = tuple(ports)
    stop = dict(machine.stop)
    findings: list[Finding] = []
    for grabber in facts.grabbers:
        taken = [one for one in ports if not grabber.ids or one.usb_id in grabber.ids]
        names = {grabber.service, grabber.service + _SUFFIX}
        if not taken or names & machine.stop.keys():
            continue
        what = ", ".join(one.name for one in taken)
        places = [one.place for one in taken]
        users = sorted({user for one in taken for user in one.users})
        starters = sorted({user for name in names for user in machine.start.get(name, ())})
        if starters:
            findings.append(
                finding(
                    "serial-port-contested",
                    Severity.WARNING,
                    f"{', '.join(starters)} starts {grabber.service}, which opens the serial port "
                    f"of {what} as well",
                    places=places,
                    why=f"it opens every new port and {grabber.does}",
                    repair=[f"robokit-plan disable {one}" for one in starters],
                    plugins=[*starters, *users],
                    resource=grabber.service,
                )
            )
            continue
        stop[grabber.service] = tuple(users)
        findings.append(
            finding(
                "serial-port-guarded",
                Severity.NOTE,
                f"{grabber.service} is kept from starting because of the serial port of {what}",
                places=places,
                why=f"it opens every new port and {grabber.does}",
                repair=[
                    f"machine: {{services: {{stop: [{grabber.service}]}}}}   in the manifest of "
                    f"{user} says it there"
                    for user in users[:1]
                ],
                plugins=users,
                resource=grabber.service,
            )
        )
    return replace(machine, stop={name: stop[name] for name in sorted(stop)}), tuple(findings)

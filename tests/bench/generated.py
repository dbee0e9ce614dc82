"""Generated libraries of plugins, and robots that enable them, of any size; the same every time."""

from __future__ import annotations

import random
from pathlib import Path

_SEED = 20261125
_WORDS = ["tide", "reef", "buoy", "kelp", "gull", "foam", "crab", "silt", "wave", "spar"]
_PURPOSES = ("Depth", "Salinity", "Heading", "Drift", "Turbidity", "Swell", "Glare", "Mooring")


def plugin_name(number: int) -> str:
    """Return the name of plugin *number*; it tells numbers apart and sorts as they do."""
    return f"{_WORDS[number % len(_WORDS)]}-{number:05}"


def manifest_text(number: int, *, requires: tuple[str, ...] = (), hardware: str = "") -> str:
    """
    Return the manifest of plugin *number*, about as long as those of the sample robot.

    Args:
        number: From 0.
        requires: Of Python; what a manifest of the sample robot asks for is in there otherwise.
        hardware: The lines below `hardware:`; a device on a bus and a line otherwise.
    """
    chance = random.Random(_SEED + number)
    name = plugin_name(number)
    module = name.replace("-", "_")
    purpose = _PURPOSES[number % len(_PURPOSES)]
    wanted = ", ".join(f'"{one}"' for one in requires or ("smbus2>=0.5,<1",))
    claims = hardware or (
        "  i2c:\n"
        f"    sensor: {{address: 0x{0x08 + number % 0x70:02x}, max-khz: 400, bus: any}}\n"
        "  signals:\n"
        f"    ready: {{gpio: any, function: input, pull: {chance.choice(['up', 'down'])}}}\n"
    )
    return (
        "# yaml-language-server: $schema=../../../schemas/manifest.schema.json\n"
        f"# {purpose} from a sensor of its own, for the benchmarks.\n"
        "format: 1\n"
        f"plugin: {name}\n"
        f'version: "0.{number % 10}.{chance.randrange(20)}"\n'
        f"summary: {purpose} measured every so often, and told to whoever listens\n"
        "license: MIT\n"
        f"behaviour: {module}.main:Plugin\n"
        "settings:\n"
        f"  interval-s: {{type: integer, default: {chance.randrange(1, 60)}, min: 1, max: 3600}}\n"
        f"  mode: {{type: string, default: calm, choices: [calm, rough], summary: How to filter}}\n"
        "python:\n"
        f"  requires: [{wanted}]\n"
        "  modules: [smbus2]\n"
        "debian:\n"
        "  packages: [i2c-tools]\n"
        "machine:\n"
        "  groups: [i2c]\n"
        "  kernel: {load: [i2c-dev], block: []}\n"
        f"  load: {{memory-mb: {chance.randrange(5, 60)}, cpu-percent: 1}}\n"
        "hardware:\n"
        f"{claims}"
        "topics:\n"
        f"  publishes: [{module}/value]\n"
        f"  subscribes: [{plugin_name(chance.randrange(number + 1)).replace('-', '_')}/value]\n"
    )


def write_library(folder: Path, plugins: int) -> None:
    """Write *plugins* manifests, each with a code file beside it, below *folder*."""
    for number in range(plugins):
        name = plugin_name(number)
        package = folder / name / name.replace("-", "_")
        package.mkdir(parents=True)
        (folder / name / "manifest.yaml").write_text(manifest_text(number), "utf-8")
        (package / "__init__.py").write_text("", "utf-8")
        (package / "main.py").write_text(
            "import smbus2\n\n\nclass Plugin:\n    bus = smbus2.SMBus\n", "utf-8"
        )


def robot_text(enabled: list[str]) -> str:
    """Return a robot file that enables the plugins called *enabled*."""
    lines = "".join(f"  - {one}\n" for one in enabled)
    return (
        'format: 1\nrobot: flotilla\nboard: "raspberrypi,4-model-b"\n'
        "system: {release: debian-13, image: vendor, architecture: arm64}\n"
        f"plugin-paths: [plugins]\nenabled:\n{lines}"
    )


def controller_claims(number: int, controllers: int, claims: int) -> str:
    """Return the hardware of a plugin: *claims* outputs on one of *controllers* controllers."""
    lines = "".join(
        f"    out-{one}: {{controller: mcu-{number % controllers}, function: output, pin: any}}\n"
        for one in range(claims)
    )
    return f"  signals:\n{lines}"


def controllers_text(controllers: int) -> str:
    """Return the part of a robot file that declares *controllers* controllers on USB."""
    lines = "".join(
        f'  mcu-{one}: {{chip: rp2040, link: usb, usb-id: "2e8a:{one:04x}", supply: main-5v}}\n'
        for one in range(controllers)
    )
    return (
        f"controllers:\n{lines}supplies:\n  main-5v: {{volts: 5.1, max-ma: 15000, feeds: board}}\n"
    )


def distribution_name(number: int) -> str:
    """Return the name of distribution *number* of the generated index."""
    return f"dist-{number:05}"


def release_requirements(number: int, minor: int) -> tuple[str, ...]:
    """
    Return what release ``1.<minor>`` of distribution *number* requires.

    Up to three distributions of lower numbers, as most real ones do; the newest releases ask for
    newer ones, so that some choices must be taken back.
    """
    chance = random.Random(_SEED * 31 + number)
    wanted = sorted(
        {chance.randrange(number) for _ in range(chance.randrange(4))} if number else ()
    )
    return tuple(f"{distribution_name(one)}>=1.{max(0, minor - 4)},<2" for one in wanted)

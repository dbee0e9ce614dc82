"""Plans built by hand for the tests of rendering; hosts end in .example, hashes are of their names."""

from __future__ import annotations

import hashlib
from dataclasses import replace

from robokit_plan.model import (
    Assignment,
    BoardId,
    BootSetting,
    BusName,
    CapabilityName,
    ClaimName,
    DebianName,
    DebianPin,
    Direction,
    DistributionName,
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
    PythonPin,
    Rail,
    ResourceName,
    RobotName,
    SupplyName,
    Target,
    Variable,
    VariantName,
)


def sha(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def names(*texts: str) -> tuple[InstanceName, ...]:
    return tuple(InstanceName(text) for text in texts)


def wheel(
    name: str,
    version: str,
    tag: str = "py3-none-any",
    *,
    wanted_by: tuple[str, ...] = ("helm",),
    direct: bool = True,
    requires: tuple[str, ...] = (),
    size: int = 10_000,
    index: str = "default",
    requires_python: str | None = ">=3.9",
) -> PythonPin:
    filename = f"{name.replace('-', '_')}-{version}-{tag}.whl"
    return PythonPin(
        name=DistributionName(name),
        version=version,
        file=IndexFile(
            filename=filename,
            url=f"https://files.example/{sha(filename)[:4]}/{filename}",
            sha256=sha(filename),
            size=size,
            requires_python=requires_python,
            upload_time="2026-03-01T10:20:30.123456Z",
            index=index,
        ),
        requires_python=requires_python,
        requires=tuple(DistributionName(one) for one in requires),
        wanted_by=names(*wanted_by),
        direct=direct,
        installed_size=size * 3,
        license="MIT",
    )


def sdist(name: str, version: str, *, wanted_by: tuple[str, ...] = ("nav-lights",)) -> PythonPin:
    filename = f"{name.replace('-', '_')}-{version}.tar.gz"
    made = wheel(name, version, wanted_by=wanted_by)
    return replace(
        made,
        file=replace(
            made.file,
            filename=filename,
            url=f"https://files.example/{filename}",
            sha256=sha(filename),
        ),
    )


def deb(
    name: str,
    version: str,
    *,
    wanted_by: tuple[str, ...] = ("spoken-alarm",),
    direct: bool = True,
    size: int = 50_000,
    architecture: str = "arm64",
    requires: tuple[str, ...] = (),
) -> DebianPin:
    return DebianPin(
        name=DebianName(name),
        version=version,
        architecture=architecture,
        suite="trixie",
        filename=f"pool/main/{name[0]}/{name}/{name}_{version}_{architecture}.deb",
        size=size,
        installed_size=size * 4,
        sha256=sha(name + version),
        wanted_by=names(*wanted_by),
        direct=direct,
        requires=tuple(DebianName(one) for one in requires),
    )


def instance(name: str, *, plugin: str | None = None, **changes: object) -> PlannedInstance:
    made = PlannedInstance(
        name=InstanceName(name),
        plugin=PluginName(plugin or name),
        version="0.3.1",
        variant=None,
        settings={},
        behaviour=f"{name.replace('-', '_')}.part:Part",
        provides=(),
        digest=sha(name),
    )
    return replace(made, **changes)  # type: ignore[arg-type]


TARGET = Target(
    release="debian-13",
    image="debian",
    architecture="arm64",
    python="3.13",
    tags=(),
    markers={
        "implementation_name": "cpython",
        "implementation_version": "3.13.5",
        "os_name": "posix",
        "platform_machine": "aarch64",
        "platform_python_implementation": "CPython",
        "platform_system": "Linux",
        "python_full_version": "3.13.5",
        "python_version": "3.13",
        "sys_platform": "linux",
    },
)

LOCK_ORIGIN = Origin(file="pylock.heron.toml")

HERON = Plan(
    robot=RobotName("heron"),
    profile=None,
    board=BoardId("raspberrypi,4-model-b"),
    target=TARGET,
    instances=(
        instance(
            "bow-lights",
            plugin="nav-lights",
            variant=VariantName("spi"),
            settings={"dim": None, "leds": 8, "name": "bow"},
            summary="Side and stern lights of the raft",
            license="MIT",
        ),
        instance("compass"),
        instance("helm", provides=(CapabilityName("steering"),)),
        instance("spoken-alarm", provides=(CapabilityName("alarm-sound"),)),
    ),
    providers={
        CapabilityName("alarm-sound"): InstanceName("spoken-alarm"),
        CapabilityName("steering"): InstanceName("helm"),
    },
    assignments=(
        Assignment(
            instance=InstanceName("bow-lights"),
            claim=ClaimName("data"),
            section="signals",
            resource=ResourceName("gpio10"),
            lines=(
                LineUse(
                    signal="data",
                    line=LineName("gpio10"),
                    position=PinId("19"),
                    direction=Direction.OUT,
                ),
            ),
            function="led-string",
            level=Millivolt(5000),
            current=Milliamp(1),
            converter="shifter",
        ),
        Assignment(
            instance=InstanceName("compass"),
            claim=ClaimName("imu"),
            section="i2c",
            resource=ResourceName("i2c1 0x28"),
            lines=(
                LineUse(
                    signal="sda",
                    line=LineName("gpio2"),
                    position=PinId("3"),
                    shared=True,
                    direction=Direction.BOTH,
                ),
                LineUse(
                    signal="scl",
                    line=LineName("gpio3"),
                    position=PinId("5"),
                    shared=True,
                    direction=Direction.OUT,
                ),
            ),
            bus=BusName("i2c1"),
            level=Millivolt(3300),
            address=0x28,
            device="/dev/i2c-1",
        ),
        Assignment(
            instance=InstanceName("spoken-alarm"),
            claim=ClaimName("horn"),
            section="audio",
            resource=ResourceName("audio analog"),
        ),
    ),
    python=(
        wheel(
            "numpy",
            "2.3.1",
            "cp313-cp313-manylinux_2_27_aarch64.manylinux_2_28_aarch64",
            wanted_by=("compass", "helm"),
            size=14_000_000,
            requires_python=">=3.11",
        ),
        wheel("paho-mqtt", "2.1.0", requires=("numpy",)),
        sdist("spidev", "3.8", wanted_by=("bow-lights",)),
    ),
    build=(wheel("setuptools", "80.9.0", wanted_by=("bow-lights",)),),
    debian=(
        deb("espeak-ng", "1.52.0+dfsg-5", requires=("libespeak-ng1",)),
        deb("gcc", "4:14.2.0-1", wanted_by=("bow-lights",), size=1_500),
        deb("libespeak-ng1", "1.52.0+dfsg-5", direct=False),
        deb("python3-venv", "3.13.5-1", wanted_by=("helm",), size=1_200),
    ),
    debian_build=(DebianName("gcc"),),
    debian_suites=("trixie", "trixie-updates", "trixie-security"),
    boot=(
        BootSetting(kind="parameter", text="dtparam=i2c_arm=on", because_of=names("compass")),
        BootSetting(kind="parameter", text="dtparam=spi=on", because_of=names("bow-lights")),
    ),
    machine=Machine(
        groups={"gpio": names("bow-lights"), "i2c": names("compass")},
        start={"mosquitto": names("helm")},
        stop={"ModemManager": names("compass")},
        load={"i2c-dev": names("compass")},
        block={"snd_bcm2835": names("bow-lights")},
        permissions={"power-off": names("helm")},
        environment=(
            (
                InstanceName("helm"),
                Variable(
                    name="SHORE_TOKEN",
                    secret=True,
                    purpose="token of the shore radio account",
                    origin=LOCK_ORIGIN,
                ),
            ),
        ),
        assets=(
            PlannedAsset(
                instance=InstanceName("spoken-alarm"),
                url="https://models.example/voice.onnx",
                sha256=sha("voice"),
                size=48_123,
                path="models/voice.onnx",
                license="CC-BY-4.0",
            ),
        ),
    ),
    rails=(
        Rail(
            name=SupplyName("main-5v"),
            volts=Millivolt(5100),
            limit=Milliamp(3000),
            typical=Milliamp(900),
            peak=Milliamp(1680),
            loads=(
                Load(
                    instance=InstanceName("bow-lights"),
                    claim="data",
                    typical=Milliamp(120),
                    peak=Milliamp(480),
                ),
                Load(instance=InstanceName("compass"), claim="imu", typical=None, peak=None),
            ),
        ),
    ),
    hazards={"motion": names("helm")},
    digests={"facts": sha("facts"), "robot": sha("robot")},
    program="python -m heron",
    program_user="robot",
    keep_logs=2,
    indexes={"default": "https://index.example/simple/"},
    sources=(
        PlannedSource(
            name="maker",
            url="https://maker.example/debian",
            suites=("trixie",),
            key="bm90IGEga2V5Cg==",
            priority=600,
            only=("maker-tools",),
        ),
    ),
    build_environment={DistributionName("spidev"): (("SPIDEV_CHECK", "1"),)},
    build_room={DistributionName("spidev"): 30},
    modules={"numpy": names("compass", "helm"), "paho.mqtt.client": names("helm")},
    udev_rules=('SUBSYSTEM=="spidev", GROUP="spi", MODE="0660"',),
)

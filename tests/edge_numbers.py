"""
Numbers on the edge of what the schemas allow, and beyond, at every place where a number may stand.

The places come from the schemas themselves: each numeric key, in every object of the base files
that may hold it, whether it stands there already or not; so a new key is tried by itself, and
`untried` names what no object of the base could hold. Values come from the bounds of the key.

A case is a robot folder with one or two such numbers; `drive` runs commands over it, in this
process, and returns what broke: an exception, a fault of our own, a number that is none, a status
that README does not know, a robot that can be built at no voltage at all.
"""

from __future__ import annotations

import copy
import io
import json
import os
import random
import re
import shutil
import tomllib
import traceback
from collections.abc import Iterator, Mapping
from contextlib import chdir, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from robokit_plan.app import planning
from robokit_plan.cli._app import run
from robokit_plan.edge.schemas import read_schema
from tests import plain_yaml
from tests.cli.conftest import FrozenWorld

ROBOT = """\
format: 1
robot: odd
board: "raspberrypi,4-model-b"
system: {image: vendor, memory-mb: 2048, card-gb: 16, board-ma: {typical: 600, peak: 1200},
  sources: [{name: maker, url: "https://deb.example/debian", suites: [trixie], components: [main], priority: 500}]}
enabled:
  - {as: lights, plugin: lamp, set: {leds: 8, gain: 0.5}}
  - drive
  - sense
profiles: {bench: [sense]}
wiring: {sense.imu: {bus: i2c1, address: 0x68}, drive.rudder: {pin: 4}}
roles: {drive: pack, hull: mcu}
controllers:
  mcu: {chip: rp2040, link: usb, usb-id: "2e8a:000a", supply: main, host-timeout-ms: 500, moves-alone: [fin], released-by: command,
    inhibit: {pin: 15, active: low, stops: [fin]}}
supplies:
  main: {volts: 5.1, max-ma: 6000, feeds: board}
  pack: {volts: 7.4, max-ma: 10000, feeds: main, battery: {chemistry: li-ion, cells: 2, capacity-mah: 5200, discharge-c: 10,
    fuse-a: 10, cut-off: true}}
ports: [{name: P1, kind: 5V, lines: {io: gpio22}, supply: main, volts: 3.3, count: 1}]
add-ons: {shield: {size: 40, header: [37], id-eeprom: 0x50}}
measured: {gpio5: 3.3}
program: {run: "python -m http.server", user: robot, log: {keep: 2}}
"""
PLUGINS = {
    "lamp": """\
settings:
  leds: {type: integer, default: 12, min: 1, max: 300}
  gain: {type: number, default: 1.0, min: 0.0, max: 2.0}
machine: {load: {memory-mb: 60, cpu-percent: 5},
  assets: [{url: "https://a.example/m.onnx", sha256: "SHA", bytes: 100, path: m.onnx, license: MIT}]}
variants:
  spi: {hardware: {signals: {data: {function: led-string, gpio: 10, leds: 12, ma-per-led: 60, brightness: 128, supply: 5V}}}}
  pwm: {hardware: {signals: {data: {function: led-string, gpio: [12, 18], leds: 12, ma-per-led: 60, supply: 5V}}}}
""",
    "drive": """\
hardware:
  signals:
    lid: {function: servo, gpio: any, hz: 50}
    enable: {function: output, gpio: any, active: high, drives: motor-driver, hazard: motion, current-ma: 2}
    echo: {function: input, gpio: any, volts: 5, divider-ohm: [1000, 2000]}
    wave: {function: pwm, gpio: [13, 19], hz: 25000}
    beam: {function: output, gpio: any, hazard: laser, laser: {class: "2", power-mw: 0.9, wavelength-nm: 650}}
    rudder: {controller: hull, function: pwm, pin: any, hz: 50, hazard: motion}
  usb: {stick: {id: "0bda:2838", ma: 300, hazard: radio, radio: {band-mhz: [868.0, 868.6], power-mw: 25, duty-percent: 1}}}
  ports: {pump: {kind: 5V, current-ma: 100}}
  power:
    pump: {supply: drive, count: 2, typical-ma: 400, peak-ma: 2000, stall-ma: 2600, wire: {mm2: 2.5, length-mm: 400}}
  actuators: {fin: {hazard: motion, safe-state: stopped}}
topics: {commands: [fin]}
""",
    "sense": """\
hardware:
  i2c:
    imu: {part: icm-20948, address: [0x68, 0x69], max-khz: 400, pull-up-ohm: 10000, volts: 3.3, bus: any}
    mux: {part: tca9548a, bus: any, max-khz: 400, pull-up-ohm: 2200}
    far: {address: 0x40, behind: {mux: mux, channel: 3}, max-khz: 100}
    bare: {address: 0x3c}
  spi: {radio: {bus: any, select: [0, 1], max-khz: 8000, volts: 3.3}}
  uart: {gnss: {baud: 9600, port: any, volts: 5, divider-ohm: [1000, 2000]}}
  i2s: {ear: {direction: in, clock: board, volts: 3.3, optional: true}}
  blocks: {bus: {controller: hull, block: i2c0, pull-up-ohm: 4700}}
  one-wire: {probe: {part: ds18b20, gpio: any, volts: 3.3}}
""",
}
HEAD = 'format: 1\nplugin: {name}\nversion: "1.0"\nsummary: Plugin {name}\n'
CASE: Mapping[str, Any] = {"robot": "", "plugins": {}, "python": {}, "debian": ""}

HUGE = "9" * 401
ALWAYS = (
    "0", "-0", "-0.0", "1", "-1", "0.0000001", "1.5", "1e-308", "5e-324", "1e308", "1e400", "1e3",
    ".inf", "-.inf", ".nan", "9223372036854775807", "9" * 39, HUGE, "0x7fffffff",
)  # fmt: skip
"""As a file may have them, in its own notation."""

Where = tuple[str | int, ...]


@dataclass(frozen=True)
class Place:
    """Where a number may stand: the file, the way to it in that file, its bounds, the schema's key."""

    file: str
    where: Where
    schema: Mapping[str, Any]
    key: str

    def values(self) -> tuple[str, ...]:
        """Return what is tried here, the bounds and their neighbours first."""
        low = self.schema.get("minimum", self.schema.get("exclusiveMinimum"))
        high = self.schema.get("maximum", self.schema.get("exclusiveMaximum"))
        near = [
            one
            for bound in (low, high)
            if bound is not None
            for one in (bound - 1, bound, bound + 1)
        ]
        if self.schema.get("type") == "number":
            near += [0.001, 1e-9]
            near += [] if low is None else [low + 1e-9]
        return tuple(dict.fromkeys([*(repr(one) for one in near), *ALWAYS]))

    def allowed(self) -> tuple[str, ...]:
        """Return only values that the schema lets through."""
        from robokit_plan.formats.scalars import plain_value
        from robokit_plan.formats.schema_predicates import is_valid

        good = []
        for one in self.values():
            value, _ = plain_value(one)
            if not isinstance(value, str) and is_valid(dict(self.schema), value):
                good.append(one)
        return tuple(good)


def base() -> dict[str, Any]:
    """Return file -> its content."""
    files: dict[str, Any] = {"robot.yaml": plain_yaml.load(ROBOT)}
    for name, text in PLUGINS.items():
        whole = HEAD.format(name=name) + text.replace("SHA", "a" * 64)
        files[f"plugins/{name}/manifest.yaml"] = plain_yaml.load(whole)
    return files


def is_number(schema: Any) -> bool:
    """Whether *schema* is of a number (and perhaps of something else)."""
    kinds = schema.get("type") if isinstance(schema, dict) else None
    return bool({"integer", "number"} & set([kinds] if isinstance(kinds, str) else kinds or ()))


def places(files: Mapping[str, Any]) -> list[Place]:
    """Return every place of *files* where a number stands or could."""
    found: dict[tuple[str, Where], Place] = {}
    for file, content in files.items():
        root = read_schema("robot" if file == "robot.yaml" else "manifest")
        for one in _places(file, root, root, content, (), ""):
            found.setdefault((one.file, one.where), one)
    return list(found.values())


def _resolved(schema: Any, root: Mapping[str, Any]) -> tuple[Any, str]:
    name = ""
    while isinstance(schema, dict) and "$ref" in schema:
        name = schema["$ref"]
        schema = root["$defs"][name.removeprefix("#/$defs/")]
    return schema, name


def _places(
    file: str, root: Mapping[str, Any], schema: Any, data: Any, where: Where, key: str
) -> Iterator[Place]:
    schema, name = _resolved(schema, root)
    key = name or key
    if not isinstance(schema, dict):
        return
    if is_number(schema):
        yield Place(file, where, schema, key)
    for at, one in enumerate((*schema.get("oneOf", ()), *schema.get("anyOf", ()))):
        yield from _places(file, root, one, data, where, f"{key}/oneOf/{at}")
    if isinstance(data, dict):
        for member, one in schema.get("properties", {}).items():
            # What is not there is tried as well, where it is a number or could be one.
            value = data.get(member)
            yield from _places(file, root, one, value, (*where, member), f"{key}/{member}")
        more = schema.get("additionalProperties")
        if isinstance(more, dict):
            for member in data:
                if member not in schema.get("properties", {}):
                    yield from _places(file, root, more, data[member], (*where, member), f"{key}/*")
    if isinstance(data, list) and "items" in schema:
        for at, item in enumerate(data):
            yield from _places(file, root, schema["items"], item, (*where, at), f"{key}/items")


def numeric_keys(name: str) -> set[str]:
    """Return every place of a schema that is of a number, by the same names as `Place.key`."""
    root = read_schema(name)
    found = set()
    seen: set[str] = set()

    def walk(schema: Any, key: str) -> None:
        schema, ref = _resolved(schema, root)
        if ref:
            if ref in seen:
                return
            seen.add(ref)
            key = ref
        if not isinstance(schema, dict):
            return
        if is_number(schema):
            found.add(key)
        for at, one in enumerate((*schema.get("oneOf", ()), *schema.get("anyOf", ()))):
            walk(one, f"{key}/oneOf/{at}")
        for member, one in schema.get("properties", {}).items():
            walk(one, f"{key}/{member}")
        if isinstance(schema.get("additionalProperties"), dict):
            walk(schema["additionalProperties"], f"{key}/*")
        if "items" in schema:
            walk(schema["items"], f"{key}/items")

    walk(root, "")
    return found


def untried() -> set[str]:
    """Return the numeric keys of the schemas for which the base has no place."""
    tried = {(one.file == "robot.yaml", one.key) for one in places(base())}
    return {
        f"{name}: {key}"
        for name in ("robot", "manifest")
        for key in numeric_keys(name)
        if (name == "robot", key) not in tried
    }


# --- laying out and running -------------------------------------------------------------------


def with_numbers(
    files: Mapping[str, Any], numbers: Mapping[tuple[str, Where], str]
) -> dict[str, str]:
    """Return file -> text with *numbers* put in, each as it is written."""
    files = copy.deepcopy(dict(files))
    for at, (file, where) in enumerate(numbers):
        parent = files[file]
        for step in where[:-1]:
            parent = parent[step]
        parent[where[-1]] = f"@@{at}@@"
    texts = {}
    for file, content in files.items():
        text = json.dumps(content, indent=1)
        for at, written in enumerate(numbers.values()):
            text = text.replace(f'"@@{at}@@"', written)
        texts[file] = text
    return texts


COMMANDS: tuple[tuple[str, ...], ...] = (
    ("check",), ("check", "--json"), ("lint", "--json", "--notes"), ("lock",), ("suggest", "--no-software"),
    ("wiring",), ("wiring", "--format", "svg"), ("wiring", "--format", "csv"), ("wiring", "--json"),
    ("wiring", "--format", "c-header"), ("report",), ("script",), ("card",), ("diff", "--json"),
    ("diff", "bench"), ("diff", "--format", "markdown"), ("enable", "sense", "--dry-run", "--profile", "bench"),
    ("disable", "lights", "--dry-run"), ("report", "--format", "cyclonedx"), ("suggest",), ("check", "--board", "radxa,rock-5b"),
)  # fmt: skip
QUICK = (
    ("check", "--json"),
    ("lock",),
    ("wiring", "--format", "svg"),
    ("script",),
    ("report", "--offline"),
)


def lay_out(folder: Path, texts: Mapping[str, str]) -> None:
    """Write the robot anew."""
    shutil.rmtree(folder, ignore_errors=True)
    for name, text in texts.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)


class World(FrozenWorld):
    """Indices that hold what every robot with Python needs, and no more."""


def some_commands(number: int) -> tuple[tuple[str, ...], ...]:
    """Return the commands for case *number*: the plan, its lock file, and four others in turn."""
    others = [one for one in COMMANDS if one not in {("check", "--json"), ("lock",)}]
    turned = [others[(4 * number + at) % len(others)] for at in range(4)]
    return (("check", "--json"), ("lock",), *turned)


def drive(folder: Path, commands: tuple[tuple[str, ...], ...] = COMMANDS) -> list[str]:
    """Run *commands* in *folder*; return what broke, one line each."""
    broken = []
    held = planning.World
    planning.World = World  # type: ignore[misc,assignment]
    try:
        with chdir(folder):
            for words in commands:
                broken += [f"{' '.join(words)}: {one}" for one in _broken(words)]
    finally:
        planning.World = held  # type: ignore[misc]
    return broken


def _ran(words: tuple[str, ...]) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        status = run(list(words))
    return status, out.getvalue(), err.getvalue()


def _where(words: tuple[str, ...]) -> str:
    """Return the exception of a fault, and its line."""
    os.environ["ROBOKIT_PLAN_TRACE"] = "1"
    try:
        _ran(words)
    except Exception as error:  # noqa: BLE001  that is what is looked for
        last = traceback.extract_tb(error.__traceback__)[-1]
        text = f"{type(error).__name__}: {str(error)[:90]}"
        return f"{text} at {Path(last.filename).name}:{last.lineno}"
    finally:
        del os.environ["ROBOKIT_PLAN_TRACE"]
    return "a fault that does not come again"


def _broken(words: tuple[str, ...]) -> Iterator[str]:
    status, said, err = _ran(words)
    if "fault of its own" in err:
        yield _where(words)
        return
    if status not in {0, 1, 2}:
        yield f"status {status}: {err[:200]}"
    if "--json" in words:
        try:
            json.loads(said, parse_constant=_refused)
        except ValueError as error:
            yield f"no JSON: {error}"
    if words[0] in {"check", "wiring"} and "svg" not in words:
        found = re.search(r"(?<![\w.'`-])(?:nan|inf|-0(?:\.0)?|None)(?![\w.'`-])", said)
        if found:
            yield f"says {found[0]!r}"
    if words == ("lock",) and status == 0:
        (lock,) = Path().glob("pylock.*.toml")
        tomllib.loads(lock.read_text())


def _refused(word: str) -> Any:
    raise ValueError(f"{word} is no JSON")


def cases(seed: int) -> Iterator[dict[tuple[str, Where], str]]:
    """Yield every single number, then pairs for ever: allowed ones, that formulas see."""
    chance = random.Random(seed)
    everywhere = places(base())
    single = [(one, value) for one in everywhere for value in one.values()]
    chance.shuffle(single)
    for one, value in single:
        yield {(one.file, one.where): value}
    able = [(one, good) for one in everywhere if (good := one.allowed())]
    while True:
        yield {
            (one.file, one.where): chance.choice(good)
            for one, good in chance.sample(able, chance.choice((2, 2, 3)))
        }

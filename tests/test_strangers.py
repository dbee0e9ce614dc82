"""
No string of a manifest or a robot file is more to the shell than a word, whichever field it is in.

Every string of the sample robot's files, keys too, is replaced by a hostile one, one at a time, and
the robot is read, planned, locked and made into a script. The schemas are walked as well, so that
no key of theirs goes without. What of a lock file could reach the shell is held field by field in
tests/render/test_script_strangers.py.
"""

from __future__ import annotations

import copy
import json
import shutil
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from robokit_plan.app.session import problem_of
from robokit_plan.edge.reading import read_robot
from robokit_plan.formats.lock import LockError, lock_name, parse_lock, render_lock
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import Plan, Severity, Snapshot
from robokit_plan.planner import Planner
from robokit_plan.render import UnsafeValueError, render_script
from tests import plain_yaml
from tests.render.test_script_strangers import HOSTILE, skeleton

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "sample_robot"
EVERY = 67
"""The quick run takes one place of so many; `-m slow` takes all."""
Way = tuple[str | int, ...]
EXTRA: dict[str, Any] = {
    "robot.yaml": {
        "system": {
            "python": "3.13",
            "mirror": "https://mirror.example/debian",
            "sdists": ["spidev"],
            "sources": [
                {"name": "maker", "url": "https://maker.example/debian", "suites": ["trixie"],
                 "components": ["main"], "only": ["maker-tools"],
                 "signed-by": "/usr/share/keyrings/maker.gpg"}
            ],
        },
        "controllers": {"fin-mcu": {"usb-serial": "E6605838833B5A2D", "resumes": "never"}},
        "wiring": {
            "fog-signal.buzzer": {"gpio": "gpio17"},
            "fog-signal.speaker": {"via": "analog"},
            "lookout.bow": {"connector": "cam0"},
        },
        "add-ons": {"plate": {"size": 40, "header": ["27"], "blocks": ["can0"]}},
        "indexes": [{"name": "own", "url": "https://index.example/simple", "only": ["torch"]}],
    },
    "plugins/deck-lamp/manifest.yaml": {
        "hardware": {"actuators": {"lamp": {"hazard": "heat", "guard": "daylight"}}}
    },
    "plugins/position/manifest.yaml": {
        "python": {"modules": ["position.fix"]},
        "hardware": {"usb": {"stick": {"id": "0bda:2838", "serial": "A1", "ma": 100}}},
        "boards": ["raspberrypi,4-model-b"],
        "plugins": ["helm>=0.1"],
        "excludes": ["deck-lamp"],
        "machine": {
            "permissions": ["restart"],
            "environment": [{"name": "TOKEN", "secret": True, "purpose": "an account"}],
            "assets": [
                {"url": "https://models.example/a.bin", "sha256": "0" * 64, "bytes": 7,
                 "path": "a.bin", "license": "MIT"}
            ],
            "services": {"start": ["chrony"], "stop": ["ModemManager"]},
            "kernel": {"load": ["i2c-dev"], "block": ["snd_bcm2835"]},
        },
    },
}  # fmt: skip
"""What no plugin of the sample says, so that its fields are tried as well."""


def merged(base: Any, extra: Any) -> Any:
    if isinstance(base, dict) and isinstance(extra, dict):
        return {**base, **{key: merged(base.get(key), one) for key, one in extra.items()}}
    return extra


def bare(value: Any) -> Any:
    """Return *value* without what asks an index: software is not planned here, only read."""
    if isinstance(value, dict):
        return {
            key: [] if key in {"requires", "packages", "modules"} else bare(one)
            for key, one in value.items()
        }
    return [bare(one) for one in value] if isinstance(value, list) else value


@cache
def documents() -> dict[str, Any]:
    """Return file -> what it holds: the robot file and every manifest of the sample."""
    found = {
        path.relative_to(SAMPLE).as_posix(): bare(plain_yaml.load(path.read_text("utf-8")))
        for path in sorted([SAMPLE / "robot.yaml", *SAMPLE.glob("plugins/*/manifest.yaml")])
    }
    return {file: merged(document, EXTRA.get(file, document)) for file, document in found.items()}


def strings(value: Any, way: Way = ()) -> Iterator[tuple[Way, bool]]:
    """Yield the way to each string below *value*, and whether it is a key."""
    if isinstance(value, str):
        yield way, False
    elif isinstance(value, list):
        for at, one in enumerate(value):
            yield from strings(one, (*way, at))
    elif isinstance(value, dict):
        for key, one in value.items():
            yield (*way, key), True
            yield from strings(one, (*way, key))


def replaced(document: Any, way: Way, word: str, *, key: bool) -> Any:
    """Return a copy of *document* with *word* at the end of *way*."""
    made = copy.deepcopy(document)
    place = made
    for step in way[:-1]:
        place = place[step]
    if key:
        place[word] = place.pop(way[-1])
    else:
        place[way[-1]] = word
    return made


PLACES = [
    (file, way, key) for file, document in documents().items() for way, key in strings(document)
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("strangers") / "heron"
    shutil.copytree(SAMPLE, made)
    for file, document in documents().items():
        (made / file).write_text(json.dumps(document), encoding="utf-8")
    return made


def plan_of(folder: Path) -> Plan | None:
    """Return the plan of the robot in *folder*; None where something in it is refused."""
    try:
        reading = read_robot(folder)
    except UnreadableFile:
        return None
    if reading.robot is None or any(one.severity is Severity.ERROR for one in reading.findings):
        return None
    answer = Planner(problem_of(reading)).resolve(Snapshot(debian_reason="not here"))
    return answer if isinstance(answer, Plan) and answer.ok else None


def script_of(plan: Plan) -> str | None:
    """Return the script, by way of the lock file; None where that or the script refuses."""
    try:
        read = parse_lock(render_lock(plan), file=lock_name(plan))
        return render_script(read, lock_name=lock_name(plan), lock_sha256="0" * 64)
    except (LockError, UnsafeValueError):
        return None


def test_the_sample_is_planned_with_what_was_added_to_it(folder: Path) -> None:
    plan = plan_of(folder)
    assert plan is not None
    assert plan.machine.permissions.keys() == {"power-off", "restart"}
    script = script_of(plan)
    assert script is not None
    assert "i2c-dev" not in skeleton(script)


@pytest.mark.parametrize(
    "places",
    [PLACES[::EVERY], pytest.param(PLACES, marks=pytest.mark.slow)],
    ids=["sample", "whole"],
)
def test_no_field_reaches_the_shell(folder: Path, places: list[tuple[str, Way, bool]]) -> None:
    """Refused, with a finding or by lock or script, or a word that the shell does not look into."""
    kinds = list(HOSTILE)
    for at, (file, way, key) in enumerate(places):
        kind = kinds[at % len(kinds)]
        document = replaced(documents()[file], way, HOSTILE[kind], key=key)
        (folder / file).write_text(json.dumps(document), encoding="utf-8")
        plan = plan_of(folder)
        script = None if plan is None else script_of(plan)
        shown = "" if script is None else skeleton(script)
        assert "touch" not in shown, (file, way, kind)
        assert "--exec" not in shown, (file, way, kind)
        (folder / file).write_text(json.dumps(documents()[file]), encoding="utf-8")


# --- that nothing was left out --------------------------------------------------------------------


def texts_of(schema: Any, whole: Any, seen: frozenset[str] = frozenset()) -> Iterator[str]:
    """Yield each key below *schema* that holds free text, or a list of it."""
    if isinstance(schema, list):
        for one in schema:
            yield from texts_of(one, whole, seen)
        return
    if not isinstance(schema, dict):
        return
    reference = schema.get("$ref")
    if isinstance(reference, str) and reference not in seen:
        yield from texts_of(resolved(schema, whole), whole, seen | {reference})
    for name, one in schema.items():
        if name == "properties":
            yield from (key for key, part in one.items() if is_text(part, whole))
            yield from texts_of(list(one.values()), whole, seen)
        elif name not in {"$defs", "examples", "default", "enum", "const"}:
            yield from texts_of(one, whole, seen)


def resolved(schema: Any, whole: Any) -> Any:
    reference = schema.get("$ref")
    return whole["$defs"][reference.rpartition("/")[2]] if reference else schema


def is_text(schema: Any, whole: Any) -> bool:
    schema = resolved(schema, whole)
    if "enum" in schema or "const" in schema:
        return False
    choices = [*schema.get("anyOf", ()), *schema.get("oneOf", ())]
    if any(is_text(one, whole) for one in choices):
        return True
    kind = schema.get("type", ())
    kinds = [kind] if isinstance(kind, str) else kind
    return "string" in kinds or ("array" in kinds and is_text(schema.get("items", {}), whole))


ELSEWHERE = {
    "manifest": {"requires", "packages"},  # judged as PEP 508 and Debian Policy 7.1 have them
    # files beside the robot file and a day, read and judged as such
    "robot": {"base", "boot-config", "snapshot"},
}
"""Tried where they are judged, since a plan of them takes an index or a file."""


@pytest.mark.parametrize("kind", ["manifest", "robot"])
def test_every_key_of_the_schema_was_tried(kind: str) -> None:
    schema = json.loads((ROOT / f"schemas/{kind}.schema.json").read_text("utf-8"))
    tried = {str(step) for file, way, _ in PLACES if file.endswith(f"{kind}.yaml") for step in way}
    assert set(texts_of(schema, schema)) - tried - ELSEWHERE[kind] == set()

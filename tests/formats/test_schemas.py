"""Published schemas say what the readers say: they are generated, and reviewed like code."""

from __future__ import annotations

import json
import os
from pathlib import Path

import jsonschema
import pytest

from robokit_plan.formats.lock import lock_schema

SCHEMAS = Path(__file__).parents[2] / "schemas"
GENERATED = {"lock.schema.json": lock_schema}


@pytest.mark.parametrize("name", GENERATED)
def test_published_is_generated(name: str) -> None:
    """``ROBOKIT_GOLDEN=write`` writes it anew."""
    made = GENERATED[name]()
    jsonschema.Draft202012Validator.check_schema(made)
    text = json.dumps(made, indent=2, ensure_ascii=False) + "\n"
    path = SCHEMAS / name
    if os.environ.get("ROBOKIT_GOLDEN") == "write":
        path.write_text(text, "utf-8")
    assert text == path.read_text("utf-8")

"""Where the JSON Schemas are, in a checkout and in an installed wheel."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any, Final

SCHEMA_NAMES: Final = ("manifest", "robot", "lock")


def schema_folder() -> Path:
    """
    Return the folder that holds the schemas.

    The wheel carries them inside the package (pyproject.toml maps them there); in a checkout
    they stand at the top, where an editor finds them.

    Raises:
        FileNotFoundError: The installation is broken.
    """
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "schemas", package.parent / "schemas"):
        if (folder / "manifest.schema.json").is_file():
            return folder
    raise FileNotFoundError(package / "schemas" / "manifest.schema.json")


@cache
def read_schema(name: str) -> dict[str, Any]:
    """Return the schema *name*, one of `SCHEMA_NAMES`; do not change what is returned."""
    path = schema_folder() / f"{name}.schema.json"
    schema: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return schema

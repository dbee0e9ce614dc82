"""What the plan gave this plugin, read from wiring.json: no plugin names a pin itself."""

from __future__ import annotations

import json
import os
from pathlib import Path


def own(instance):
    """Return settings and claims of *instance*; a claim that was left out is absent."""
    path = Path(os.environ.get("ROBOT_WIRING", "wiring.json"))
    return json.loads(path.read_text(encoding="utf-8"))["instances"][instance]

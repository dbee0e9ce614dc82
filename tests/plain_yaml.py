"""
Data of the tests, read by libyaml itself: our own reader is what is tested.

Reading thousands of cases in pure Python took a second of each process that runs tests.
"""

from __future__ import annotations

from typing import Any

import yaml

_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


def load(text: str) -> Any:
    """Return the plain data of a YAML text."""
    return yaml.load(text, Loader=_LOADER)

"""
Where Python looks for modules.

Imports nothing that is not loaded when Python has started: a folder on PYTHONPATH may hold a
``typing.py`` as well.
"""

from __future__ import annotations

import os
import sys


def own_modules_first() -> None:
    """
    Look for modules where the tool is installed, before PYTHONPATH, and not in the folder at hand.

    A robot's folder may hold a ``yaml.py`` of its own, and the surroundings of another program may
    name folders with other releases of what this one needs.
    """
    folders = os.environ.get("PYTHONPATH", "").split(os.pathsep)
    given = {os.path.realpath(one) for one in folders if one}
    try:
        here = os.path.realpath(os.getcwd())  # noqa: PTH109
    except OSError:
        here = ""  # it is gone
    kept: list[str] = []
    last: list[str] = []
    for one in sys.path:
        place = os.path.realpath(one) if one else here
        if place == here and os.path.basename(here) not in {"site-packages", "dist-packages"}:  # noqa: PTH119
            continue
        (last if place in given else kept).append(one)
    sys.path[:] = [*kept, *last]

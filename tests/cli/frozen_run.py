"""
Run the command line over the frozen rows of the dinghy, in a process of its own.

``python -m tests.cli.frozen_run ARGUMENT...``; the arguments are those of ``robokit-plan``.
"""

from __future__ import annotations

import sys

from robokit_plan.app import planning
from robokit_plan.cli import main
from tests.cli.conftest import FrozenWorld

if __name__ == "__main__":
    planning.World = FrozenWorld  # type: ignore[misc,assignment]
    main(sys.argv[1:])

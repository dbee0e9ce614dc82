"""Show what disabling plugins changes, ask, then edit the robot file and the lock file.

Comments and layout of the robot file are kept. Nothing is written before the answer.

Examples:

  robokit-plan disable fog-signal

  robokit-plan disable fog-signal sonar --dry-run

  robokit-plan disable sonar --profile bench --yes

  robokit-plan disable --undo
"""

from __future__ import annotations

from robokit_plan.cli._switch import switch_command

disable = switch_command(on=False)

"""Show what enabling plugins changes, ask, then edit the robot file and the lock file.

Comments and layout of the robot file are kept. Nothing is written before the answer.

Examples:

  robokit-plan enable fog-signal

  robokit-plan enable fog-signal sonar --dry-run

  robokit-plan enable sonar --profile bench --yes

  robokit-plan enable spoken-alarm --instead-of fog-signal --dry-run

  robokit-plan enable --undo
"""

from __future__ import annotations

from robokit_plan.cli._switch import switch_command

enable = switch_command(on=True)

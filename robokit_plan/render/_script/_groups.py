"""Step groups: the user of the program and its groups."""

from __future__ import annotations

from robokit_plan.model import Plan

from ._words import row_function

GROUPS = r"""
# ---- groups: what the program may open -----------------------------------------------------------

join_group() {
  if ! getent group "$1" >/dev/null; then
    if [ "$2" = opens ]; then :; else
      attention "the group $1 was not known here: it opens nothing before a udev rule names it"
    fi
    if will "make the group $1"; then
      note_ours made-groups "$1"
      groupadd --system -- "$1"
    fi
  fi
  if [ "$user" = root ]; then return 0; fi
  if id -nG -- "$user" 2>/dev/null | tr ' ' '\n' | grep -Fqx -e "$1"; then return 0; fi
  if will "add $user to the group $1"; then
    note_ours groups "$1 $user"
    usermod --append --groups "$1" -- "$user"
  fi
  attention "$user is new in the group $1: log in anew, or restart what runs as $user"
}

step_groups() {
  if ! getent passwd "$user" >/dev/null; then
    if will "make the user $user"; then
      own_group=--user-group
      if getent group "$user" >/dev/null; then own_group="--gid $user"; fi
      # shellcheck disable=SC2086  # an option with its word
      useradd --system --create-home $own_group --shell /usr/sbin/nologin -- "$user"
    fi
  fi
  group_rows join_group
}
"""


def groups_step(plan: Plan) -> str:
    """Return the step with each group, and whether a udev rule of the plan names it."""
    named = " ".join(plan.udev_rules)
    rows = [
        (one, "opens" if f'GROUP="{one}"' in named else "") for one in sorted(plan.machine.groups)
    ]
    return f"{GROUPS}\n{row_function('group_rows', rows)}"

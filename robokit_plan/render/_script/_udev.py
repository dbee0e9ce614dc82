"""Step udev: names and rights of devices."""

# ruff: noqa: E501  shell text keeps its own lines

from __future__ import annotations

from robokit_plan.model import Plan

from ._words import here_document

UDEV = r"""
# ---- udev: names and rights of devices -----------------------------------------------------------

step_udev() {
  placed=no
  place_text udev_text "/etc/udev/rules.d/60-robokit-$robot.rules" 644
  if [ "$placed" = yes ] && [ "$dry_run" = no ] && systemd_runs && command -v udevadm >/dev/null; then
    udevadm control --reload || :
    udevadm trigger --action=change || :
  fi
}
"""


def udev_step(plan: Plan) -> str:
    """Return the step with the rules of the plan."""
    return f"{UDEV}\n{here_document('udev_text', ''.join(f'{one}{chr(10)}' for one in plan.udev_rules))}"

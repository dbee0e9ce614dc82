"""Step services: what must run and what must not."""

# ruff: noqa: E501  shell text keeps its own lines

from __future__ import annotations

from robokit_plan.model import Plan

from ._words import sh_quote

SERVICES = r"""
# ---- services ------------------------------------------------------------------------------------

unit_state() { systemctl is-enabled -- "$1" 2>/dev/null || :; }

# The hardware watchdog has one owner, and on some images that is systemd: systemd-system.conf(5).
check_watchdog() {
  case $1 in
    watchdog.service | wd_keepalive.service) ;;
    *) return 0 ;;
  esac
  fed=$(cat /usr/lib/systemd/system.conf.d/*.conf /etc/systemd/system.conf /etc/systemd/system.conf.d/*.conf 2>/dev/null | sed -n 's/^RuntimeWatchdogSec=//p' | tail -n 1)
  case $fed in
    '' | 0 | off | infinity) ;;
    *) attention "systemd feeds the hardware watchdog already (RuntimeWatchdogSec=$fed), and $1 cannot do so as well: do without one of the two" ;;
  esac
}

start_unit() {
  check_watchdog "$1"
  state_of_unit=$(unit_state "$1")
  case $state_of_unit in
    enabled | enabled-runtime | static | indirect | generated | alias) ;;
    disabled | masked)
      if will "enable $1"; then
        note_ours services "start $1 $state_of_unit"
        if [ "$state_of_unit" = masked ]; then systemctl unmask -- "$1"; fi
        systemctl enable -- "$1"
      fi
      ;;
    *)
      attention "$1 must run, but this machine has no such service"
      return 0
      ;;
  esac
  if systemd_runs && ! systemctl is-active --quiet -- "$1"; then
    if will "start $1"; then systemctl start -- "$1"; fi
  fi
}

stop_unit() {
  active=no
  if systemd_runs && systemctl is-active --quiet -- "$1"; then active=yes; fi
  if [ "$(unit_state "$1")" != masked ]; then
    if will "keep $1 from starting"; then
      note_ours services "stop $1 $active"
      systemctl mask -- "$1"
    fi
  fi
  if [ "$active" = yes ]; then
    if will "stop $1"; then systemctl stop -- "$1"; fi
  fi
}

step_services() {
  if ! command -v systemctl >/dev/null; then
    attention "services could not be set: this machine has no systemd"
    return 0
  fi
  service_rows
}
"""


def services_step(plan: Plan) -> str:
    """Return the step; what must not run is stopped first, since it may hold a port."""
    calls = [f"  stop_unit {sh_quote(unit_name(one))}" for one in sorted(plan.machine.stop)]
    calls += [f"  start_unit {sh_quote(unit_name(one))}" for one in sorted(plan.machine.start)]
    return f"{SERVICES}\nservice_rows() {{\n" + "\n".join(calls) + "\n}\n"


_UNIT_SUFFIXES = (".service", ".socket", ".timer", ".target", ".path", ".mount", ".device")


def unit_name(name: str) -> str:
    """Return the full name of a unit: a service where nothing else is said."""
    return name if name.endswith(_UNIT_SUFFIXES) else f"{name}.service"

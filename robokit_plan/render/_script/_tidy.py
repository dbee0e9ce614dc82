"""Step tidy: packages that only builds need go again, where somebody asked for it."""

# ruff: noqa: E501  shell text keeps its own lines

from __future__ import annotations

from robokit_plan.model import DebianPin, Plan

TIDY = r"""
# ---- tidy: packages that only builds need --------------------------------------------------------

# What was asked for in this call: drop, keep, or nothing.
build_tools=

# Whether they belong on this machine: until everything is built, here or before, and after that
# unless somebody sent them away.
build_tools_wanted() {
  case $build_tools in
    keep) return 0 ;;
    drop) ;;
    *) [ -f "$state/no-build-tools" ] || return 0 ;;
  esac
  ! venv_ready "$home/venvs/$venv_id"@KEPT@
}

debian_rows() {
  debian_run_rows "$1"
  if build_tools_wanted; then debian_build_rows "$1"; fi
}

step_tidy() {
  if [ "$build_tools" = keep ] && [ "$dry_run" = no ]; then rm -f -- "$state/no-build-tools"; fi
  if [ "$build_tools" = drop ] && [ "$dry_run" = no ]; then
    mkdir -p -- "$state"
    : >"$state/no-build-tools"
  fi
  if build_tools_wanted; then
    say "  $(counted "$(debian_build_rows package_word | grep -c .)" package) that only builds need; --drop-build-tools removes what nothing else needs of them"
  elif [ "$dry_run" = no ]; then
    # a dry run has told in the step debian what goes
    step_debian
  fi
}
"""

OPTIONS = r"""    --drop-build-tools) build_tools=drop ;;
    --keep-build-tools) build_tools=keep ;;
"""

USAGE = (
    "  --drop-build-tools  once all is built, remove what only builds need; they come back by",
    "                      themselves while something new is built, or with --keep-build-tools",
)


def tidy_step(plan: Plan) -> str:
    """Return the step; what is compiled and was kept takes none of these packages."""
    compiles = any(not pin.is_wheel for pin in plan.python)
    return TIDY.replace("@KEPT@", " && something_to_build" if compiles else "")


def build_tools(plan: Plan) -> tuple[DebianPin, ...]:
    """Return the packages of *plan* that nothing but builds needs."""
    known = frozenset(plan.debian_build)
    return tuple(pin for pin in plan.debian if pin.name in known)

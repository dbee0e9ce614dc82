"""Step test: does what the plugins import come up?"""

# ruff: noqa: E501  shell text keeps its own lines

from __future__ import annotations

from robokit_plan.model import Plan

from ._words import here_document

SELF_TEST = r"""
# ---- test: does what the plugins import come up? -------------------------------------------------

import_all='
import importlib, sys
bad = 0
for name in sys.argv[1:]:
    try:
        importlib.import_module(name)
    except ImportError as error:
        bad += 1
        print(f"  {name} cannot be imported: {error}")
    except BaseException as error:
        # a missing library of C is no ImportError where the package looks for it itself
        bad += type(error) is OSError
        print(f"  {name} complained: {type(error).__name__}: {error}")
sys.exit(bad > 0)
'

step_test() {
  if [ ! -x "$home/venv/bin/python" ]; then
    say "  there is nothing to test yet"
    return 0
  fi
  # some libraries make files where they stand
  mkdir -p -- "$work/test"
  chmod 711 -- "$work"
  chmod 777 -- "$work/test"
  set -- env -i "PATH=$PATH" HOME="$work/test" LC_ALL=C.UTF-8 "$home/venv/bin/python" -B -c "$import_all"
  if [ "$user" != root ] && [ "$(id -u)" -eq 0 ] && getent passwd "$user" >/dev/null; then
    set -- runuser -u "$user" -- "$@"
  fi
  # shellcheck disable=SC2046  # names of modules
  if (cd -- "$work/test" && "$@" $(module_rows)); then
    say "  every declared module can be imported"
  elif [ "$dry_run" = yes ]; then
    say "  not every declared module can be imported yet"
  else
    fail 1 "a declared module cannot be imported; the robot is installed, but its program may not start"
  fi
}
"""


def self_test_step(plan: Plan) -> str:
    """Return the step with every module that a manifest declares."""
    rows = "".join(f"{name}\n" for name in sorted(plan.modules))
    return f"{SELF_TEST}\n{here_document('module_rows', rows)}"

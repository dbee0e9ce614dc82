"""Step secrets: a file to fill in, never overwritten."""

from __future__ import annotations

from robokit_plan.model import Plan
from robokit_plan.render._plain import plain

from ._words import here_document, row_function

SECRETS = r"""
# ---- secrets: a file to fill in, never overwritten -----------------------------------------------

check_variable() {
  if [ -e "$home/environment" ] && [ ! -r "$home/environment" ]; then
    attention "only root can see whether $1 has a value in $home/environment"
    return 0
  fi
  if [ -e "$home/environment" ] && grep -q "^$1=." "$home/environment"; then return 0; fi
  attention "$1 has no value yet: write it into $home/environment"
}

step_secrets() {
  if [ ! -e "$home/environment" ]; then
    if will "write $home/environment, to be filled in"; then
      mkdir -p -- "$home"
      (
        umask 077
        secrets_text >"$home/environment.new"
      )
      sync -- "$home/environment.new"
      mv -f -- "$home/environment.new" "$home/environment"
    fi
  elif [ "$(stat -L -c %a -- "$home/environment")" != 600 ]; then
    if will "let only its owner read $home/environment"; then chmod 600 -- "$home/environment"; fi
  fi
  variable_rows check_variable
}
"""


def secrets_step(plan: Plan) -> str:
    """Return the step with the names of the variables and what they are for, never a value."""
    asked: dict[str, list[str]] = {}
    for instance, variable in plan.machine.environment:
        purpose = f": {plain(variable.purpose)}" if variable.purpose else ""
        asked.setdefault(variable.name, []).append(f"# {plain(instance)}{purpose}\n")
    content = "".join(f"{''.join(why)}{name}=\n" for name, why in sorted(asked.items()))
    return "\n".join(
        [
            SECRETS,
            here_document("secrets_text", content),
            row_function("variable_rows", [(name,) for name in sorted(asked)]),
        ]
    )

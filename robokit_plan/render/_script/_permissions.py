"""Step permissions: narrow rights of the program's user."""

from __future__ import annotations

from robokit_plan.model import RIGHTS, Plan

from ._words import here_document, sh_quote


def permissions_step(plan: Plan) -> str:
    """Return the step: one rule for the actions that are known, a sentence for the others."""
    known = sorted({one for name in plan.machine.permissions for one in RIGHTS.get(name, ())})
    unknown = sorted(name for name in plan.machine.permissions if name not in RIGHTS)
    parts = ["\n# ---- permissions: narrow rights ".ljust(101, "-") + "\n"]
    calls: list[str] = []
    if known:
        actions = ", ".join(f'"{one}"' for one in known)
        rule = (
            "polkit.addRule(function (action, subject) {\n"
            f'  if ([{actions}].indexOf(action.id) >= 0 && subject.user == "@USER@") {{\n'
            "    return polkit.Result.YES;\n"
            "  }\n"
            "});\n"
        )
        parts.append(here_document("rights_rule", rule))
        parts.append('rights_text() { rights_rule | sed "s/@USER@/$user/"; }\n')
        calls += [
            '  place_text rights_text "/etc/polkit-1/rules.d/50-robokit-$robot.rules" 644',
            "  if [ ! -d /usr/share/polkit-1 ]; then",
            '    attention "rights of $user have no effect before polkitd is installed"',
            "  fi",
        ]
    calls += [
        f"  attention {sh_quote(f'nothing is known of the right {one}: grant it by hand')}"
        for one in unknown
    ]
    parts.append("step_permissions() {\n" + "\n".join(calls) + "\n}\n")
    return "\n".join(parts)

"""Step wiring: `wiring.json`, which the program reads at start."""

from __future__ import annotations

from collections.abc import Mapping

from robokit_plan.model import Plan
from robokit_plan.render._wiring_json import render_wiring_json

from ._profiles import by_profile
from ._words import here_document


def wiring_step(plans: Mapping[str, Plan]) -> str:
    """Return the step with the whole text of each profile."""
    parts = ["\n# ---- wiring: what is where ".ljust(101, "-") + "\n"]
    if len(plans) == 1:
        parts += [here_document("wiring_text", render_wiring_json(one)) for one in plans.values()]
    else:
        functions = {word: f"wiring_text_{at}" for at, word in enumerate(plans)}
        parts += [
            here_document(functions[word], render_wiring_json(plan)) for word, plan in plans.items()
        ]
        parts.append(by_profile("wiring_text", functions))
    parts.append('step_wiring() { place_text wiring_text "$home/wiring.json" 644; }\n')
    return "\n".join(parts)

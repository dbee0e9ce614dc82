"""
``python -m heron`` starts every behaviour named in wiring.json.

Each behaviour runs in a thread of its own: `open`, then `step` again and again, `hear` for what
others say on its topics, and `close` at the end, which leaves its actuators in their safe state.
"""

from __future__ import annotations

import importlib
import json
import os
import signal
import sys
import threading
from pathlib import Path

HERE = Path(__file__).resolve().parent.parent


class Crew:
    """All behaviours and what they tell each other."""

    def __init__(self, plan):
        self.plan = plan
        self.stopping = threading.Event()
        self.behaviours = {}

    def say(self, topic, value):
        """Tell *value* to everyone; each picks out its own topics."""
        for behaviour in self.behaviours.values():
            behaviour.hear(topic, value)

    def muster(self):
        """Import and make every enabled behaviour."""
        for name, own in self.plan["instances"].items():
            sys.path.insert(0, str(HERE / "plugins" / own["plugin"]))
            module, _, attribute = own["behaviour"].partition(":")
            make = getattr(importlib.import_module(module), attribute)
            self.behaviours[name] = make(name, self.say)

    def run(self, name):
        """Run one behaviour until the raft stops; one that fails is closed, the others go on."""
        behaviour = self.behaviours[name]
        try:
            behaviour.open()
            while not self.stopping.wait(behaviour.period_s):
                behaviour.step()
        except Exception as problem:  # noqa: BLE001  one broken sensor must not sink the raft
            print(f"{name}: {problem!r}", file=sys.stderr)
        finally:
            behaviour.close()


def main():
    """Read the plan and run it."""
    path = Path(os.environ.get("ROBOT_WIRING", "wiring.json"))
    crew = Crew(json.loads(path.read_text(encoding="utf-8")))
    crew.muster()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: crew.stopping.set())
    threads = [
        threading.Thread(target=crew.run, args=(name,), name=name) for name in crew.behaviours
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


if __name__ == "__main__":
    main()

"""Whether the time daemon is fit to serve others."""

from __future__ import annotations

import subprocess

from ._wiring import own


class Beacon:
    """Asks the daemon once a minute."""

    period_s = 60.0

    def __init__(self, name, say):
        self.settings = own(name)["settings"]
        self.say = say

    def open(self):
        pass

    def hear(self, topic, value):
        pass

    def step(self):
        peers = subprocess.run(
            ["/usr/bin/ntpq", "-pn"], capture_output=True, text=True, check=False
        )
        if not any(line.startswith("*") for line in peers.stdout.splitlines()):
            print("time-beacon: no source chosen yet")

    def close(self):
        pass

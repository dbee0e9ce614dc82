"""Words instead of a horn."""

from __future__ import annotations

import subprocess

from ._wiring import own

WORDS = {"hull/leak": "Water in the hull", "pack/low": "Battery low"}


class Voice:
    """Speaks while a leak or a low pack is reported."""

    period_s = 8.0

    def __init__(self, name, say):
        self.settings = own(name)["settings"]
        self.say = say
        self.trouble = {}

    def open(self):
        pass

    def hear(self, topic, value):
        if topic in WORDS:
            self.trouble[topic] = bool(value)

    def step(self):
        for topic in sorted(topic for topic, bad in self.trouble.items() if bad):
            voice = ["-v", self.settings["language"], "-s", str(self.settings["words-per-minute"])]
            speak = ["/usr/bin/espeak-ng", *voice, WORDS[topic]]
            subprocess.run(speak, check=False)  # noqa: S603  words and settings are our own

    def close(self):
        pass

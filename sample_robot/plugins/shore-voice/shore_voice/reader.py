"""Messages from the shore, read aloud."""

from __future__ import annotations

import subprocess
import tempfile

from gtts import gTTS

from ._wiring import own


class Reader:
    """Reads one message at a time."""

    period_s = 1.0

    def __init__(self, name, say):
        self.speaker = own(name)["claims"]["speaker"]
        self.say = say
        self.messages = []

    def open(self):
        pass

    def hear(self, topic, value):
        if topic == "shore/message":
            self.messages.append(value)

    def step(self):
        if self.messages:
            with tempfile.NamedTemporaryFile(suffix=".mp3") as sound:
                gTTS(self.messages.pop(0)).write_to_fp(sound)
                sound.flush()
                player = ["/usr/bin/mpg123", "-q", sound.name]
                subprocess.run(player, check=False)  # noqa: S603  a file that we just made

    def close(self):
        pass

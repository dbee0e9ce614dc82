"""The log of the survey, one line of JSON per value."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

from ._wiring import own


class Keeper:
    """Writes what it hears; a full or missing stick never stops the raft."""

    def __init__(self, name, say):
        self.period_s = own(name)["settings"]["flush-s"]
        self.say = say
        self.waiting = []
        self.folder = None

    def open(self):
        self.folder = Path(os.environ.get("SURVEY_FOLDER", "survey"))
        self.folder.mkdir(parents=True, exist_ok=True)

    def hear(self, topic, value):
        self.waiting.append(
            json.dumps({"at": round(time.time(), 3), "topic": topic, "value": value})
        )

    def step(self):
        lines, self.waiting = self.waiting, []
        day = time.strftime("%Y-%m-%d", time.gmtime())
        try:
            with (self.folder / f"{day}.jsonl").open("a", encoding="utf-8") as log:
                log.writelines(f"{line}\n" for line in lines)
        except OSError as problem:
            print(f"survey-log: {problem}")

    def close(self):
        self.step()

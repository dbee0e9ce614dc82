"""Brightness of the day and large dark shapes ahead."""

from __future__ import annotations

import numpy as np
from linuxpy.video.device import Device

from ._wiring import own


def brightness(frame):
    """Return the mean of an 8-bit grey *frame* between 0 and 1."""
    return float(np.asarray(frame, dtype=np.float64).mean() / 255)


def obstacle(frame):
    """Return whether the middle of *frame* is much darker than its upper edge, the sky."""
    grey = np.asarray(frame, dtype=np.float64)
    height, width = grey.shape
    middle = grey[height // 3 : 2 * height // 3, width // 4 : 3 * width // 4]
    return bool(middle.mean() < 0.5 * grey[: height // 6].mean())


class Watch:
    """Takes a frame now and then."""

    def __init__(self, name, say):
        own_plan = own(name)
        self.settings = own_plan["settings"]
        self.claim = own_plan["claims"]["bow"]
        self.period_s = 60 / self.settings["frames-per-minute"]
        self.say = say
        self.camera = None
        self.frames = None

    def open(self):
        self.camera = Device(self.claim["device"])
        self.camera.open()
        self.frames = iter(self.camera)

    def hear(self, topic, value):
        pass

    def step(self):
        frame = next(self.frames)
        raw = np.frombuffer(bytes(frame), dtype=np.uint8)
        grey = raw[: frame.width * frame.height].reshape(frame.height, frame.width)
        self.say("lookout/daylight", brightness(grey) > self.settings["dusk"])
        self.say("lookout/obstacle", obstacle(grey))

    def close(self):
        if self.camera is not None:
            self.camera.close()

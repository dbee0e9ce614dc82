"""Sentences of NMEA 0183 into fixes."""

from __future__ import annotations

import pynmea2
import serial

from ._wiring import own

BAUD = 9600


class Fix:
    """Publishes a fix when enough satellites stand behind it."""

    period_s = 0.0

    def __init__(self, name, say):
        own_plan = own(name)
        self.settings = own_plan["settings"]
        self.claim = own_plan["claims"]["gnss"]
        self.say = say
        self.port = None

    def open(self):
        self.port = serial.Serial(self.claim["device"], BAUD, timeout=1)

    def hear(self, topic, value):
        pass

    def step(self):
        line = self.port.readline().decode("ascii", errors="replace").strip()
        try:
            sentence = pynmea2.parse(line)
        except pynmea2.ParseError:
            return
        if sentence.sentence_type != "GGA" or not sentence.gps_qual:
            return
        if int(sentence.num_sats) >= self.settings["minimum-satellites"]:
            self.say("position/fix", {"lat": sentence.latitude, "lon": sentence.longitude})

    def close(self):
        if self.port is not None:
            self.port.close()

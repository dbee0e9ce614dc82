"""Steering along way-points."""

from __future__ import annotations

import numpy as np
import serial

from ._wiring import own

EARTH_M = 6_371_000.0


def bearing_and_distance(here, there):
    """Return bearing in degrees and distance in metres between two (lat, lon) pairs in degrees."""
    lat1, lon1, lat2, lon2 = np.radians([*here, *there])
    east = np.sin(lon2 - lon1) * np.cos(lat2)
    north = np.cos(lat1) * np.sin(lat2) - np.sin(lat1) * np.cos(lat2) * np.cos(lon2 - lon1)
    chord = np.sin((lat2 - lat1) / 2) ** 2
    chord += np.cos(lat1) * np.cos(lat2) * np.sin((lon2 - lon1) / 2) ** 2
    return float(np.degrees(np.arctan2(east, north)) % 360), float(
        2 * EARTH_M * np.arcsin(np.sqrt(chord))
    )


class Pilot:
    """Turns position and heading into thrust and rudder."""

    period_s = 0.2

    def __init__(self, name, say):
        own_plan = own(name)
        self.settings = own_plan["settings"]
        self.rudder = own_plan["claims"]["rudder-pulse"]
        self.say = say
        self.way_points = []
        self.here = None
        self.heading = None
        self.going_home = False
        self.link = None

    def open(self):
        self.link = serial.Serial(self.rudder["device"], timeout=0.1)
        self._fin(0)

    def hear(self, topic, value):
        if topic == "position/fix":
            self.here = (value["lat"], value["lon"])
        elif topic == "compass/heading":
            self.heading = value
        elif topic in {"hull/leak", "pack/low"} and value:
            self.going_home = True

    def step(self):
        if self.here is None or self.heading is None or not self.way_points:
            self._thrust(0, 0)
            return
        target = self.way_points[0] if not self.going_home else self.way_points[-1]
        bearing, distance = bearing_and_distance(self.here, target)
        if distance < self.settings["arrive-m"] and not self.going_home:
            self.way_points.pop(0)
            return
        off = (bearing - self.heading + 180) % 360 - 180
        turn = 0 if abs(off) < self.settings["deadband-deg"] else float(np.clip(off / 60, -1, 1))
        cruise = self.settings["cruise-percent"]
        self._thrust(cruise * (1 + turn / 2), cruise * (1 - turn / 2))
        self._fin(turn)
        self.say("helm/course", {"bearing": bearing, "distance": distance})

    def close(self):
        self._thrust(0, 0)
        if self.link is not None:
            self._fin(0)
            self.link.close()

    def _thrust(self, port, starboard):
        self.say("port-thruster", port)
        self.say("starboard-thruster", starboard)

    def _fin(self, turn):
        self.link.write(f"servo {self.rudder['line']} {turn:+.2f}\n".encode())

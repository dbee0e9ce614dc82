"""Signed messages, by a modem on a serial port or a radio chip on SPI."""

from __future__ import annotations

import hashlib
import hmac
import os

import cbor2

from ._wiring import own

TAG_BYTES = 8
BAUD = 57_600
CLOCK_HZ = 8_000_000
# Registers: the radio chip's data sheet.
FIFO, FIFO_TX_BASE, FIFO_POINTER, PAYLOAD_LENGTH, MODE = 0x00, 0x0E, 0x0D, 0x22, 0x01
WRITE, TRANSMIT, SLEEP = 0x80, 0x83, 0x80


def message(values, token):
    """Return *values* as CBOR with a short signature behind it."""
    body = cbor2.dumps(values)
    return body + hmac.digest(token, body, hashlib.sha256)[:TAG_BYTES]


class _Modem:
    def __init__(self, claim):
        import serial

        self.port = serial.Serial(claim["device"], BAUD, timeout=1)

    def send(self, data):
        self.port.write(len(data).to_bytes(1, "big") + data)

    def silence(self):
        self.port.close()


class _Chip:
    def __init__(self, claim):
        import spidev

        self.port = spidev.SpiDev()
        self.port.open(int(claim["bus"].removeprefix("spi")), claim["select"])
        self.port.max_speed_hz = CLOCK_HZ

    def send(self, data):
        base = self.port.xfer2([FIFO_TX_BASE, 0])[1]
        self.port.xfer2([FIFO_POINTER | WRITE, base])
        self.port.xfer2([FIFO | WRITE, *data])
        self.port.xfer2([PAYLOAD_LENGTH | WRITE, len(data)])
        self.port.xfer2([MODE | WRITE, TRANSMIT])

    def silence(self):
        self.port.xfer2([MODE | WRITE, SLEEP])
        self.port.close()


class Link:
    """Sends the last values now and then."""

    def __init__(self, name, say):
        own_plan = own(name)
        self.variant = own_plan["variant"]
        self.claims = own_plan["claims"]
        self.period_s = own_plan["settings"]["every-s"]
        self.say = say
        self.latest = {}
        self.radio = None

    def open(self):
        chip = self.variant == "chip"
        self.radio = _Chip(self.claims["radio"]) if chip else _Modem(self.claims["modem"])

    def hear(self, topic, value):
        self.latest[topic] = value

    def step(self):
        token = os.environ["SHORE_TOKEN"].encode()
        self.radio.send(message(self.latest, token))

    def close(self):
        if self.radio is not None:
            self.radio.silence()

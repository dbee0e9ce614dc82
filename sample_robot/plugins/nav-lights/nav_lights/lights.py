"""Red to port, green to starboard, white astern."""

from __future__ import annotations

from ._wiring import own

RED, GREEN, WHITE, DARK = (255, 0, 0), (0, 255, 0), (255, 255, 255), (0, 0, 0)
BIT_RATE_HZ = 2_400_000
LED_RATE_HZ = 800_000
DMA_CHANNEL = 10


def colours(count):
    """Return one colour per LED: a quarter red, a quarter green, the rest white."""
    side = max(1, count // 4)
    return ([RED] * side + [GREEN] * side + [WHITE] * count)[:count]


def stretched(grb):
    """Return *grb* with each bit as three: 110 is a one, 100 a zero."""
    bits = "".join(f"{byte:08b}" for byte in grb).replace("1", "x").replace("0", "100")
    bits = bits.replace("x", "110")
    return int(bits, 2).to_bytes(len(bits) // 8, "big")


class _SpiString:
    def __init__(self, claim):
        import spidev

        self.port = spidev.SpiDev()
        self.port.open(int(claim["bus"].removeprefix("spi")), claim.get("select", 0))
        self.port.max_speed_hz = BIT_RATE_HZ

    def show(self, leds, brightness):
        grb = [part * brightness // 255 for red, green, blue in leds for part in (green, red, blue)]
        self.port.writebytes2(stretched(grb) + bytes(64))


class _PwmString:
    def __init__(self, claim, count):
        import rpi_ws281x

        line = int(claim["line"].removeprefix("gpio"))
        self.strip = rpi_ws281x.PixelStrip(count, line, LED_RATE_HZ, DMA_CHANNEL)
        self.strip.begin()

    def show(self, leds, brightness):
        self.strip.setBrightness(brightness)
        for index, (red, green, blue) in enumerate(leds):
            self.strip.setPixelColorRGB(index, red, green, blue)
        self.strip.show()


class Lights:
    """Lit from dusk till dawn."""

    period_s = 5.0

    def __init__(self, name, say):
        own_plan = own(name)
        self.settings = own_plan["settings"]
        self.variant = own_plan["variant"]
        self.claim = own_plan["claims"]["data"]
        self.say = say
        self.day = True
        self.string = None

    def open(self):
        count = self.settings["leds"]
        spi = self.variant == "spi"
        self.string = _SpiString(self.claim) if spi else _PwmString(self.claim, count)

    def hear(self, topic, value):
        if topic == "lookout/daylight":
            self.day = value

    def step(self):
        count = self.settings["leds"]
        leds = [DARK] * count if self.day else colours(count)
        self.string.show(leds, self.settings["brightness"])

    def close(self):
        if self.string is not None:
            self.string.show([DARK] * self.settings["leds"], 0)

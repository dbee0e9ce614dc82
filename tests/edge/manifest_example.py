"""A manifest that uses every key of the grammar once (design section 3)."""

from __future__ import annotations

FILE = "plugins/nav-lights/manifest.yaml"
SHA256 = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"
"""Of the four bytes "test" (FIPS 180-4 examples are longer; this one is widely published)."""

GOOD = f"""\
format: 1
plugin: nav-lights
version: "0.3.1"
summary: Side and stern lights of the raft as one string of addressable LEDs
license: MIT
behaviour: nav_lights.lights:Lights
boards: ["raspberrypi,4-model-b"]
settings: {{leds: {{type: integer, default: 12, min: 1, max: 60, summary: how many}}, hue: {{type: string, default: red, choices: [red, green]}}}}
provides: [lights]
needs: [daylight]
plugins: ["helm>=0.4,<1"]
excludes: [deck-lamp]
python:
  requires-python: ">=3.11"
  requires: ["numpy>=1.24,<3"]
  modules: [numpy]
debian:
  packages: ["libportaudio2", "python3-libcamera (>= 0.3)", "mosquitto | nanomq"]
machine:
  groups: [gpio]
  services: {{start: [mosquitto], stop: [brltty]}}
  kernel: {{load: [i2c-dev], block: [snd_bcm2835]}}
  permissions: [power-off]
  environment: [{{name: SHORE_TOKEN, secret: true, purpose: token of the shore radio account}}]
  assets: [{{url: "https://models.example/voice.onnx", sha256: "{SHA256}", bytes: 48123, path: models/voice.onnx, license: CC-BY-4.0}}]
  load: {{memory-mb: 60, cpu-percent: 5}}
variants:
  spi: {{hardware: {{signals: {{data: {{function: led-string, gpio: 10, leds: 12, ma-per-led: 60, supply: 5V}}}}}}, python: {{requires: ["spidev>=3.6,<4"]}}}}
  pwm: {{hardware: {{signals: {{data: {{function: led-string, gpio: [12, 18], leds: 12, ma-per-led: 60, supply: 5V}}}}}}, python: {{requires: ["rpi-ws281x>=5,<6"]}}}}
hardware:
  signals:
    leak: {{function: input, gpio: any, pull: up, active: low, port: 5V, volts: 5, divider-ohm: [10000, 18000]}}
    lid: {{function: servo, gpio: any, backend: kernel, wire: {{mm2: 0.5, length-mm: 300}}}}
    enable: {{function: output, gpio: GPIO4_B3, active: high, drives: motor-driver, hazard: motion, current-ma: 2}}
    rudder: {{controller: hull-mcu, function: pwm, pin: any, hz: 50}}
    hat: {{function: clock, header: [12, P9_22], share: clocks, optional: true, part: si5351}}
  i2c:
    imu: {{part: bno055, address: [0x28, 0x29], max-khz: 400, pull-up-ohm: 10000, volts: 3.3, bus: any}}
    mux: {{part: tca9548a, address: 0x70}}
    tof: {{address: 0x52, behind: {{mux: mux, channel: 3}}, bus: [i2c1, i2c3], driver: vl53l0x}}
  spi: {{radio: {{part: sx1276, bus: any, select: any, max-khz: 8000, volts: 3.3}}}}
  uart: {{gnss: {{baud: 9600, parity: none, port: any}}}}
  i2s: {{hydrophone: {{direction: in, clock: board}}}}
  one-wire: {{probe: {{part: ds18b20, gpio: any}}}}
  camera: {{lookout: {{connector: any}}}}
  usb: {{receiver: {{id: "0BDA:2838", serial: "00000001", ma: 300}}}}
  audio: {{horn: {{direction: out, via: [analog, usb]}}}}
  ports: {{pump: {{kind: 5V}}}}
  power: {{pump: {{supply: drive, typical-ma: 400, peak-ma: 6000, stall-ma: 9000, count: 2}}}}
  actuators: {{port-thruster: {{hazard: motion, safe-state: stopped, guard: heat-guard}}}}
topics: {{publishes: [hull/leak], subscribes: [position], commands: [port-thruster]}}
x-mine: anything at all
"""

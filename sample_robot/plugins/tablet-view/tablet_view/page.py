"""A page that shows the last value of every topic, and the same over MQTT."""

from __future__ import annotations

import asyncio
import json
import threading

from aiohttp import web
from paho.mqtt import client as mqtt

from ._wiring import own

PAGE = """<!doctype html><meta charset="utf-8"><title>heron</title>
<pre id="values"></pre>
<script>
setInterval(async () => {
  const answer = await fetch("values");
  document.getElementById("values").textContent = JSON.stringify(await answer.json(), null, 2);
}, 1000);
</script>"""


class Page:
    """Serves the page from a thread of its own."""

    period_s = 1.0

    def __init__(self, name, say):
        self.port = own(name)["settings"]["port"]
        self.say = say
        self.latest = {}
        self.broker = None

    def open(self):
        self.broker = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self.broker.connect_async("localhost")
        self.broker.loop_start()
        threading.Thread(target=self._serve, daemon=True).start()

    def hear(self, topic, value):
        self.latest[topic] = value

    def step(self):
        for topic, value in sorted(self.latest.items()):
            self.broker.publish(f"heron/{topic}", json.dumps(value), retain=True)

    def close(self):
        if self.broker is not None:
            self.broker.loop_stop()

    def _serve(self):
        app = web.Application()
        app.router.add_get("/", self._page)
        app.router.add_get("/values", self._values)
        loop = asyncio.new_event_loop()
        web.run_app(app, port=self.port, loop=loop, handle_signals=False, print=None)

    async def _page(self, _request):
        return web.Response(text=PAGE, content_type="text/html")

    async def _values(self, _request):
        return web.json_response(self.latest)

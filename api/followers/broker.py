"""The MQTT follower: the farm's state as retained messages with a last will. Nothing is ever subscribed to."""

import asyncio
import json
import ssl
from collections.abc import Mapping
from typing import Any, Final

import aiomqtt

from api.farm import Farm
from api.followers.letter import Letter
from api.followers.sending import SendError
from daemon.destinations import Mqtt

_STATE_S: Final = 10.0
_TIMEOUT_S: Final = 10.0


class Broker:
    """One broker, kept up to date while `run` goes on."""

    def __init__(self, farm: Farm, to: Mqtt, secret: Mapping[str, str], retry_s: float) -> None:
        self._farm, self._to, self._secret, self._retry_s = farm, to, secret, retry_s
        self._client: aiomqtt.Client | None = None

    async def run(self) -> None:
        """Stay connected and publish the state, until cancelled."""
        while True:
            try:
                async with connected(self._to, self._secret, will=True) as client:
                    await client.publish(self._topic("status"), "online", qos=1, retain=True)
                    self._client = client
                    try:
                        await self._keep(client)
                    finally:
                        self._client = None
                        await client.publish(self._topic("status"), "offline", qos=1, retain=True)
            except aiomqtt.MqttError:
                await asyncio.sleep(self._retry_s)

    async def send(self, letter: Letter) -> None:
        """Publish a letter; the summary of a night stays there. Raises SendError."""
        client = self._client
        if client is None:
            raise SendError(f"{self._to.host}:{self._to.port}: no connection to the broker")
        await _publish(client, self._to, letter)

    async def _keep(self, client: aiomqtt.Client) -> None:
        while True:
            await client.publish(self._topic("state"), json.dumps(state_of(self._farm)), retain=True)
            await asyncio.sleep(_STATE_S)

    def _topic(self, name: str) -> str:
        return f"{self._to.topic}/{name}"


def connected(to: Mqtt, secret: Mapping[str, str], *, will: bool) -> aiomqtt.Client:
    """Return a connection to a broker, to be entered; with a last will that the farm is offline."""
    return aiomqtt.Client(
        to.host,
        to.port,
        username=secret.get("user"),
        password=secret.get("password"),
        tls_context=ssl.create_default_context() if to.tls else None,
        will=aiomqtt.Will(f"{to.topic}/status", "offline", qos=1, retain=True) if will else None,
        timeout=_TIMEOUT_S,
    )


async def publish_once(to: Mqtt, secret: Mapping[str, str], letter: Letter) -> None:
    """Publish a letter over a connection of its own. Raises SendError."""
    try:
        async with connected(to, secret, will=False) as client:
            await _publish(client, to, letter)
    except aiomqtt.MqttError as error:
        raise SendError(f"{to.host}:{to.port} did not take it: {error}") from None


async def _publish(client: aiomqtt.Client, to: Mqtt, letter: Letter) -> None:
    content = json.dumps({"title": letter.title, "text": letter.text, "wakes": letter.wakes}, ensure_ascii=False)
    try:
        async with asyncio.timeout(_TIMEOUT_S):
            await client.publish(f"{to.topic}/alert", content, qos=1)
            if any(one.event == "morning" for one in letter.of):
                await client.publish(f"{to.topic}/morning", letter.text, qos=1, retain=True)
    except (aiomqtt.MqttError, TimeoutError) as error:
        raise SendError(f"{to.host}:{to.port} did not take it: {error}") from None


def state_of(farm: Farm) -> dict[str, Any]:
    """Return what is published of the plant: nothing but whether it is heard while it is not."""
    heard = farm.link.heard
    if heard is None or farm.link.is_silent():
        return {"controller": "silent"}
    snapshot = heard.snapshot
    return {
        "controller": "heard",
        "at_ms": snapshot.at_ms,
        "simulated": snapshot.simulated,
        "mode": snapshot.mode,
        "procedure": snapshot.procedure,
        "phase": snapshot.phase,
        "shift": snapshot.shift,
        "readings": {
            name: reading["value"] for name, reading in snapshot.readings.items() if reading["quality"] == "GOOD"
        },
        "alarms": [alarm["code"] for alarm in snapshot.alarms],
    }

"""All kinds of destinations against servers that run: MQTT by Debian's broker, mail by SMTP, HTTP and ntfy's form."""

import asyncio
import json
import signal
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from api.followers import following
from api.followers.broker import publish_once
from api.followers.following import Following
from api.followers.letter import MOST_AN_HOUR, Letter
from api.followers.outbox import Outbox
from api.followers.sending import SendError
from daemon.cli.night import free_ports
from daemon.clock import UtcStamp
from daemon.control.cause import Priority
from daemon.control.interlocks import MATRIX
from daemon.destinations import Alerts, Mqtt
from daemon.evidence import AlarmRaised, Event, NightPlanned
from daemon.folder import ALERTS
from tests.api.farms import Given, Recorded, recorded, served
from tests.api.followers.servers import MOSQUITTO, http_sink, mail_sink, mosquitto

_ALL = ["morning", "alarm", "shortfall", "missed", "tank"]
_HOUR_S = 3600.0
_NAMES = ("hook", "phone", "shed", "office")
_TOLD = ("The fertiliser is over", "On the night of", "mix 40", "A start was missed", "Last night")
"""One part each of what the night has to tell: the trip, the short dose, the tank, the start and the summary."""
_PLAN = {
    "night": "2026-10-14", "starts": [], "checks": [],
    "tanks": [{"tank": "a", "stock": "calcium", "held_l": 50.0, "usable_l": 20.0, "needed_l": 60.0,
               "by": "2026-10-14T11:30:00+00:00"}],
}  # fmt: skip

pytestmark = [
    pytest.mark.plant,
    pytest.mark.skipif(MOSQUITTO is None, reason="needs Debian's mosquitto"),
]


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """Return a night whose injector lost its prime."""
    return recorded(tmp_path_factory.mktemp("short"), faults=[("airlock", 300.0)])


@pytest.fixture
async def farm(short: Recorded, tmp_path: Path) -> AsyncIterator[Given]:
    """Serve that night's record."""
    async with served(short, tmp_path / "served") as given:
        yield given


def _alerts(ports: list[int], **more: Any) -> Alerts:
    http, mail, broker = ports
    shared = {"events": _ALL, **more}
    url = f"http://127.0.0.1:{http}/in"
    return Alerts.model_validate(
        {
            "to": {
                "hook": {"kind": "webhook", "url": url, "allow_private": True, **shared},
                "phone": {"kind": "ntfy", "url": url, "topic": "kestrel", "allow_private": True, **shared},
                "shed": {"kind": "mqtt", "host": "127.0.0.1", "port": broker, **shared},
                "office": {"kind": "email", "host": "127.0.0.1", "port": mail, "security": "none",
                           "sender": "shed@kestrel.example", "to": ["mina@kestrel.example"], **shared},
            }
        }
    )  # fmt: skip


def _follow(given: Given, alerts: Alerts, said: list[str]) -> Following:
    """Return a follower that is told of the record from its beginning."""
    object.__setattr__(given.farm.plant.site, "alerts", alerts)
    follows = Following(given.farm, {}, said.append, retry_s=0.05)
    outbox = Outbox(given.farm.folder / ALERTS)
    for name in alerts.to:
        if outbox.cursor(name) is None:
            outbox.keep(name, (), 0)
    return follows


@asynccontextmanager
async def _running(follows: Following) -> AsyncIterator[None]:
    task = asyncio.create_task(follows.run(0.02))
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def _until(holds: Callable[[], bool]) -> None:
    async with asyncio.timeout(15.0):
        while not holds():
            await asyncio.sleep(0.02)


@asynccontextmanager
async def _listening(port: int, topic: str = "#") -> AsyncIterator[list[aiomqtt.Message]]:
    """Collect what a broker has and gets."""
    found: list[aiomqtt.Message] = []

    async def collect(client: aiomqtt.Client) -> None:
        async for message in client.messages:
            found.append(message)

    async with aiomqtt.Client("127.0.0.1", port, identifier="listener") as client:
        await client.subscribe(topic)
        task = asyncio.create_task(collect(client))
        try:
            yield found
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


def _texts(messages: list[aiomqtt.Message]) -> list[str]:
    return [json.loads(_text(one))["text"] for one in messages if one.topic.matches("shiftwright/alert")]


def _text(message: aiomqtt.Message) -> str:
    assert isinstance(message.payload, bytes)
    return message.payload.decode()


async def test_three_days_without_a_link_and_then_each_once(farm: Given, tmp_path: Path) -> None:
    """Every kind of news by every kind of destination: kept while nothing is reached, told once when it is."""
    ports, said = free_ports(3), list[str]()
    follows = _follow(farm, _alerts(ports), said)
    farm.record_rows(NightPlanned("2026-10-14", "a run ended", json.dumps(_PLAN)))
    farm.record_rows(Event("tank-short", json.dumps({"tank": "a", "night": "2026-10-14", "text": ""})))
    farm.record_rows(AlarmRaised("start-missed", "NONE", False))
    for _ in range(72):
        await follows.look()
        farm.clock.at_s += _HOUR_S
    assert len(said) == len(_NAMES) and all("kept and tried again" in text for text in said)

    with http_sink(ports[0]) as sink:
        async with mail_sink(ports[1]) as mail, mosquitto(tmp_path, ports[2]), _listening(ports[2]) as heard:
            async with _running(follows):
                await _until(lambda: len(_texts(heard)) == len(mail.mails) == len(_TOLD))
            farm.clock.at_s += 2 * _HOUR_S
            async with _running(_follow(farm, _alerts(ports), said)):
                await _until(lambda: any(_text(one) == "online" for one in heard if one.topic.matches("+/status")))
                await asyncio.sleep(0.3)
            posted = [one["text"] for one in sink.taken if "text" in one]
            pushed = [one["message"] for one in sink.taken if "topic" in one]
            for texts in (posted, pushed, [text for _, _, text in mail.mails], _texts(heard)):
                whole = "\n".join(" ".join(text.split()) for text in texts)
                assert [whole.count(part) for part in _TOLD] == [1] * 5, whole
    assert {one["topic"] for one in sink.taken if "topic" in one} == {"kestrel"}
    assert all(to == ("mina@kestrel.example",) and "Kestrel Bend" in subject for to, subject, _ in mail.mails)
    outbox = Outbox(farm.farm.folder / ALERTS)
    assert not any(outbox.waiting(name) for name in _NAMES)


async def test_a_flood_of_a_thousand_events(farm: Given, tmp_path: Path) -> None:
    """Makes five messages at most at each destination, in the hour in which it comes, and nothing is left waiting."""
    ports = free_ports(3)
    urgent = [row.code for row in MATRIX if row.priority >= Priority.HIGH]
    follows = _follow(farm, _alerts(ports), [])
    at = farm.clock.stamp().utc
    for number in range(1000):
        stamp = UtcStamp(at + timedelta(minutes=30 * (number // len(urgent))), True)
        row = AlarmRaised(urgent[number % len(urgent)], "WATER_ONLY", True)
        ticket = farm.ledger.submit([row], stamp)
    assert farm.ledger.wait_durable(ticket, 20.0)
    with http_sink(ports[0]) as sink:
        async with mail_sink(ports[1]) as mail, mosquitto(tmp_path, ports[2]), _listening(ports[2]) as heard:
            async with _running(follows):
                await _until(lambda: len(sink.taken) == 2 * MOST_AN_HOUR and len(_texts(heard)) == MOST_AN_HOUR)
                for _ in range(11):
                    farm.clock.at_s += 300.0
                    await asyncio.sleep(0.05)
            assert len(_texts(heard)) == len(mail.mails) == MOST_AN_HOUR and len(sink.taken) == 2 * MOST_AN_HOUR
    assert not any(Outbox(farm.farm.folder / ALERTS).waiting(name) for name in _NAMES)


async def test_the_broker_holds_the_state_and_is_never_listened_to(farm: Given, tmp_path: Path) -> None:
    """What is retained is there for whoever comes later; no topic is subscribed to; in the end it says offline."""
    (port,) = free_ports(1)
    to = {"kind": "mqtt", "host": "127.0.0.1", "port": port, "events": ["morning"]}
    async with mosquitto(tmp_path, port) as log:
        async with _running(_follow(farm, Alerts.model_validate({"to": {"shed": to}}), [])):
            async with _listening(port) as first:
                await _until(lambda: {str(one.topic).rpartition("/")[2] for one in first} >= {"state", "morning"})
            async with _listening(port) as later:
                await _until(lambda: len(later) >= 3)
                kept = {str(one.topic): _text(one) for one in later if one.retain}
            assert kept["shiftwright/status"] == "online" and "came up short" in kept["shiftwright/morning"]
            state = json.loads(kept["shiftwright/state"])
            assert state["controller"] == "heard" and state["simulated"] and "flow_m3_h" in state["readings"]
            assert "shiftwright/alert" not in kept
        async with _listening(port) as after:
            await _until(lambda: any(_text(one) == "offline" for one in after))
        asked = [line for line in log.read_text("utf-8").splitlines() if "SUBSCRIBE" in line]
        assert asked and all("listener" in line for line in asked)


_DIES = """
import asyncio, sys
from api.followers.broker import connected
from daemon.destinations import Mqtt

async def main():
    to = Mqtt(kind="mqtt", host="127.0.0.1", port=int(sys.argv[1]), events=("morning",))
    async with connected(to, {}, will=True) as client:
        await client.publish("shiftwright/status", "online", qos=1, retain=True)
        print("there", flush=True)
        await asyncio.sleep(60)

asyncio.run(main())
"""


async def test_a_box_that_dies_leaves_its_last_will(tmp_path: Path) -> None:
    """Killed without a word, it is told to be offline by the broker itself."""
    (port,) = free_ports(1)
    async with mosquitto(tmp_path, port), _listening(port) as heard:
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-c", _DIES, str(port), stdout=asyncio.subprocess.PIPE
        )
        try:
            assert process.stdout is not None
            async with asyncio.timeout(20.0):
                assert await process.stdout.readline() == b"there\n"
            await _until(lambda: [_text(one) for one in heard] == ["online"])
            process.send_signal(signal.SIGKILL)
            await _until(lambda: [_text(one) for one in heard] == ["online", "offline"])
        finally:
            if process.returncode is None:
                process.kill()
            await process.wait()


async def test_a_broker_that_asks_for_a_password(tmp_path: Path) -> None:
    """The credential opens it; without one it is said that it was not taken."""
    (port,) = free_ports(1)
    to = Mqtt(kind="mqtt", host="127.0.0.1", port=port, events=("morning",))
    letter = Letter("Kestrel Bend", "It went as planned.", False, ())
    async with mosquitto(tmp_path, port, "farm", "blue-gate"):
        await publish_once(to, {"user": "farm", "password": "blue-gate"}, letter)
        with pytest.raises(SendError, match=f"127.0.0.1:{port} did not take it"):
            await publish_once(to, {}, letter)


async def test_quiet_hours_hold_back_what_may_wait(farm: Given, tmp_path: Path) -> None:
    """At eight in quiet hours: what may wake people goes out, the summary and the rest wait for nine."""
    with http_sink() as sink:
        hook = {"kind": "webhook", "url": f"{sink.address}/in", "allow_private": True, "events": _ALL,
                "quiet": {"begin": "21:00:00", "end": "09:00:00"}}  # fmt: skip
        follows = _follow(farm, Alerts.model_validate({"to": {"hook": hook}}), [])
        farm.record_rows(AlarmRaised("siphon", "ONE", True))
        await follows.look()
        assert [one["wakes"] for one in sink.taken] == [True] and "Stock flowed" in sink.taken[0]["text"]
        farm.clock.at_s += 1.1 * _HOUR_S
        await follows.look()
        assert len(sink.taken) > 1 and not any(one["wakes"] for one in sink.taken[1:])
        assert any("Last night" in one["text"] for one in sink.taken)


async def test_a_token_goes_as_a_bearer(farm: Given) -> None:
    """The credential of a destination, and of no other."""
    with http_sink() as sink:
        web = {"kind": "webhook", "url": f"{sink.address}/in", "allow_private": True, "events": ["morning"]}
        alerts = Alerts.model_validate({"to": {"one": web, "two": web}})
        object.__setattr__(farm.farm.plant.site, "alerts", alerts)
        follows = Following(farm.farm, {"one": {"token": "blue-gate"}}, lambda text: None)
        await follows.look()
        await follows.look()
        assert [one.get("Authorization") for one in sink.headers] == ["Bearer blue-gate", None]


async def test_the_heartbeat_stops_with_the_controller(short: Recorded, tmp_path: Path) -> None:
    """Whoever keeps it outside notices a dead box, and a daemon that is silent while this program lives."""
    with http_sink() as sink:
        beat = Alerts.model_validate({"heartbeat": {"url": f"{sink.address}/beat", "allow_private": True}})
        async with served(short, tmp_path / "heard") as given:
            async with _running(_follow(given, beat, [])):
                await _until(lambda: sink.beats == 1)
        async with served(short, tmp_path / "silent", is_silent=True) as given:
            async with _running(_follow(given, beat, [])):
                await asyncio.sleep(0.3)
        assert sink.beats == 1


async def test_a_fault_of_the_program_does_not_end_the_news(farm: Given, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is said once, and the next look goes on from where the last one was."""
    with http_sink() as sink:
        hook = {"kind": "webhook", "url": f"{sink.address}/in", "allow_private": True, "events": ["morning"]}
        said: list[str] = []
        follows = _follow(farm, Alerts.model_validate({"to": {"hook": hook}}), said)
        with monkeypatch.context() as patch:
            patch.setattr(following, "morning_of", lambda farm: 1 // 0)
            async with _running(follows):
                await _until(lambda: bool(said))
                await asyncio.sleep(0.2)
        assert len(said) == 1 and "ZeroDivisionError" in said[0] and not sink.taken
        async with _running(follows):
            await _until(lambda: len(sink.taken) == 1)


async def test_silence_is_told_once(short: Recorded, tmp_path: Path) -> None:
    """After three minutes, not after a restart's seconds; and what was good before is not told as today's."""
    with http_sink() as sink:
        hook = {"kind": "webhook", "url": f"{sink.address}/in", "allow_private": True, "events": ["morning", "silent"]}
        async with served(short, tmp_path / "served") as given:
            follows = _follow(given, Alerts.model_validate({"to": {"hook": hook}}), [])
            await given.server.close()
            await asyncio.sleep(0.1)
            given.clock.at_s += 60.0
            given.clock.at_s += 200.0
            for _ in range(3):
                await follows.look()
                given.clock.at_s += _HOUR_S
        texts = [one["text"] for one in sink.taken]
        assert len(texts) == 1 and "has not been heard from since" in texts[0] and texts[0].endswith("Go and look.")

"""The api's end of the local socket: news, silence, and that a Stop waits behind nothing."""

import asyncio

import pytest

from api.link import SILENT_S, DaemonSilent
from daemon.messages import Answer, Command, Verb
from tests.api.farms import Given


async def test_news_come_once_and_age(given: Given) -> None:
    """Guards what a page shows: the newest word, its age, and from when on it counts as silence."""
    link = given.farm.link
    stream = link.snapshots()
    seen = [await anext(stream)]
    assert seen[0].snapshot.site == "Kestrel Bend" and '"site":"Kestrel Bend"' in seen[0].text
    assert link.age_s() == 0.0 and not link.is_silent()
    given.clock.at_s += SILENT_S
    assert link.age_s() == SILENT_S and not link.is_silent()
    given.clock.at_s += 0.1
    assert link.is_silent() and link.heard is seen[0], "the newest word stays"


async def test_nobody_there(silent: Given) -> None:
    """Guards the start of a shed: nothing heard, and what is asked fails with what to do."""
    link = silent.farm.link
    assert link.heard is None and link.age_s() is None and link.is_silent()
    with pytest.raises(DaemonSilent, match="systemctl start shiftwright") as caught:
        await link.command(Command("1", "mina", "operator", Verb.HOLD, {}))
    assert caught.value.code == "daemon.silent"


async def test_a_stop_waits_behind_nothing(given: Given, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards invariant 11: with every other question stuck in the daemon, a Stop is answered."""
    stuck = asyncio.Event()

    async def on_command(command: Command) -> Answer:
        if command.verb is Verb.HOLD:
            await stuck.wait()
        return Answer(command.id, True, "")

    monkeypatch.setattr(given.server, "on_command", on_command)
    link = given.farm.link
    holding = [asyncio.create_task(link.command(Command(str(n), "mina", "operator", Verb.HOLD, {}))) for n in range(30)]
    await asyncio.sleep(0.2)
    stop = Command("stop", "mina", "operator", Verb.STOP_EVERYTHING, {})
    assert (await asyncio.wait_for(link.command(stop), 5.0)).accepted
    stuck.set()
    await asyncio.gather(*holding, return_exceptions=True)


async def test_what_the_daemon_says_keeps_its_code(given: Given) -> None:
    """Guards the codes: a daemon that is there and refuses the form of a command is not silent."""
    with pytest.raises(DaemonSilent) as caught:
        await given.farm.link.command(Command("x" * 65, "mina", "operator", Verb.HOLD, {}))
    assert caught.value.code == "daemon.request"


async def test_closing_ends_every_stream(given: Given) -> None:
    """Guards the end: who waits for news is let go."""
    link = given.farm.link

    async def listen() -> None:
        async for _ in link.snapshots():
            pass

    listening = asyncio.create_task(listen())
    await asyncio.sleep(0.05)
    link.close()
    await asyncio.wait_for(listening, 5.0)

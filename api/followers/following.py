"""The loop that looks for news, keeps them for each destination, and delivers them when it can."""

import asyncio
import contextlib
import sqlite3
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

from api.farm import Farm
from api.followers.broker import Broker, publish_once
from api.followers.letter import Letter, letters
from api.followers.news import SILENT_S, News, news_of_morning, news_of_record, news_of_silence
from api.followers.outbox import Outbox, Waiting
from api.followers.sending import SendError, request, send_email, send_ntfy, send_webhook
from api.morning.now import Morning, morning_of
from api.words.words import Moment, Words, words_for
from daemon.destinations import Destination, Email, Heartbeat, Mqtt, Ntfy, Webhook
from daemon.folder import ALERTS
from daemon.ledger.errors import LedgerError
from daemon.ledger.reports import noted_after
from daemon.site import Site

_LOOK_S: Final = 20.0
_RETRY_S: Final = 15.0
_LAST_S: Final = 5.0
"""What is on its way as everything ends gets so long."""
_HOUR_MS: Final = 3_600_000
_LONGEST_WAIT_MS: Final = 15 * 60_000
_FIRST_WAIT_MS: Final = 30_000


@dataclass
class _Line:
    """One destination: how it is reached, and when it is tried again."""

    name: str
    to: Destination
    secret: Mapping[str, str]
    words: Words
    broker: Broker | None
    wait_ms: int = 0
    next_ms: int = 0
    failed: str = field(default="")
    """Why the last try failed; told once for each reason."""


class Following:
    """All destinations of a farm."""

    def __init__(
        self,
        farm: Farm,
        credentials: Mapping[str, Mapping[str, str]],
        say: Callable[[str], None],
        retry_s: float = _RETRY_S,
    ) -> None:
        """Open what is kept; `retry_s` lies between two tries to reach a broker. Raises sqlite3.Error."""
        self._farm, self._say = farm, say
        self._outbox = Outbox(farm.folder / ALERTS)
        settings = farm.plant.site
        self._lines = [
            _line(farm, name, to, credentials.get(name, {}), retry_s) for name, to in settings.alerts.to.items()
        ]
        self._heartbeat = settings.alerts.heartbeat

    async def run(self, look_s: float = _LOOK_S) -> None:
        """Follow until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            for line in self._lines:
                if line.broker is not None:
                    tasks.create_task(line.broker.run())
            if self._heartbeat is not None:
                tasks.create_task(self._beat(self._heartbeat))
            told = ""
            while True:
                try:
                    await self.look()
                except Exception as error:  # whatever is wrong with one word of it, the news after it are told
                    if told != repr(error):
                        told = repr(error)
                        self._say(f"alerts: not looked at, by a fault of the program: {told}")
                await asyncio.sleep(look_s)

    async def look(self) -> None:
        """Take in what is new, and deliver what waits. A record or disk that fails is looked at again later."""
        with contextlib.suppress(LedgerError, sqlite3.Error):
            await asyncio.to_thread(self._take_in)
        for line in self._lines:
            with contextlib.suppress(sqlite3.Error):
                await self._deliver(line)

    def _take_in(self) -> None:
        farm = self._farm
        morning = morning_of(farm)
        silent = self._silence(morning)
        for line in self._lines:
            cursor = self._outbox.cursor(line.name)
            if cursor is None:  # what was before somebody wanted to be told is no news
                self._outbox.keep(line.name, (), noted_after(farm.ledger, 2**62)[1])
                continue
            found, newest = news_of_record(farm, cursor)
            summary = news_of_morning(farm, morning, line.to.morning_at)
            told = [*found, *(news for news in (summary, silent) if news is not None)]
            wanted = [news for news in told if news.event in line.to.events]
            if wanted or newest != cursor:
                self._outbox.keep(line.name, [(news.key, _waiting(news, line.words)) for news in wanted], newest)

    def _silence(self, morning: Morning) -> News | None:
        age_s = self._farm.link.age_s()
        if not self._farm.link.is_silent() or morning.facts is None or (age_s is not None and age_s < SILENT_S):
            return None
        heard = self._farm.link.heard
        since = morning.told.lead.values.get("since")
        known_ms = round(since.at.timestamp() * 1000.0) if isinstance(since, Moment) else 0
        return news_of_silence(morning, known_ms if heard is None else heard.snapshot.at_ms)

    async def _deliver(self, line: _Line) -> None:
        farm, now_ms = self._farm, self._farm.now_ms()
        if now_ms < line.next_ms:
            return
        waiting = await asyncio.to_thread(self._outbox.waiting, line.name)
        sent = await asyncio.to_thread(self._outbox.deliveries_since, line.name, now_ms - _HOUR_MS)
        here = datetime.fromtimestamp(now_ms / 1000.0, UTC).astimezone(farm.zone)
        for letter in letters(waiting, sent, line.to.quiet, here, farm.plant.site.site.name, line.words):
            sending = asyncio.create_task(self._send(line, letter, now_ms))
            try:
                is_sent = await asyncio.shield(sending)
            except asyncio.CancelledError:
                await asyncio.wait([sending], timeout=_LAST_S)  # or it would be told again after the next start
                raise
            if not is_sent:
                return

    async def _send(self, line: _Line, letter: Letter, now_ms: int) -> bool:
        """Deliver a letter and keep that it was; return whether."""
        try:
            await send(line.to, line.secret, letter, line.broker)
        except SendError as error:
            line.wait_ms = min(_LONGEST_WAIT_MS, max(_FIRST_WAIT_MS, 2 * line.wait_ms))
            line.next_ms = now_ms + line.wait_ms
            if line.failed != str(error):
                self._say(f"alert {line.name}: {error}. It is kept and tried again.")
                line.failed = str(error)
            return False
        line.wait_ms, line.next_ms, line.failed = 0, 0, ""
        await asyncio.to_thread(self._outbox.delivered, line.name, letter.of, now_ms)
        return True

    async def _beat(self, to: Heartbeat) -> None:
        failed = False
        while True:
            if not self._farm.link.is_silent():
                try:
                    await asyncio.to_thread(request, to.url, "GET", b"", {}, to.allow_private)
                    failed = False
                except SendError as error:
                    if not failed:
                        self._say(f"alerts.heartbeat: {error}")
                    failed = True
            await asyncio.sleep(to.every_s)


async def send(to: Destination, secret: Mapping[str, str], letter: Letter, broker: Broker | None = None) -> None:
    """Deliver one letter. Raises SendError."""
    match to:
        case Webhook():
            await asyncio.to_thread(send_webhook, to, secret, letter)
        case Ntfy():
            await asyncio.to_thread(send_ntfy, to, secret, letter)
        case Email():
            await asyncio.to_thread(send_email, to, secret, letter)
        case Mqtt() if broker is None:
            await publish_once(to, secret, letter)
        case Mqtt():
            await broker.send(letter)


def words_to(site: Site, to: Destination) -> Words:
    """Return the words of a destination."""
    language = to.language or site.api.locale.partition("_")[0]
    return words_for(language, site.api.locale, site.api.units, ZoneInfo(site.site.zone))


def _line(farm: Farm, name: str, to: Destination, secret: Mapping[str, str], retry_s: float) -> _Line:
    broker = Broker(farm, to, secret, retry_s) if isinstance(to, Mqtt) else None
    return _Line(name, to, secret, words_to(farm.plant.site, to), broker)


def _waiting(news: News, words: Words) -> Waiting:
    text = " ".join(words.capital(words.tell(sentence)) for sentence in news.sentences)
    return Waiting(0, news.event, news.wakes, news.at_ms, text)

"""Which of the waiting messages go out now, and how: alone, or many of them in one. Pure."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time
from typing import Final

from api.followers.outbox import Waiting
from api.words.words import Words
from daemon.destinations import Quiet

MOST_AN_HOUR: Final = 5
"""Deliveries to one destination: a flood of a thousand events is five messages."""


@dataclass(frozen=True, slots=True)
class Letter:
    """One delivery."""

    title: str
    text: str
    wakes: bool
    of: tuple[Waiting, ...]


def letters(
    waiting: Sequence[Waiting], sent_this_hour: int, quiet: Quiet | None, now: datetime, site: str, words: Words
) -> list[Letter]:
    """Return what is delivered now. `now` is in the site's zone.

    In quiet hours only what may wake people; never more than an hour takes, and the last of these tells all the rest.
    """
    is_quiet = quiet is not None and within(now.time(), quiet.begin, quiet.end)
    ready = [one for one in waiting if one.wakes or not is_quiet]
    room = max(0, MOST_AN_HOUR - sent_this_hour)
    if not ready or not room:
        return []
    ready.sort(key=lambda one: (not one.wakes, one.at_ms))
    alone, rest = (ready, []) if len(ready) <= room else (ready[: room - 1], ready[room - 1 :])
    found = [Letter(_title(site, one.event, words), one.text, one.wakes, (one,)) for one in alone]
    if rest:
        found.append(_together(rest, site, words))
    return found


def within(at: time, begin: time, end: time) -> bool:
    """Whether a time of day lies in hours that may pass midnight."""
    return begin <= at < end if begin <= end else at >= begin or at < end


def _together(rest: Sequence[Waiting], site: str, words: Words) -> Letter:
    """Return many messages as one: each text once, with how often it came."""
    texts = Counter(one.text for one in rest)
    lines = [text if times == 1 else words.say("alert.times", times=times, text=text) for text, times in texts.items()]
    shown = lines[:20]
    if len(lines) > len(shown):
        shown.append(words.say("alert.more", count=len(lines) - len(shown)))
    title = words.say("alert.many", site=site, count=len(rest))
    return Letter(title, "\n\n".join(shown), any(one.wakes for one in rest), tuple(rest))


def _title(site: str, event: str, words: Words) -> str:
    return words.say(f"alert.{event}", site=site)

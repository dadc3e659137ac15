"""What keeps fertiliser out of a run though its water may go: steps of the commissioning that are not valid."""

from collections.abc import Collection, Iterable
from typing import NamedTuple


class Bar(NamedTuple):
    """One step that is missing, failed or out of date, and what it concerns."""

    why: str
    block: str = ""
    """A run of this block; empty: every run."""
    channel: str = ""
    """A run that injects through this; empty: through any."""


def barring(bars: Iterable[Bar], blocks: Collection[str], channels: Collection[str]) -> tuple[str, ...]:
    """Return why a run of these blocks may not inject through these channels; nothing where it may."""
    return tuple(
        bar.why
        for bar in bars
        if (not bar.block or bar.block in blocks) and (not bar.channel or bar.channel in channels)
    )

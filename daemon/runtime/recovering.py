"""What a start takes over from the record: the past that the core recovers from, and what people are told of it."""

import json
from collections.abc import Iterator
from typing import TYPE_CHECKING

from daemon.clock import UtcStamp
from daemon.control.open_run import OpenRun
from daemon.control.recovery import Count, Past
from daemon.control.states import UnitMode
from daemon.recipe import parse_recipe

if TYPE_CHECKING:
    from daemon.ledger.durable import Durable  # heavy: the safe outputs are written before it is imported

_RECENT_MS = 30 * 60_000


def past_of(durable: "Durable", now: UtcStamp, *, is_lost: bool) -> Past:
    """Return what the core has to know of the time before this start; `is_lost`: a real plant's record is born now."""
    run = durable.run
    since = {name: found.at_ms for name, found in durable.owed_since.items() if found.trusted and now.trusted}
    return Past(
        run=OpenRun(
            parse_recipe(json.loads(run.started.row.recipe)),
            tuple(phase.row for phase in run.phases),
            {found.row.channel: found.row for found in run.checkpoints},
        )
        if run is not None
        else None,
        owed=tuple(found.row for found in durable.owed),
        owed_s={name: max(0.0, (now.ms - at_ms) / 1000.0) for name, at_ms in since.items()},
        latched=tuple(found.row.code for found in durable.latched),
        counts={name: Count(found.count_ml, found.open_ml, found.booked_ml) for name, found in durable.counts.items()},
        mode=UnitMode(durable.mode) if durable.mode else UnitMode.AUTOMATIC,
        leases=tuple(found.row for found in durable.leases),
        unclean_boots=unclean_boots(durable, now),
        is_lost=is_lost,
    )


def unclean_boots(durable: "Durable", now: UtcStamp) -> int:
    """Return how many starts of the last half hour, this one among them, found no stop before them.

    By the clock as it is, trusted or not: one that stands still over a power cut brings them nearer, not apart.
    """
    count, follows_start = 0, False
    for found in durable.starts:
        is_start = found.row.code == "start"
        if is_start and follows_start and abs(now.ms - found.at_ms) <= _RECENT_MS:
            count += 1
        follows_start = is_start
    return count + 1 if follows_start else count


def told(durable: "Durable", past: Past) -> Iterator[str]:
    """Yield what people should know of what the last stop left."""
    if durable.run is not None:
        yield "A run was under way when the controller last stopped. It is closed in the record, not resumed."
    if past.is_lost:
        yield "The record of this plant was born now: nothing is known of its pipes, and each owes a flush."
    for item in past.owed:
        yield f"Flush owed: {item.segment}, stock {item.stock}, {item.owed_ml / 1e6:.1f} m3 of water."

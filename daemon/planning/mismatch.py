"""What to say where blocks that share stock by their flow get another dose than is due, and what would mend it."""

import math
from collections.abc import Iterator

from daemon.decisions.base import Decisions
from daemon.decisions.watering import Injection
from daemon.planning.checks import Check
from daemon.planning.dues import farm_kg
from daemon.planning.field import Field
from daemon.planning.matching import MISS, Masses, alike, misses, open_parts
from daemon.planning.stocks import Drawn

_NAMED = 6
"""Of a group of blocks, how many are named."""


def check_mismatch(
    decisions: Decisions, injection: Injection, stock: Drawn, brought_kg: float, due_kg: Masses, field: Field
) -> Iterator[Check]:
    """Yield what each block gets against its due, and, where that is far off, what would match; nothing for one block.

    `brought_kg` is what all blocks together get of the injection's nutrient.
    """
    if len(due_kg) < 2 or not any(due_kg.values()):
        return
    found = misses(brought_kg, due_kg, field.shares)
    warns = any(abs(miss) > MISS for miss in found.values())
    gets = [
        f"{block} gets {brought_kg * field.shares[block] / field.areas_ha[block]:.3g} of "
        f"{due_kg[block] / field.areas_ha[block]:.3g}{_percent(miss)}"
        for block, miss in found.items()
    ]
    reason = f"blocks share the {injection.nutrient} by their flow, in kg/ha: {', '.join(gets)}"
    if not warns:
        yield Check("block match", True, reason)
        return
    yield Check("block match", True, f"{reason}. Blocks of one need belong in one shift", warns=True)
    parts = open_parts(due_kg, field.shares)
    if parts:
        yield Check("part of INJECT", True, _opened(injection, due_kg, parts))
    yield Check("regrouping", True, _regrouped(decisions, injection, stock, field))


def _percent(miss: float) -> str:
    return f" ({100.0 * miss:+z.0f} %)" if math.isfinite(miss) else ""


def _opened(injection: Injection, due_kg: Masses, parts: dict[str, float]) -> str:
    """Return how blocks that are open for part of INJECT would each get their own."""
    shorter = ", ".join(
        f"{block} for the first {100.0 * part:.0f} %" if part else f"{block} not at all"
        for block, part in sorted(parts.items())
    )
    others = ", ".join(sorted(set(due_kg) - set(parts)))
    text = (
        f"proposed, not done: each block gets its own with {math.fsum(due_kg.values()):.3g} kg {injection.nutrient} in "
        f"all, {others} open for the whole time of INJECT and {shorter}"
    )
    if any(parts.values()):
        text += "; before a valve closes injection waits for clear water to flush that block"
    return f"{text}. It assumes that a block takes its own flow whichever others are open, and stock follows the flow"


def _regrouped(decisions: Decisions, injection: Injection, stock: Drawn, field: Field) -> str:
    """Return which blocks of the farm's shifts need alike, for each group that has a block of this shift."""
    needs = {
        block: kg / field.farm_m3_h[block] for block, kg in farm_kg(decisions, injection, stock, field).items() if kg
    }
    groups = [
        f"{_named(group)} ({needs[group[0]]:.3g})"
        for group in alike(needs)
        if not field.areas_ha.keys().isdisjoint(group)
    ]
    return (
        f"proposed, not done: shifts of blocks that need within {100.0 * MISS:.0f} % as much {injection.nutrient} for "
        f"their flow (kg to each m3/h): {'; '.join(groups)}"
    )


def _named(group: tuple[str, ...]) -> str:
    more = len(group) - _NAMED
    return ", ".join(group[:_NAMED]) + (f" and {more} more" if more > 0 else "")

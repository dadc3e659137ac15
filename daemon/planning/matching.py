"""What blocks that share one concentration get, and what would match each one's need better: plain arithmetic.

Stock goes by flow: of a whole of K kg a block with the share s of the flow gets s x K, whatever its area.
"""

import math
from collections.abc import Mapping

Masses = Mapping[str, float]
"""Kilograms of one nutrient by block."""
Shares = Mapping[str, float]
"""Of the flow, 0 to 1, by block."""

MISS = 0.15
"""Of what is due: a block that gets so much more or less warns (common practice, no source)."""


def met_kg(due_kg: Masses, shares: Shares, meet: str) -> float:
    """Return what all blocks together are to get: right as the mean, for the lowest need, or for the block named."""
    if meet == "mean":
        return math.fsum(due_kg.values())
    if meet == "lowest":
        return min(kg / shares[block] for block, kg in due_kg.items())
    return due_kg[meet] / shares[meet]


def misses(brought_kg: float, due_kg: Masses, shares: Shares) -> dict[str, float]:
    """Return by how much of its due each block gets more, or less where negative; infinite where it is due nothing."""
    return {block: _miss(brought_kg * shares[block], kg) for block, kg in due_kg.items()}


def open_parts(due_kg: Masses, shares: Shares) -> dict[str, float]:
    """Return for which part of INJECT's time the blocks of less need are open, so that they get what they are due.

    The others, of a need like the highest, are open all the time and right as their mean. It assumes that a block takes
    its own flow whichever others are open, and that stock follows the flow: then each gets stock by flow and time.
    """
    needs = {block: kg / shares[block] for block, kg in due_kg.items()}
    highest = max(needs.values())
    whole = [block for block, need in needs.items() if need * (1.0 + MISS) >= highest]
    need = math.fsum(due_kg[block] for block in whole) / math.fsum(shares[block] for block in whole)
    return {block: own / need for block, own in needs.items() if block not in whole}


def alike(needs: Mapping[str, float]) -> list[tuple[str, ...]]:
    """Return the blocks in groups whose highest need is no more than `MISS` over the lowest, the lowest first."""
    groups: list[list[str]] = []
    for block in sorted(needs, key=lambda name: (needs[name], name)):
        if groups and needs[block] <= (1.0 + MISS) * needs[groups[-1][0]]:
            groups[-1].append(block)
        else:
            groups.append([block])
    return [tuple(group) for group in groups]


def _miss(got_kg: float, due_kg: float) -> float:
    if due_kg <= 0.0:
        return math.inf if got_kg > 0.0 else 0.0
    return got_kg / due_kg - 1.0

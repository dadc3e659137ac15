"""How fast this computer is just now, beside the one on which the aims were measured."""

from daemon.clock import real_seconds
from tests.bench.baselines.arithmetic import arithmetic

PLAIN_S = 0.085
"""The plain arithmetic on that computer, with little else running."""
_ROUNDS = 5


def slowness() -> float:
    """Return how many times slower it is; 1 for one that is faster."""
    took_s = []
    for _ in range(_ROUNDS):
        began_s = real_seconds()
        arithmetic()
        took_s.append(real_seconds() - began_s)
    return max(1.0, min(took_s) / PLAIN_S)

"""What the injector's meter says of the dose: METER, with its uncertainty. Other independent estimates stand beside it.

Uncertainties are k = 2. A class states the largest permissible error `a`; read as a rectangular distribution its
standard uncertainty is a/√3 (GUM, JCGM 100:2008, 4.3.7).
"""

import math

from daemon.evidence import Dose
from daemon.hydraulics.transport import Line
from daemon.recipe import BlockPlan, ChannelPlan

_K2_OF_CLASS = 2.0 / math.sqrt(3.0)


def k2_of_class_pct(accuracy_pct: float) -> float:
    """Return the k = 2 uncertainty, in percent, of a reading of the given accuracy class."""
    return accuracy_pct * _K2_OF_CLASS


def meter_doses(
    run: str,
    block: BlockPlan,
    channel: ChannelPlan,
    injected_l: float,
    line: Line,
    short: Line,
    long: Line,
    meter_accuracy_pct: float,
    basis: str,
    *,
    is_blind: bool = False,
) -> tuple[Dose, ...]:
    """Return one METER dose row for each nutrient of the channel in one block.

    `injected_l` is the channel's metered stock; `line`, `short` and `long` are the block's pipes as computed and at
    both ends of their volume's k = 2 band, and their difference is what the pipes leave uncertain in the delivered.
    `is_blind`: water passed uncounted, so that all of what should be in the pipes may be out.
    """
    mixed_pct = math.hypot(k2_of_class_pct(meter_accuracy_pct), channel.strength_accuracy_pct)
    spread_l = max(abs(short.delivered_l - line.delivered_l), abs(long.delivered_l - line.delivered_l))
    rows = []
    for nutrient, strength_g_l in channel.nutrients_g_l.items():
        injected_mg = injected_l * block.share * strength_g_l * 1000.0
        delivered_mg = line.delivered_l * strength_g_l * 1000.0
        u_delivered_mg = math.hypot(delivered_mg * mixed_pct / 100.0, spread_l * strength_g_l * 1000.0)
        if is_blind:  # a bound, not a spread: it adds in full
            u_delivered_mg = injected_mg * (1.0 + mixed_pct / 100.0) - delivered_mg
        rows.append(
            Dose(
                run=run,
                block=block.block,
                channel=channel.channel,
                nutrient=nutrient,
                estimate="METER",
                basis=basis,
                planned_mg=block.planned_mg[nutrient],
                injected_mg=round(injected_mg),
                delivered_mg=round(delivered_mg),
                in_lines_mg=round(injected_mg) - round(delivered_mg),
                lost_mg=0,
                u_injected_mg=round(injected_mg * mixed_pct / 100.0),
                u_delivered_mg=round(u_delivered_mg),
            )
        )
    return tuple(rows)

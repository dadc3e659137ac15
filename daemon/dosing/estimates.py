"""What one estimate of the stock says of each block's dose: METER, TANK by the tank's level, or EC by the line's.

Uncertainties are k = 2. A class states the largest permissible error `a`; read as a rectangular distribution its
standard uncertainty is a/√3 (GUM, JCGM 100:2008, 4.3.7).
"""

import math
from collections.abc import Mapping
from typing import NamedTuple

from daemon.equipment import Signal
from daemon.evidence import Dose
from daemon.hydraulics.transport import Line
from daemon.recipe import BlockPlan, ChannelPlan

_K2_OF_CLASS = 2.0 / math.sqrt(3.0)


class Stated(NamedTuple):
    """One channel's stock in a run by one estimate."""

    estimate: str
    """METER, EC or TANK."""
    injected_l: float
    """At the strength of the plan."""
    accuracy_pct: float
    """k = 2, the strength included."""


class Way(NamedTuple):
    """One channel's stock in one block's pipes: as computed, and at both ends of the pipes' k = 2 band."""

    line: Line
    short: Line
    long: Line


def k2_of_class_pct(accuracy_pct: float) -> float:
    """Return the k = 2 uncertainty, in percent, of a reading of the given accuracy class."""
    return accuracy_pct * _K2_OF_CLASS


def reading_pct(calibrated_pct: Mapping[str, float], instrument: str, signal: Signal) -> float:
    """Return the k = 2 of an instrument's reading, in percent of it: by its calibration, else by its class."""
    known_pct = calibrated_pct.get(instrument)
    return k2_of_class_pct(signal.accuracy_pct_of_reading) if known_pct is None else known_pct


def meter_doses(
    run: str,
    block: BlockPlan,
    channel: ChannelPlan,
    injected_l: float,
    way: Way,
    meter_pct: float,
    basis: str,
    *,
    unknown_l: float = 0.0,
    is_blind: bool = False,
    is_drained: bool = False,
) -> tuple[Dose, ...]:
    """Return one METER dose row for each nutrient of the channel in one block.

    `injected_l` is the channel's metered stock, whose meter is known to `meter_pct`, k = 2. `unknown_l` of it came out
    of a hose that may have held another batch. The rest as in `dose_rows`.
    """
    accuracy_pct = math.hypot(
        meter_pct,
        channel.strength_accuracy_pct,
        100.0 * min(1.0, unknown_l / injected_l) if injected_l > 0.0 else 0.0,
    )
    stated = Stated("METER", injected_l, accuracy_pct)
    return dose_rows(run, block, channel, stated, way, basis, is_blind=is_blind, is_drained=is_drained)


def dose_rows(
    run: str,
    block: BlockPlan,
    channel: ChannelPlan,
    stated: Stated,
    way: Way,
    basis: str,
    *,
    times: float = 1.0,
    is_blind: bool = False,
    is_drained: bool = False,
) -> tuple[Dose, ...]:
    """Return one dose row of an estimate for each nutrient of the channel in one block.

    `way` holds the metered stock; the estimate has `times` as much, spread alike. The uncertainties of the stock and of
    its split between the blocks are of different origin and add in quadrature (GUM 5.1.2), as does what the pipes leave
    uncertain in the delivered: the largest difference between the three copies of the pipes. `is_blind`: water passed
    uncounted, so that all of what should be in the pipes may be out. `is_drained`: what lay behind the block's valve
    ran out through the low emitters; it is lost, and all of it is uncertain. The main stays full.
    """
    relative_pct = math.hypot(stated.accuracy_pct, block.share_accuracy_pct)
    line = way.line
    spread_l = max(abs(way.short.delivered_l - line.delivered_l), abs(way.long.delivered_l - line.delivered_l))
    rows = []
    for nutrient, strength_g_l in channel.nutrients_g_l.items():
        injected_mg = stated.injected_l * block.share * strength_g_l * 1000.0
        in_way_mg_l = times * strength_g_l * 1000.0
        delivered_mg = line.delivered_l * in_way_mg_l
        left_mg = round(injected_mg) - round(delivered_mg)
        drained_mg = min(left_mg, round((line.in_submain_l + line.in_laterals_l) * in_way_mg_l))
        lost_mg = max(0, drained_mg) if is_drained else 0
        u_delivered_mg = math.hypot(delivered_mg * relative_pct / 100.0, spread_l * in_way_mg_l)
        # Bounds, not spreads: they add in full.
        u_delivered_mg += max(0, left_mg) if is_blind else lost_mg
        rows.append(
            Dose(
                run=run,
                block=block.block,
                channel=channel.channel,
                nutrient=nutrient,
                estimate=stated.estimate,
                basis=basis,
                planned_mg=block.planned_mg[channel.channel][nutrient],
                injected_mg=round(injected_mg),
                delivered_mg=round(delivered_mg),
                in_lines_mg=left_mg - lost_mg,
                lost_mg=lost_mg,
                u_injected_mg=round(abs(injected_mg) * relative_pct / 100.0),
                u_delivered_mg=round(u_delivered_mg),
            )
        )
    return tuple(rows)

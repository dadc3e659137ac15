"""The pressure that is left for a block's last emitter: friction on its way there, and the lift.

Losses in fittings, valves and the injection point's own fittings are not in it.
"""

from daemon.equipment import Block, MainLine
from daemon.hydraulics.friction import GRAVITY_M_S2, WATER_KG_M3, darcy_m, outlets_darcy_m

_KPA_PER_M = WATER_KG_M3 * GRAVITY_M_S2 / 1000.0


def last_emitter_kpa(main: MainLine, block: Block, shift_flow_m3_h: float) -> float:
    """Return the pressure at the last emitter of the block's last lateral, its lift taken as that of the highest one.

    The shared main carries the flow of the whole shift. Raises ValueError for a main with no working pressure.
    """
    if main.working_kpa is None:
        raise ValueError("main.working_kpa: got none, expected the pressure at the injection point while a shift runs")
    flow_m3_h, laterals = block.flow_m3_h, block.submain.laterals
    lost_m = (
        sum(darcy_m(pipe, shift_flow_m3_h) for pipe in main.pipes)
        + sum(darcy_m(pipe, flow_m3_h) for pipe in block.pipes)
        + outlets_darcy_m(block.submain, laterals, flow_m3_h)
        + outlets_darcy_m(block.lateral, block.lateral.emitters, flow_m3_h / laterals)
    )
    return main.working_kpa - (lost_m + block.lift_m) * _KPA_PER_M

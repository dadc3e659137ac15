"""Pipe volumes and the water's way to the outermost emitter.

With equal outlets along a pipe the water slows towards the end, and the last outlet is reached after the pipe's volume
times the harmonic number of its outlets, in litres of the pipe's own inflow. The law is derived, and EPANET agrees to
0.1 % (DEVELOPERS.md, domain sheet).
"""

import math

from daemon.equipment import Block, MainLine, Pipe
from daemon.recipe import LinePath

_EULER_GAMMA = 0.5772156649015329


def pipe_volume_l(pipe: Pipe) -> float:
    """Return what one run of pipe holds, in litres."""
    return math.pi / 4.0 * (pipe.bore_mm / 1000.0) ** 2 * pipe.length_m * 1000.0


def harmonic(n: int) -> float:
    """Return 1 + 1/2 + ... + 1/n: exact to 100 outlets, then ln n + γ + 1/(2n), which differs by less than 1e-5."""
    if n <= 100:
        return math.fsum(1.0 / k for k in range(1, n + 1))
    return math.log(n) + _EULER_GAMMA + 1.0 / (2.0 * n)


def shared_main_l(main: MainLine) -> float:
    """Return what the shared main holds, in litres."""
    return sum(map(pipe_volume_l, main.pipes))


def line_path(block: Block, shared_l: float = 0.0) -> LinePath:
    """Return the way from the injection point to the block's emitters, in litres at the block's own flow.

    `shared_l` is the block's part of the shared main: by its share of the flow, for that share passes it meanwhile.
    """
    main_l = shared_l + sum(map(pipe_volume_l, block.pipes))
    submain_l = pipe_volume_l(block.submain)
    lateral_l = pipe_volume_l(block.lateral) * block.submain.laterals
    transit_l = main_l + submain_l * harmonic(block.submain.laterals) + lateral_l * harmonic(block.lateral.emitters)
    return LinePath(main_l, submain_l, lateral_l, transit_l, block.volume_accuracy_pct)

"""Pipe volumes and the water's way to the outermost emitter.

With equal outlets along a pipe the water slows towards the end, and the last outlet is reached after the pipe's volume
times the harmonic number of its outlets, in litres of the pipe's own inflow. The law is derived, and EPANET agrees to
0.1 % (DEVELOPERS.md, domain sheet).
"""

import math
from typing import NamedTuple

from daemon.decisions.measured import Transit
from daemon.equipment import Block, Lateral, MainLine, Pipe
from daemon.hydraulics.friction import LAMINAR_BELOW, reynolds
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


def fill_l(block: Block) -> float:
    """Return what a block's own pipes, its submain and all its laterals hold, in litres."""
    laterals_l = pipe_volume_l(block.lateral) * block.submain.laterals
    return sum(map(pipe_volume_l, block.pipes)) + pipe_volume_l(block.submain) + laterals_l


def line_path(
    block: Block, shared_l: float = 0.0, measured: Transit | None = None, shared_then_l: float = 0.0
) -> LinePath:
    """Return the way from the injection point to the block's emitters, in litres at the block's own flow.

    `shared_l` is the block's part of the shared main: by its share of the flow, for that share passes it meanwhile.
    What was measured replaces what was computed, and all volumes on the way are taken to be wrong alike;
    `shared_then_l` is the block's part of the shared main in that test, where other blocks may have run with it.
    """
    main_l = shared_l + sum(map(pipe_volume_l, block.pipes))
    submain_l = pipe_volume_l(block.submain)
    lateral_l = pipe_volume_l(block.lateral) * block.submain.laterals
    computed_l = main_l + submain_l * harmonic(block.submain.laterals) + lateral_l * harmonic(block.lateral.emitters)
    if measured is None:
        return LinePath(main_l, submain_l, lateral_l, computed_l, block.volume_accuracy_pct, computed_l)
    ratio = measured.litres / (computed_l - shared_l + shared_then_l)
    return LinePath(
        main_l * ratio,
        submain_l * ratio,
        lateral_l * ratio,
        computed_l * ratio,
        measured.accuracy_pct,
        computed_l,
        is_measured=True,
    )


class Tail(NamedTuple):
    """The end of a lateral, where the water flows in layers: what is injected smears out there, and arrives late."""

    emitters: int
    """How many emitters, counted from the end, get their water through such pipe."""
    share: float
    """Part of the lateral's transit time that is spent there, 0 to 1."""


def laminar_tail(lateral: Lateral) -> Tail:
    """Return the part of a lateral whose water has a Reynolds number under 2,000, at 20 °C."""
    one = reynolds(lateral.bore_mm, lateral.emitter_l_h / 1000.0)  # the last segment feeds one emitter, the next two...
    emitters = min(lateral.emitters, math.ceil(LAMINAR_BELOW / one) - 1)
    return Tail(emitters, harmonic(emitters) / harmonic(lateral.emitters))

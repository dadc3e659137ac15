"""Networks as tables of the site file, from which simulator, daemon and EPANET each lay their own pipes."""

import math
import random
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

import daemon.cli

Table = Mapping[str, Any]
"""One table of the site file as parsed."""
Curve = NDArray[np.float64]

SITE_FILE = Path(daemon.cli.__file__).parent / "kestrel_bend" / "site.toml"
_KESTREL_BEND = tomllib.loads(SITE_FILE.read_text("utf-8"))
_CREEK: Table = _KESTREL_BEND["block"]["creek"]


class Passage(NamedTuple):
    """How a pulse of stock went through a network; times are in seconds from its start."""

    time_s: Curve
    arrival_s: dict[str, float]
    """How long the pulse takes to a block's outermost emitter."""
    delivered: dict[str, Curve]
    """What has left each block's emitters, as a share of all that was injected."""
    outermost: Mapping[str, Curve] = MappingProxyType({})
    """What each block's outermost emitter has got, as a share of its own dose, where it was followed."""


@dataclass(frozen=True)
class Network:
    """Shared pipes from the injection point on, and the blocks that are watered together from their end."""

    main: Table
    block: Mapping[str, Table]

    @property
    def flow_l_s(self) -> float:
        """Every emitter of every block at its rate, in L/s."""
        return sum(map(block_flow_l_s, self.block.values()))


def block_flow_l_s(block: Table) -> float:
    """Every emitter of a block at its rate, in L/s."""
    return float(block["submain"]["laterals"] * block["lateral"]["emitters"] * block["lateral"]["emitter_l_h"] / 3600.0)


def _pipe(length_m: float, bore_mm: float, **outlets: float) -> Table:
    return {"length_m": length_m, "bore_mm": bore_mm, **outlets}


def _network(shared: list[Table], **blocks: Table) -> Network:
    wired = {name: {**block, "valve": f"station.out{2 + i}"} for i, (name, block) in enumerate(blocks.items())}
    return Network({**_KESTREL_BEND["main"], "pipes": shared}, wired)


def _block(pipes: list[Table], submain: Table, lateral: Table) -> Table:
    return {**_CREEK, "pipes": pipes, "submain": submain, "lateral": lateral}


def generated(
    seed: int, blocks: int, laterals: tuple[int, int] = (5, 60), emitters: tuple[int, int] = (20, 250)
) -> Network:
    """Draw lengths, counts and rates, then bores for 0.4 to 1.5 m/s at each pipe's inlet, rounded to 0.1 mm."""
    draw = random.Random(seed)

    def pipe(low_m: float, high_m: float, flow_l_s: float, **outlets: float) -> Table:
        bore_mm = math.sqrt(4000.0 * flow_l_s / (math.pi * draw.uniform(0.4, 1.5)))  # L/s over m/s is 1000 mm2
        return _pipe(round(draw.uniform(low_m, high_m), 1), round(bore_mm, 1), **outlets)

    def block() -> Table:
        along, down, emitter_l_h = draw.randint(*laterals), draw.randint(*emitters), round(draw.uniform(0.7, 4.0), 1)
        lateral_l_s = down * emitter_l_h / 3600.0
        flow_l_s = along * lateral_l_s
        return _block(
            [pipe(20.0, 200.0, flow_l_s) for _ in range(draw.randint(0, 2))],
            pipe(20.0, 200.0, flow_l_s, laterals=along),
            pipe(30.0, 150.0, lateral_l_s, emitters=down, emitter_l_h=emitter_l_h),
        )

    drawn = {f"drawn_{i}": block() for i in range(blocks)}
    flow_l_s = sum(map(block_flow_l_s, drawn.values()))
    return _network([pipe(50.0, 300.0, flow_l_s) for _ in range(draw.randint(1, 3))], **drawn)


THREE_PARTS = _network(
    [_pipe(200.0, 75.4)],
    only=_block(
        [],
        _pipe(90.0, 50.8, laterals=10),
        _pipe(100.0, 13.6, emitters=200, emitter_l_h=1.6),
    ),
)
"""The domain sheet's H5 (DEVELOPERS.md), with our first lateral one full spacing of 9 m from the submain's inlet."""

NETWORKS = {
    "three parts": THREE_PARTS,
    "Kestrel Bend's creek": Network(_KESTREL_BEND["main"], {"creek": _CREEK}),
    "two blocks on one main": _network(
        [_pipe(180.0, 103.6), _pipe(60.0, 75.4)],
        drip=_block(
            [_pipe(35.0, 63.0)],
            _pipe(80.0, 50.8, laterals=24),
            _pipe(90.0, 13.6, emitters=180, emitter_l_h=1.6),
        ),
        sprinklers=_block(
            [_pipe(140.0, 63.0), _pipe(20.0, 50.8)],
            _pipe(60.0, 50.8, laterals=12),
            _pipe(72.0, 20.4, emitters=12, emitter_l_h=40.0),
        ),
    ),
    "drawn, one block": generated(seed=1, blocks=1),
    "drawn, three blocks": generated(seed=2, blocks=3),
}

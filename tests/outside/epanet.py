"""A network in EPANET: when a pulse of stock arrives, how much of it has been delivered when, and the head lost.

EPANET 2.2 by wntr: L. Rossman et al., EPANET 2.2 User Manual, EPA/600/R-20/133, 2020. It carries segments of water
through every pipe by its own solution of the flows, and knows no law of equal outlets. Every flow is set as a demand.
"""

from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from wntr.epanet.io import BinFile  # type: ignore[import-untyped]
from wntr.epanet.toolkit import ENepanet  # type: ignore[import-untyped]
from wntr.epanet.util import EN  # type: ignore[import-untyped]

from tests.outside.networks import Curve, Network, Passage, Table, block_flow_l_s

BEFORE_S = 600
"""Clean water before the pulse; pulse and run are whole multiples of it, for EPANET's patterns have one step."""
_QUALITY_S = 2
_REPORT_S = 10
_PULSE_OPTIONS = f"""[OPTIONS]
Units LPS
Headloss H-W
Quality Chemical mg/L
Tolerance 0
Diffusivity 0
[REPORT]
Status No
Summary No
[TIMES]
Hydraulic Timestep 1:00
Quality Timestep 0:00:{_QUALITY_S:02}
Pattern Timestep 0:{BEFORE_S // 60}
Report Timestep 0:00:{_REPORT_S}"""


_LOSS_OPTIONS = """[OPTIONS]
Units LPS
Headloss D-W
Viscosity 0.982
Accuracy 0.00001
[REPORT]
Status No
Summary No
[END]"""
"""EPANET's viscosity of 1 is 1.022 mm2/s; water of 20 °C has 1.004."""
_SOURCE_M = 1000.0
"""So high that no demand goes short."""


def run_pulse(network: Network, pulse_s: int, after_s: int, *, lumped: bool = True) -> Passage:
    """Inject for `pulse_s` at a constant concentration, then let clean water follow for `after_s`.

    The pulse has arrived when the concentration at the outermost emitter has risen to half.
    `lumped` draws the whole flow of every lateral but a block's outermost at its place on the submain, as one demand.
    """
    run_s = BEFORE_S + pulse_s + after_s
    pattern = (int(BEFORE_S <= at_s < BEFORE_S + pulse_s) for at_s in range(0, run_s, BEFORE_S))
    pulse = ("[PATTERNS]", *(f"pulse {on}" for on in pattern), "[SOURCES]", "injection SETPOINT 1000 pulse")
    duration = f"Duration {run_s / 3600.0!r}"
    quality = _solve("\n".join((*_laid(network, 140.0, lumped), *pulse, _PULSE_OPTIONS, duration, "[END]")))
    time_s = quality.index.to_numpy(dtype=np.float64) - BEFORE_S
    arrival_s, delivered, outermost = {}, {}, {}
    for name, block in network.block.items():
        laterals, emitters = block["submain"]["laterals"], block["lateral"]["emitters"]
        last = _emitted(quality, name, laterals, emitters)
        if lumped:
            # Exact: equal laterals pass on what they get alike, so each delivers what the outermost does, earlier by
            # as much as the pulse is earlier at its place on the submain, which is EPANET's own figure.
            reached_s = [_half_rise_s(time_s, quality[_takeoff(name, i)].to_numpy()) for i in range(1, laterals + 1)]
            each = [np.interp(time_s + reached_s[-1] - at_s, time_s, last) for at_s in reached_s]
        else:
            each = [_emitted(quality, name, lateral, emitters) for lateral in range(1, laterals + 1)]
        share = block_flow_l_s(block) / network.flow_l_s
        delivered[name] = np.mean(each, axis=0) * share / pulse_s
        farthest = quality[_emitter(name, laterals, emitters)].to_numpy(np.float64)
        outermost[name] = _summed(farthest) / pulse_s
        arrival_s[name] = _half_rise_s(time_s, farthest)
    return Passage(time_s, arrival_s, delivered, outermost)


def lost_m(network: Network, roughness_mm: float) -> dict[str, float]:
    """Return the head lost (Darcy-Weisbach) from the injection point to each block's outermost emitter."""
    with TemporaryDirectory() as folder:
        epanet = _opened("\n".join((*_laid(network, roughness_mm, lumped=True), _LOSS_OPTIONS)), folder)
        epanet.ENsolveH()

        def head_m(node: str) -> float:
            return float(epanet.ENgetnodevalue(epanet.ENgetnodeindex(node), EN.HEAD))

        lost = {
            name: head_m("injection")
            - head_m(_emitter(name, block["submain"]["laterals"], block["lateral"]["emitters"]))
            for name, block in network.block.items()
        }
        epanet.ENclose()
        return lost


def _solve(text: str) -> Any:
    """Let EPANET compute the network of an input file's text; return the concentration by time and node, 1 at most."""
    with TemporaryDirectory() as folder:
        epanet = _opened(text, folder)
        epanet.ENsolveH()
        epanet.ENsolveQ()
        epanet.ENclose()
        if epanet.errcodelist:
            raise RuntimeError(f"EPANET warns: {epanet.errcodelist}")
        return BinFile().read(f"{folder}/network.bin").node["quality"]  # in kg/m3


def _opened(text: str, folder: str) -> Any:
    """Open the network of an input file's text with EPANET, its files in `folder`."""
    source, report, results = (f"{folder}/network.{kind}" for kind in ("inp", "rpt", "bin"))
    Path(source).write_text(text, "ascii")
    epanet = ENepanet(version=2.2)
    epanet.ENopen(source, report, results)
    return epanet


def _laid(network: Network, roughness: float, lumped: bool) -> Iterator[str]:
    """Write nodes and pipes as EPANET's input file has them; the roughness is in the head-loss formula's own unit."""
    nodes, pipes = [], []

    def lay(upstream: str, node: str, pipe: Table, parts: int = 1, demand_l_s: float = 0.0) -> str:
        """Lay one of `parts` equal parts of a pipe to a new node; return the node."""
        nodes.append(f"{node} 0 {demand_l_s!r}")
        pipes.append(
            f"to_{node} {upstream} {node} {pipe['length_m'] / parts!r} {pipe['bore_mm']!r} {roughness!r} 0 Open"
        )
        return node

    end = lay("source", "injection", {"length_m": 1.0, "bore_mm": 500.0})
    for i, pipe in enumerate(network.main["pipes"]):
        end = lay(end, f"shared_{i}", pipe)
    for name, block in network.block.items():
        submain, lateral = block["submain"], block["lateral"]
        laterals, emitters, emitter_l_s = submain["laterals"], lateral["emitters"], lateral["emitter_l_h"] / 3600.0
        at = end
        for i, pipe in enumerate(block["pipes"]):
            at = lay(at, f"{name}_own_{i}", pipe)
        for i in range(1, laterals + 1):
            is_lump = lumped and i < laterals
            at = lay(at, _takeoff(name, i), submain, laterals, emitters * emitter_l_s if is_lump else 0.0)
            along = at
            for k in range(1, 0 if is_lump else emitters + 1):
                along = lay(along, _emitter(name, i, k), lateral, emitters, emitter_l_s)
    yield from ("[JUNCTIONS]", *nodes, "[RESERVOIRS]", f"source {_SOURCE_M!r}", "[PIPES]", *pipes)


def _takeoff(block: str, lateral: int) -> str:
    return f"{block}_{lateral}"


def _emitter(block: str, lateral: int, emitter: int) -> str:
    return f"{block}_{lateral}_{emitter}"


def _emitted(quality: Any, block: str, lateral: int, emitters: int) -> Curve:
    """Return the mean concentration of a lateral's equal emitters, added up over time."""
    mean = quality[[_emitter(block, lateral, k) for k in range(1, emitters + 1)]].to_numpy(np.float64).mean(axis=1)
    return _summed(mean)


def _summed(concentration: Curve) -> Curve:
    """Return what has come by each look, in full concentration times seconds (trapezia)."""
    return np.concatenate(([0.0], np.cumsum((concentration[1:] + concentration[:-1]) / 2.0 * _REPORT_S)))


def _half_rise_s(time_s: Curve, concentration: Curve) -> float:
    i = int(np.argmax(concentration >= 0.5))
    part = (0.5 - concentration[i - 1]) / (concentration[i] - concentration[i - 1])
    return float(time_s[i - 1] + part * (time_s[i] - time_s[i - 1]))

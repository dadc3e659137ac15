"""A night in real time, by two processes, is the night that stepped time makes of the same seed.

Stepped time lets the plant stand still while the daemon thinks, and makes every scan alike. Here nothing waits: the
shed's own clock, a plant that paces itself, a disk that takes its time. Order of events and doses must be the same.
"""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

from daemon.cli.night import ledger_of, run_night
from daemon.control.states import ENDED
from daemon.evidence import (
    AlarmRaised,
    Dose,
    FlushCleared,
    FlushOwed,
    InjectionIntent,
    PhaseEnded,
    RunEnded,
    RunStarted,
)
from daemon.ledger.reading import evidence, reading
from daemon.messages import Verb
from tests.night.sites import PROGRAM, SHORT_PIPES, START, write_scenario
from tests.process.processes import TINY_NIGHT, TINY_PIPES, running

pytestmark = [pytest.mark.twin, pytest.mark.timeout(1500)]

_LOOK_S = 1.0
_HAS_ENDED = {state.value for state in ENDED}


@dataclass(frozen=True, slots=True)
class _Twins:
    """A night to be run twice."""

    site: Mapping[str, str]
    decisions: Mapping[str, str]
    within: float
    """How far, as a share of planned, the two nights' doses may be apart: a scan's worth of stock."""
    longest_s: float


_QUARTER_HOUR = _Twins(
    SHORT_PIPES,
    {
        "dose_kg_ha = 3.0": "dose_kg_ha = 0.3",
        "water_m3 = 84.0": "water_m3 = 7.8",
        "inject_m3 = 42.0": "inject_m3 = 2.9",
    },
    0.005,
    1200.0,
)
_TWO_MINUTES = _Twins(TINY_PIPES, TINY_NIGHT, 0.03, 240.0)
"""To see within minutes whether the long one is worth starting."""


async def _in_real_time(twins: _Twins, folder: Path) -> Path:
    """Run the night as `run --all` does in the shed's time; return its ledger."""
    site, decisions = write_scenario(folder, twins.site, twins.decisions)
    async with running(site, folder / "db", "--all", "--decisions", decisions) as daemon:
        await daemon.until(lambda snapshot: True)
        answer = await daemon.command(Verb.START, programs=[PROGRAM])
        assert answer.accepted, answer.reason
        async with asyncio.timeout(twins.longest_s):
            while (await daemon.snapshot()).procedure not in _HAS_ENDED:
                await asyncio.sleep(_LOOK_S)
        assert (await daemon.snapshot()).simulated
        assert await daemon.terminate() == 0, daemon.said()
    return ledger_of(folder / "db")


async def _in_steps(twins: _Twins, folder: Path) -> Path:
    """Run the night of the same seed in stepped time; return its ledger."""
    files = write_scenario(folder, twins.site, twins.decisions)
    await run_night(*files, [PROGRAM], folder / "db", START)
    return ledger_of(folder / "db")


def _events(ledger: Path) -> list[tuple[str, ...]]:
    """Return what happened, in its order, without times and figures.

    Whether the clock is trusted is this machine's own matter, and left out.
    """
    with reading(ledger) as connection:
        found = {
            **{s.seq: ("began", s.row.shift) for s in evidence(connection, RunStarted)},
            **{s.seq: ("left", s.row.phase, s.row.why) for s in evidence(connection, PhaseEnded)},
            **{s.seq: ("intended", s.row.channel) for s in evidence(connection, InjectionIntent)},
            **{s.seq: ("owed", s.row.segment) for s in evidence(connection, FlushOwed)},
            **{s.seq: ("cleared", s.row.segment, s.row.why) for s in evidence(connection, FlushCleared)},
            **{
                s.seq: ("alarm", s.row.code)
                for s in evidence(connection, AlarmRaised)
                if s.row.code != "clock-not-trusted"
            },
            **{s.seq: ("ended", s.row.state, s.row.outcome, s.row.why) for s in evidence(connection, RunEnded)},
        }
    return [found[seq] for seq in sorted(found)]


def _doses(ledger: Path) -> dict[tuple[str, str], Dose]:
    with reading(ledger) as connection:
        return {(s.row.block, s.row.nutrient): s.row for s in evidence(connection, Dose)}


@pytest.mark.parametrize("twins", [_TWO_MINUTES, _QUARTER_HOUR], ids=["two-minutes", "quarter-hour"])
async def test_real_time_and_stepped_time_make_the_same_night(twins: _Twins, tmp_path: Path) -> None:
    """Guards the stepped night as evidence: same events in the same order, no alarm, doses within a scan's worth."""
    stepped = await _in_steps(twins, tmp_path / "stepped")
    real = await _in_real_time(twins, tmp_path / "real")
    events = _events(real)
    assert events == _events(stepped)
    assert [event[1] for event in events if event[0] == "left"] == ["FILL", "PREWET", "INJECT", "FLUSH"]
    assert not [event for event in events if event[0] == "alarm"]
    doses = _doses(real)
    for key, dose in _doses(stepped).items():
        for figure in ("injected_mg", "delivered_mg", "in_lines_mg", "u_delivered_mg"):
            apart_mg = abs(getattr(doses[key], figure) - getattr(dose, figure))
            assert apart_mg <= twins.within * dose.planned_mg, (key, figure)

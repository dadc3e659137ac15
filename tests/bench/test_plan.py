"""One night and a whole season of a farm of 64 blocks planned, beside plain arithmetic in the same run."""

import gc
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest

from daemon.agronomy.past import Past
from daemon.clock import real_seconds
from daemon.decisions.base import Decisions
from daemon.planning.foreseen import foreseen
from daemon.planning.outlook import Known, Outlook
from daemon.planning.tonight import plan_night
from daemon.site import Plant
from tests.bench.baselines.arithmetic import arithmetic
from tests.bench.farm import BLOCKS_A_SHIFT, FIRST, NIGHTS, SHIFTS, farm, season
from tests.bench.figures import keep
from tests.bench.pace import PLAIN_S

pytestmark = pytest.mark.bench

NIGHT_S, SEASON_S = 0.050, 2.0
"""The aims; DEVELOPERS.md says what is reached."""
SLACK = 1.5
"""Work beside it slows planning by more than the plain arithmetic: a bound that catches a change that is much worse."""
ROUNDS = 3


def seconds(work: Callable[[], object]) -> float:
    """Return the time of some work, the garbage of what came before it swept away."""
    gc.collect()
    began_s = real_seconds()
    work()
    return real_seconds() - began_s


def outlook(plant: Plant, decisions: Decisions, number: int, past: Past) -> Outlook:
    """Return the plan of one night, made that afternoon."""
    night = FIRST + timedelta(days=number)
    now = datetime(night.year, night.month, night.day, 6, tzinfo=UTC)
    return plan_night(plant, decisions, night, now, Known(past, {}))


def plan(plant: Plant, decisions: Decisions, nights: int) -> Past:
    """Plan so many nights, each with those before it as given; return what they give."""
    past = Past()
    for number in range(nights):
        for run in (run for start in outlook(plant, decisions, number, past).starts for run in start.runs):
            assert run.recipe is not None, run.refusal
            past = foreseen(past, run.recipe, run.begins)
    return past


def compare(what: str, work: Callable[[], object], aim_s: float) -> None:
    """Judge the best of some rounds, each beside the plain arithmetic."""
    found = [(seconds(arithmetic), seconds(work)) for _ in range(ROUNDS)]
    plain_s, plan_s = (min(times) for times in zip(*found, strict=True))
    keep(5, f"{what} planned, 64 blocks", plan_s * 1e3, "ms", f"{aim_s * 1e3:g} ms", "plain arithmetic", plain_s * 1e3)
    assert plan_s <= SLACK * aim_s * plain_s / PLAIN_S


def test_a_season_is_planned_quickly() -> None:
    """A season of 200 nights with four of 16 shifts each, 64 blocks, every night counting all before it: 2 s."""
    plant, decisions = farm(), season()
    assert len(plant.site.block) == SHIFTS * BLOCKS_A_SHIFT == 64
    compare(f"{NIGHTS} nights", lambda: plan(plant, decisions, NIGHTS), SEASON_S)


def test_a_night_is_planned_quickly() -> None:
    """The season's last night, with all that was given before it as the record has just been read: 50 ms."""
    plant, decisions = farm(), season()
    past = plan(plant, decisions, NIGHTS - 1)
    assert len(past.water) == (NIGHTS - 1) * 4 * BLOCKS_A_SHIFT
    compare("one night", lambda: outlook(plant, decisions, NIGHTS - 1, Past(past.doses, past.water)), NIGHT_S)

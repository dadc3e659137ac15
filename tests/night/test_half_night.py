"""A power cut in a night that the timetable started: what is still owed is planned anew and runs, never twice."""

from collections.abc import Callable
from pathlib import Path

import pytest

from daemon.cli.night import ledger_of
from daemon.control.decide import State
from daemon.control.states import Phase
from daemon.ledger.nights import claims_of, runs_marked
from daemon.ledger.reports import last_runs
from daemon.planning.run_names import mark_of
from tests.night.power import NIGHT, Farm, is_in, timed_night

pytestmark = pytest.mark.plant


def _planned_l(farm: Farm) -> float:
    """Return what the night's first run was to inject."""
    claim = claims_of(ledger_of(farm.folder), [NIGHT])[0]
    (first, *_) = runs_marked(ledger_of(farm.folder), mark_of(claim.command)).values()
    return first.recipe.channels[0].stock_l


def _injected_l(farm: Farm) -> list[float]:
    """Return what each run of the night injected, in their order."""
    claims = claims_of(ledger_of(farm.folder), [NIGHT])
    marked = [runs_marked(ledger_of(farm.folder), mark_of(claim.command)) for claim in claims]
    return [sum(run.injected_l.values()) for runs in marked for run in runs.values()]


@pytest.mark.parametrize(
    "reached",
    [is_in(Phase.PREWET, 0.5), is_in(Phase.INJECT, 0.3), is_in(Phase.INJECT, 0.8), is_in(Phase.FLUSH, 1.0)],
    ids=["in pre-wet", "early in inject", "late in inject", "in flush"],
)
async def test_what_a_cut_left_over_is_given_once(tmp_path: Path, reached: Callable[[State], bool]) -> None:
    """Invariant 8 over a cut: all runs of the night together inject the plan, and the program after it runs too."""
    farm = await timed_night(tmp_path, [reached])
    claims = claims_of(ledger_of(farm.folder), [NIGHT])
    assert [claim.part for claim in claims] == [0, 1]
    planned_l, injected_l = _planned_l(farm), _injected_l(farm)
    assert sum(injected_l) <= 1.02 * planned_l
    assert sum(injected_l) == pytest.approx(planned_l, rel=0.06)
    ended = [run.ended.row for run in last_runs(ledger_of(farm.folder), 10) if run.ended is not None]
    assert [end.state for end in reversed(ended)] == ["ABORTED", "COMPLETE", "COMPLETE"]
    assert any("It goes on with" in text for text in farm.said)


async def test_a_second_cut_gives_nothing_twice_either(tmp_path: Path) -> None:
    """Power that fails twice in one injection: what both runs injected is off the third's plan."""
    farm = await timed_night(tmp_path, [is_in(Phase.INJECT, 0.3), is_in(Phase.INJECT, 0.3)])
    assert [claim.part for claim in claims_of(ledger_of(farm.folder), [NIGHT])] == [0, 1, 2]
    assert sum(_injected_l(farm)) == pytest.approx(_planned_l(farm), rel=0.06)


async def test_a_cut_that_lasts_too_long_leaves_the_night(tmp_path: Path) -> None:
    """Past the timetable's own lateness nothing goes on by itself: somebody decides in the morning."""
    farm = await timed_night(tmp_path, [is_in(Phase.INJECT, 0.5)], off_min=70.0)
    claims = claims_of(ledger_of(farm.folder), [NIGHT])
    assert [(claim.part, claim.command) for claim in claims[1:]] == [(1, "")]
    assert claims[1].why.endswith(
        "(creek_night, creek_rinse), and it does not go on: the controller was off for too long"
    )
    assert len(_injected_l(farm)) == 1

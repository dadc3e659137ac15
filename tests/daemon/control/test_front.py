"""The front of the stock at a far probe, as the core follows it through a run, and what it says of pipes and flow."""

import json
import math

import pytest

from daemon.control.front import seen_of, watched
from daemon.control.lines import Lines, lay
from daemon.control.record import BREAKTHROUGH, Recorder
from daemon.control.run import Run, begin
from daemon.control.sense import Facts
from daemon.control.states import Phase, Unit
from daemon.dosing.breakthrough import Front
from daemon.evidence import Event
from tests.daemon.control.plant import Rig, changed, short_recipe, small

_WATER_L = 10.0


def _facts(far_ms_cm: float | None = 0.6, *, dt_s: float = 1.0, has_probe: bool = True) -> Facts:
    rig = Rig(small())
    return rig.scan().facts._replace(
        dt_s=dt_s,
        far_probes=frozenset({"creek"}) if has_probe else frozenset(),
        far_ec_ms_cm={} if far_ms_cm is None else {"creek": far_ms_cm},
    )


def _rested() -> Run:
    """Return a run whose probe has been read over PREWET."""
    run = begin(short_recipe())
    for _ in range(10):
        run = watched(run, _facts(), {}, Phase.PREWET, _WATER_L)
    return run


def _injecting(run: Run, injected_l: float) -> Run:
    channels = {name: channel._replace(injected_l=injected_l) for name, channel in run.channels.items()}
    return run._replace(has_injected=True, channels=channels)


def test_the_front_is_followed_from_the_first_stock_to_the_half_of_its_rise() -> None:
    """Guards the transit: water counts from the stock's entry on, the block's own share of it, and no more after."""
    (plan,) = short_recipe().channels
    run = _injecting(_rested(), 10.0)
    for _ in range(5):
        run = watched(run, _facts(), {"a": plan.batch}, Phase.INJECT, _WATER_L)
    assert run.fronts["creek"].passed_l == 50.0 and not run.fronts["creek"].has_arrived
    run = watched(run, _facts(0.6 + 0.6 * plan.ec_rise_ms_cm), {"a": plan.batch}, Phase.FLUSH, _WATER_L)
    assert run.fronts["creek"].arrived_l == 55.0  # half a scan before it was seen
    assert watched(run, _facts(5.0), {"a": plan.batch}, Phase.FLUSH, _WATER_L).fronts == run.fronts


def test_a_hose_that_held_another_batch_lets_the_stock_in_later() -> None:
    """Guards the start: what the hose held enters first, and the stock's way begins behind it."""
    (plan,) = short_recipe().channels
    recipe = changed(short_recipe(), channels=(changed(plan, hose_l=4.0),))
    run = _rested()._replace(recipe=recipe)
    run = watched(_injecting(run, 2.0), _facts(), {}, Phase.INJECT, _WATER_L)
    assert run.fronts["creek"].passed_l == 0.0
    run = watched(_injecting(run, 4.5), _facts(), {}, Phase.INJECT, _WATER_L)
    assert run.fronts["creek"].passed_l == _WATER_L


def test_nobody_knows_where_it_is_after_a_dry_hold() -> None:
    """Guards honesty: a run that is filled anew has no front any more."""
    run = watched(_injecting(_rested(), 10.0), _facts(), {}, Phase.FILL, 0.0)
    assert run.fronts == {}
    assert [*seen_of(small().site, run)] == []
    resting = watched(_rested(), _facts(), {}, Phase.FILL, 0.0)
    assert resting.fronts == _rested().fronts


@pytest.mark.parametrize(
    "facts", [_facts(has_probe=False), _facts(dt_s=0.0), _facts(None)], ids=["no probe", "no time", "not read"]
)
def test_without_a_reading_nothing_begins(facts: Facts) -> None:
    """Guards plants without a probe, scans without time and a probe that cannot be read."""
    run = begin(short_recipe())
    assert watched(run, facts, {}, Phase.PREWET, _WATER_L).fronts == {}


def test_a_block_without_a_probe_has_no_front() -> None:
    """Guards shifts of which some blocks alone have a probe."""
    facts = _facts()._replace(far_probes=frozenset({"ridge"}))
    assert watched(begin(short_recipe()), facts, {}, Phase.PREWET, _WATER_L).fronts == {}


def test_what_is_seen_is_told_with_its_band() -> None:
    """Guards the record: litres and k = 2 of what was seen and planned, their E_n; none where the meter was blind."""
    site, recipe = small().site, short_recipe()
    path = recipe.blocks[0].path
    front = Front(0.6, 60.0, 1.0, 1.2 * path.transit_l, 10.0, 1.2 * path.transit_l)
    run = begin(recipe)._replace(fronts={"creek": front})
    (seen,) = seen_of(site, run)
    assert seen.seen.value == pytest.approx(1.2 * path.transit_l)
    meter_pct = 2.0 / math.sqrt(3.0) * site.main.water.accuracy_pct_of_reading
    relative = math.hypot(meter_pct, recipe.blocks[0].share_accuracy_pct, 3.0) / 100.0
    lag_l = 10.0 * recipe.flow_m3_h / 3.6
    assert seen.seen.u == pytest.approx(math.hypot(relative * seen.seen.value, 10.0, lag_l))
    assert seen.planned == (path.transit_l, path.accuracy_pct / 100.0 * path.transit_l)
    told = {}
    for is_blind in (False, True):
        record = Recorder()
        record.ended(site, Unit(), run, lay(site, recipe, Lines())._replace(is_blind=is_blind))
        told[is_blind] = [row for row in record.rows() if isinstance(row, Event)]
    (event,) = told[False]
    assert event.code == BREAKTHROUGH and told[True] == []
    detail = json.loads(event.detail)
    assert detail["seen_ml"] == round(1000.0 * seen.seen.value)
    assert detail["en_thousandths"] == round(1000.0 * seen.en) > 0

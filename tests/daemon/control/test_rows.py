"""Rows of the matrix by themselves: at rest, on two channels, with other valves open, and the time they declare."""

import math
from collections.abc import Callable
from typing import Any

import pytest

from daemon.control.image import SAFE
from daemon.control.interlocks import BY_CODE, MATRIX, Interlock, Situation
from daemon.control.sense_channel import ChannelFacts
from daemon.control.states import Unit
from tests.daemon.control.plant import Rig, changed, small, wide, wide_recipe
from tests.daemon.control.sites import every

_AT_A_START = frozenset({"memory-lost", "unclean-boots"})
"""What recovery raises."""


@pytest.mark.parametrize("row", MATRIX, ids=lambda row: row.code)
def test_what_is_said_of_a_run_is_not_said_where_there_is_none(row: Interlock) -> None:
    """Guards the conditions by themselves: at rest, with all well, none holds, whatever phase asks for it."""
    rig = Rig(small())
    facts = rig.scans(30).facts
    for last in (SAFE, changed(SAFE, pump=True, blocks=frozenset({"creek"}))):
        situation = Situation(rig.plant.site, facts, Unit(), last, None)
        is_pumps = row.code in ("no-flow", "pump-not-running", "pressure-low", "pressure-stays-low", "flow-not-proven")
        assert not row.holds(situation) or is_pumps
        assert row.channels is None or not row.channels(situation)


@pytest.mark.parametrize("scan_s", [1.0, 2.0])
@pytest.mark.parametrize("row", MATRIX, ids=lambda row: row.code)
def test_the_time_that_a_row_declares_is_what_it_takes(row: Interlock, scan_s: float) -> None:
    """Guards the process safety time: instrument, window, delay and two scans, none of them left out."""
    site = every().site
    site = site.model_copy(update={"site": site.site.model_copy(update={"scan_s": scan_s})})
    rest_s = row.safety_time_s(site) - row.delay_s(site)
    assert rest_s == pytest.approx(row.instrument_s + row.window_s(site) + 2.0 * scan_s)
    assert math.isfinite(rest_s)
    slower = site.model_copy(update={"site": site.site.model_copy(update={"scan_s": 2.0 * scan_s})})
    for time_s in (row.delay_s, row.window_s, row.clear_s):
        assert time_s(slower) >= time_s(site) >= 0.0, "a slower scan sees no sooner"
    assert row.instrument_s > 0.0 or row.code in _AT_A_START, "no reading is had in no time"


def test_a_supply_without_a_pump_runs_down_in_no_time() -> None:
    """Guards a supply under pressure: only the contact's own five seconds are waited for."""
    site = small().site
    row = BY_CODE["pump-still-running"]
    assert site.pump is not None and row.delay_s(site) == site.pump.run_down_s + 5.0
    assert row.delay_s(site.model_copy(update={"pump": None})) == 5.0


_OF_ONE_CHANNEL: dict[str, Callable[[ChannelFacts], ChannelFacts]] = {
    "injector-meter-bad": lambda c: c._replace(meter_good=False),
    "injector-meter-leaps": lambda c: c._replace(leaps=True),
    "tank-level-bad": lambda c: c._replace(content_good=False),
    "tank-level-jump": lambda c: c._replace(content_jumped=True),
    "tank-empty": lambda c: c._replace(content_l=1.0),
    "injector-silent": lambda c: c._replace(silent_s=60.0),
    "injector-rate": lambda c: c._replace(rate_off=0.2),
    "injector-rate-far": lambda c: c._replace(rate_off=0.5),
    "siphon": lambda c: c._replace(idle_l_h=60.0),
}


@pytest.mark.parametrize("name", ["a", "b"])
@pytest.mark.parametrize("code", _OF_ONE_CHANNEL)
def test_one_channel_of_two_is_enough(code: str, name: str) -> None:
    """Guards both channels alike: what is wrong with either holds, and names it where the row tells channels apart."""
    rig = Rig(wide())
    assert rig.start(wide_recipe()).accepted
    rig.until_injecting()
    run, facts = rig.state.run, rig.scan().facts
    assert run is not None
    changed_facts = {n: _OF_ONE_CHANNEL[code](c) if n == name else c for n, c in facts.channels.items()}
    row = BY_CODE[code]
    for channels, holds in ((facts.channels, False), (changed_facts, True)):
        needed = tuple(sorted(channels.items()))
        situation = Situation(
            rig.plant.site, facts._replace(channels=channels), rig.state.unit, rig.state.outputs, run, needed=needed
        )
        assert row.holds(situation) is holds
        assert row.stays is None or row.stays(situation) is holds
        assert row.channels is None or row.channels(situation) == ({name} if holds else set())


@pytest.mark.parametrize(
    "changes", [{"outputs_seen": False}, {"emergency_stop_healthy": None}, {"selector_auto": None}]
)
def test_one_reading_of_the_safety_circuit_is_enough(changes: dict[str, Any]) -> None:
    """Guards invariant 4: a module of which any one of these is not known is unseen, and after a while lost."""
    rig = Rig(small())
    facts = rig.scans(30).facts
    for code in ("outputs-unseen", "outputs-lost"):
        for seen, holds in ((facts, False), (facts._replace(**changes), True)):
            assert BY_CODE[code].holds(Situation(rig.plant.site, seen, Unit(), SAFE, None)) is holds


def test_the_flow_is_not_judged_while_another_valve_is_open() -> None:
    """Guards a change of shift and a forced valve: what flows then is not the shift's own, and proves nothing of it."""
    rig = Rig(wide())
    assert rig.start(wide_recipe()).accepted
    rig.until_injecting()
    run, facts = rig.state.run, rig.scan().facts
    assert run is not None
    row = BY_CODE["flow-out-of-band"]
    for blocks, holds in ((run.blocks, True), (frozenset({"creek"}), False)):
        last = changed(rig.state.outputs, blocks=blocks)
        low = facts._replace(flow_m3_h=0.5 * run.recipe.flow_m3_h)
        assert row.holds(Situation(rig.plant.site, low, rig.state.unit, last, run)) is holds

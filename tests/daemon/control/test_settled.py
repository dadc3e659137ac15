"""What FILL waits for, and what a flow is in times of the shift's own."""

from typing import Any

import pytest

from daemon.control.image import SAFE
from daemon.control.phases import flow_fit, settled
from daemon.control.run import Run, begin
from daemon.control.states import Phase
from tests.daemon.control.plant import Rig, changed, reached, short_recipe, small

_LAST = changed(SAFE, pump=True, blocks=frozenset({"creek"}))


def _run(**more: Any) -> Run:
    return begin(short_recipe())._replace(**more)


def test_steady_begins_with_the_first_scan_and_adds_up() -> None:
    """Guards FILL's end: time since flow and pressure are steady, and the pressure that it began with."""
    site, facts = small().site, reached(Phase.PREWET).scan().facts._replace(pressure_kpa=300.0)
    assert settled(site, _run(), facts, _LAST) == (1.0, 300.0)
    assert settled(site, _run(settled_s=3.0, settled_kpa=290.0), facts._replace(dt_s=2.0), _LAST) == (5.0, 290.0)
    assert settled(site, _run(settled_s=3.0, settled_kpa=285.0), facts, _LAST) == (1.0, 300.0), "5 % off: anew"
    assert settled(site, _run(settled_s=3.0, settled_kpa=317.0), facts, _LAST) == (1.0, 300.0)
    assert settled(site, _run(settled_s=3.0, settled_kpa=315.0), facts, _LAST) == (4.0, 315.0)
    low = facts._replace(pressure_kpa=site.main.min_pressure_kpa)
    assert settled(site, _run(), low, _LAST) == (1.0, site.main.min_pressure_kpa), "the least is enough"


@pytest.mark.parametrize("times", [0.81, 1.0, 1.19])
def test_a_flow_within_its_band_is_steady(times: float) -> None:
    """Guards rule 12 against waiting for a flow that no shift has to the litre: 20 % off is its own."""
    facts = reached(Phase.PREWET).scan().facts._replace(flow_m3_h=times * short_recipe().flow_m3_h)
    assert settled(small().site, _run(), facts, _LAST) == (1.0, facts.pressure_kpa)


@pytest.mark.parametrize(
    "change",
    [
        {"flow_proven": False},
        {"pressure_good": False},
        {"pressure_kpa": 149.9},
        {"flow_m3_h": 1.201},
        {"flow_m3_h": 0.799},
    ],
)
def test_nothing_is_steady_without_the_shifts_own_flow_and_pressure(change: dict[str, float]) -> None:
    """Guards rule 12: steady alone would pass a burst, and a valve that stays shut."""
    site, facts = small().site, reached(Phase.PREWET).scan().facts._replace(pressure_kpa=300.0)
    made: dict[str, Any] = dict(change)
    if "flow_m3_h" in made:
        made["flow_m3_h"] *= short_recipe().flow_m3_h
    assert settled(site, _run(settled_s=3.0, settled_kpa=300.0), facts._replace(**made), _LAST) == (0.0, 0.0)


@pytest.mark.parametrize("last", [changed(_LAST, pump=False), changed(_LAST, blocks=frozenset({"creek", "ridge"}))])
def test_nothing_is_steady_through_other_valves(last: Any) -> None:
    """Guards a change of shift: what runs into the last shift's blocks is not this one's fill."""
    facts = reached(Phase.PREWET).scan().facts
    assert settled(small().site, _run(settled_s=3.0, settled_kpa=300.0), facts, last) == (0.0, 0.0)


@pytest.mark.parametrize(("times", "fit"), [(0.81, 1.0), (1.19, 1.0), (0.79, 0.79), (1.21, 1.21), (2.5, 2.5)])
def test_a_flow_within_its_band_is_the_shifts_own(times: float, fit: float) -> None:
    """Guards what pays a flush: beyond its band of 20 % a flow counts as what it is; one not known as the shift's."""
    facts = Rig(small()).scan().facts
    shown = facts._replace(flow_good=True, flow_m3_h=times * short_recipe().flow_m3_h)
    assert flow_fit(small().site, _run(), shown) == pytest.approx(fit)
    assert flow_fit(small().site, _run(), shown._replace(flow_good=False)) == 1.0

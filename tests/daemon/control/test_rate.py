"""The injector's meter against its calibration at the commanded drive: what is seen of it, and what is not."""

import math

import pytest

from daemon.control.rate import (
    Rate,
    drive_for,
    follow_rate,
    is_far_off,
    is_off_band,
    promised_l_h,
    seen_within_s,
)
from daemon.control.states import Phase, ProcedureState
from daemon.dosing.estimates import k2_of_class_pct
from daemon.equipment import Injector, MeteringPump
from daemon.evidence import AlarmRaised
from tests.daemon.control.plant import Rig, is_injecting, kestrel, of_kind, reached, short_recipe
from tests.daemon.control.sites import every, night
from tests.daemon.control.spec import Watch

_ADVICE, _TRIP = "injector-rate", "injector-rate-far"
_SEEN_SCANS = 137
"""Settling and two windows, and two scans."""


def _pump() -> MeteringPump:
    injector = kestrel().site.injector["a"]
    assert isinstance(injector, MeteringPump)
    return injector


def _raised(rig: Rig) -> set[str]:
    return {row.code for row in of_kind(rig.rows, AlarmRaised)}


def test_what_is_promised_is_what_the_drive_was_meant_for() -> None:
    """Guards the promise: at the drive for a rate the curve promises that rate, and nothing beyond its ends."""
    for rate_l_h in range(50, 501):
        assert promised_l_h(_pump(), drive_for(_pump(), rate_l_h)) == pytest.approx(rate_l_h)
    assert (promised_l_h(_pump(), 0.01), promised_l_h(_pump(), 1.5)) == (50.0, 500.0)


@pytest.mark.parametrize("slip", [0.8, 0.85, 1.15])
def test_a_rate_that_is_off_is_seen_and_told_and_the_dose_is_given(slip: float) -> None:
    """Guards the advice: a fifth of air, or a meter 15 % off, is seen in time, and by itself takes nothing away."""
    rig = reached(Phase.INJECT, Watch(every=10_000))
    rig.slip = slip
    for scan in range(_SEEN_SCANS):
        if _ADVICE in rig.scan().verdict.causes:
            assert scan > 60, "what is not settled is not judged"
            break
    else:
        raise AssertionError("it was not seen")
    assert is_injecting(rig.state)
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.COMPLETE and _raised(rig) == {_ADVICE}
    run = rig.state.run
    assert run is not None and not run.given_up
    assert run.injected_l == pytest.approx(short_recipe().channels[0].stock_l, rel=0.015)


@pytest.mark.parametrize("slip", [0.92, 0.97, 1.0, 1.03, 1.08])
def test_a_rate_as_sound_plants_have_it_is_not_told(slip: float) -> None:
    """Guards quiet nights: what calibration and meter may be off by together raises nothing."""
    rig = reached(Phase.INJECT, Watch(every=10_000))
    rig.slip = slip
    rig.until_end()
    assert not _raised(rig)


@pytest.mark.parametrize("slip", [0.6, 1.45])
def test_a_rate_that_is_far_off_ends_the_injection(slip: float) -> None:
    """Guards the trip: nobody knows what is injected, so nothing more is, and water and flush go on."""
    rig = reached(Phase.INJECT, Watch(every=10_000))
    rig.slip = slip
    rig.until(lambda state: _TRIP in state.guard.active, most=_SEEN_SCANS)
    assert not is_injecting(rig.state)
    rig.until_end()
    run = rig.state.run
    assert run is not None and _TRIP in run.given_up and rig.state.unit.procedure is ProcedureState.COMPLETE
    assert not rig.state.lines.owed and _TRIP in rig.state.guard.active


def test_the_trim_does_not_hide_it() -> None:
    """Guards rule 16: with the trim at its bound, and the wanted rate nearly met, the drive still tells."""
    rig = Rig(kestrel())
    rig.slip = 0.88
    recipe = night(kestrel(), ("creek",), 60.0, ("a", 200.0, 30.0))
    assert rig.start(recipe).accepted
    rig.until(is_injecting)
    rig.scans(900)
    assert rig.state.run is not None
    assert rig.state.run.channels["a"].trim == pytest.approx(1.0 + (3.0 + k2_of_class_pct(1.0)) / 100.0)
    assert rig.state.sense.channels["a"].rate.off == pytest.approx(-0.12, abs=0.01)


def test_a_pause_begins_the_judgement_anew() -> None:
    """Guards the settled rate: half a window before a pause and half after it make none."""
    rig = reached(Phase.INJECT, Watch(every=10_000))
    rig.slip = 0.8
    rig.scans(60)
    rig.bad.add("pressure")
    rig.scan()
    rig.bad.clear()
    rig.scans(2)  # its valve shuts a scan after it
    assert rig.state.sense.channels["a"].rate == Rate()
    rig.scans(40)
    assert not _raised(rig) & {_ADVICE, _TRIP}


@pytest.mark.parametrize(("slip", "is_told"), [(1.0, False), (0.93, False), (0.8, True), (1.2, True)])
def test_a_pump_paced_by_its_on_time_is_judged_over_its_on_time(slip: float, is_told: bool) -> None:
    """Guards the duty pump: its rests promise nothing, and count nothing."""
    rig = Rig(every())
    rig.watch = Watch(every=10_000)
    rig.slip = slip
    assert rig.start(night(every(), ("terrace", "flat"), 12.0, ("b", 20.0, 9.0))).accepted
    rig.until_end()
    assert _raised(rig) == ({_ADVICE} if is_told else set())


def _windows(injector: Injector, rate_l_h: float, scans: int) -> list[float]:
    """Return what each full window found of a pump that gives `rate_l_h`, by a meter that counts whole counts."""
    each_l, memory, given_l, shown, found = injector.meter.per_count or 0.0, Rate(), 0.0, 0, []
    drive = drive_for(injector, rate_l_h) if isinstance(injector, MeteringPump) else 1.0
    for _ in range(scans):
        given_l += rate_l_h / 3600.0
        counted = math.floor(given_l / each_l)
        before = memory
        memory = follow_rate(injector, memory, drive, (counted - shown) * each_l, 1.0)
        shown = counted
        if before.passed_s > memory.passed_s:
            found.append(memory.off)
    return found


@pytest.mark.parametrize("channel", ["a", "b", "c", "d", "e"])
def test_a_window_is_long_enough_for_the_meters_counts(channel: str) -> None:
    """Guards the window: whatever a count is worth, a rate that is as promised is found within 1 %, and in time."""
    injector = every().site.injector[channel]
    for part in (0.0, 0.3, 1.0):
        rate_l_h = injector.lowest_l_h + part * (injector.highest_l_h - injector.lowest_l_h)
        if not isinstance(injector, MeteringPump):
            rate_l_h = injector.highest_l_h
        found = _windows(injector, rate_l_h, 20_000)
        assert found and max(abs(off) for off in found) <= 0.0101
        assert len(found) >= 20_000 / seen_within_s(injector)


def test_the_band_is_never_tighter_than_calibration_and_meter() -> None:
    """Guards the band: a tenth for a calibrated pump, more for one whose rate is known to 15 %."""
    pump, venturi = every().site.injector["a"], every().site.injector["d"]
    assert [is_off_band(pump, off) for off in (0.09, -0.09, 0.11, -0.11)] == [False, False, True, True]
    assert [is_far_off(pump, off) for off in (0.29, 0.31, -0.31)] == [False, True, True]
    assert [is_off_band(venturi, off) for off in (0.22, -0.22, 0.24)] == [False, False, True]
    assert [is_far_off(venturi, off) for off in (0.4, 0.5)] == [False, True]


def test_a_rate_is_seen_in_two_windows_at_the_lowest_that_is_planned() -> None:
    """Guards the declared time: settling, and twice a minute, or a hundred counts at the lowest rate."""
    pump = _pump()
    assert seen_within_s(pump) == 15.0 + 2.0 * max(60.0, 100.0 * 0.01 * 3600.0 / 50.0)
    coarse = pump.model_copy(update={"meter": pump.meter.model_copy(update={"per_count": 0.1})})
    assert seen_within_s(coarse) == 15.0 + 2.0 * 100.0 * 0.1 * 3600.0 / 50.0
    slow = coarse.model_copy(update={"curve": ((0.0, 0.5), (1.0, 500.0))})
    assert seen_within_s(slow) == 15.0 + 2.0 * 100.0 * 0.1 * 3600.0, "1 L/h at least"


def test_a_window_by_the_scan() -> None:
    """Guards the window: 15 s to settle, then 60 s, then the next one; a rest promises nothing, an off ends it all."""
    pump, memory = _pump(), Rate()
    each_l = promised_l_h(pump, 0.5) / 3600.0
    for _ in range(15):
        memory = follow_rate(pump, memory, 0.5, each_l, 1.0)
    assert memory == Rate(on_s=15.0)
    for _ in range(59):
        memory = follow_rate(pump, memory, 0.5, 1.1 * each_l, 1.0)
    assert memory.passed_s == 59.0 and memory.off == 0.0
    memory = follow_rate(pump, memory, 0.5, 1.1 * each_l, 1.0)
    assert memory._replace(off=0.0) == Rate(on_s=75.0) and memory.off == pytest.approx(0.1)
    rested = follow_rate(pump, memory, 0.0, 0.0, 1.0)
    assert rested == Rate(76.0, 1.0, 0.0, 0.0, memory.off)
    assert follow_rate(pump, rested, None, 0.0, 1.0) == Rate()

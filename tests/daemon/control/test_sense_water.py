"""The main's water, scan by scan: what flows with all shut, what stands still, and what pulses alone tell."""

import math
from typing import Any

import pytest

from daemon.control.image import SAFE, Now, Outputs
from daemon.control.sense_water import WaterFacts, WaterSense, sense_water
from daemon.site import Plant
from drivers.reading import Quality, Reading
from tests.daemon.control.plant import Rig, changed, small
from tests.daemon.control.sites import CONTACT, OURS, filtered, supplied

_EACH_L = 10.0
_OPEN = changed(SAFE, pump=True, blocks=frozenset({"creek"}))
_FLOW_M3_H = 33.92


class _Main:
    """Totaliser and flow meter, read scan by scan."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self.memory = WaterSense()
        self.counts = 1000.0
        self.flow_m3_h = 0.0
        self.at_s = 100.0
        self.is_bad = False

    def scan(
        self,
        last: Outputs = SAFE,
        litres: float = 0.0,
        *,
        dt_s: float = 1.0,
        is_auto: bool = True,
        is_filter_quiet: bool = True,
    ) -> WaterFacts:
        self.counts += litres / _EACH_L
        self.at_s += dt_s
        rig = Rig(self.plant, at_s=self.at_s)
        rig.water_counts = self.counts
        image = rig.see()
        if image.flow_m3_h is not None:
            image = changed(image, flow_m3_h=Reading(self.flow_m3_h, Quality.GOOD, self.at_s))
        if self.is_bad:
            image = changed(image, water_l=Reading(math.nan, Quality.BAD, self.at_s))
        self.memory, facts = sense_water(
            self.plant, self.memory, image, last, Now(dt_s, self.at_s), is_auto, is_filter_quiet
        )
        return facts


def _read() -> _Main:
    main = _Main(small())
    main.scan()
    return main


_SETTLED_S = 10 + 8
"""Run-down of the pump, and the travel time of the slowest valve."""


def _at_rest() -> _Main:
    """Return a main that has been commanded shut for so long that it must be."""
    main = _read()
    main.scan(_OPEN)
    for _ in range(_SETTLED_S):
        main.scan(litres=_EACH_L)  # what still moves meanwhile is no leak
    return main


@pytest.mark.parametrize(("counts", "is_seen"), [(2, False), (3, True)])
def test_what_flows_with_all_shut_is_more_than_two_counts_in_two_minutes(counts: int, is_seen: bool) -> None:
    """Guards the leak: the window begins once pump and valves have come to rest, and holds until the next one."""
    main = _at_rest()
    main.scan(litres=counts * _EACH_L)
    seen = [main.scan().idle_m3_h for _ in range(119)]
    assert set(seen[:-1]) == {0.0}
    assert seen[-1] == pytest.approx(counts * _EACH_L * 3.6 / 120.0 if is_seen else 0.0)
    assert [main.scan().idle_m3_h for _ in range(119)] == [seen[-1]] * 119
    assert main.scan().idle_m3_h == 0.0


@pytest.mark.parametrize(
    "how",
    [
        {"last": changed(SAFE, pump=True)},
        {"last": changed(SAFE, blocks=frozenset({"creek"}))},
        {"last": changed(SAFE, backwash=True)},
        {"is_auto": False},
        {"is_filter_quiet": False},
    ],
)
def test_whatever_may_take_water_begins_the_window_anew(how: dict[str, Any]) -> None:
    """Guards the leak against what is none: a pump, a valve, a wash, a hand at the machine."""
    main = _at_rest()
    main.scan(litres=5.0 * _EACH_L)
    for _ in range(100):
        main.scan()
    main.scan(**how)
    assert max(main.scan().idle_m3_h for _ in range(120)) == 0.0


def test_a_flow_that_is_shown_with_all_shut_is_seen_at_once() -> None:
    """Guards the leak that a flow meter shows: no window is waited for, once all must be shut."""
    main = _read()
    main.scan(_OPEN)
    main.flow_m3_h = 4.0
    assert [main.scan().idle_m3_h for _ in range(_SETTLED_S)] == [0.0] * _SETTLED_S
    assert main.scan().idle_m3_h == 4.0


def test_a_totaliser_that_stands_under_a_proven_flow() -> None:
    """Guards water-count-still: five seconds and three counts' time at the least flow, and any count ends it."""
    main = _read()
    main.flow_m3_h = _FLOW_M3_H
    longest_s = 5.0 + 3.0 * _EACH_L * 3.6 / main.plant.site.main.min_flow_m3_h
    main.scan(_OPEN, _EACH_L)
    assert not any(main.scan(_OPEN).stands for _ in range(int(longest_s)))
    assert main.scan(_OPEN).stands
    assert not main.scan(_OPEN, _EACH_L).stands
    for _ in range(int(longest_s)):
        main.scan(_OPEN)
    main.flow_m3_h = 0.0
    assert not main.scan(_OPEN).stands, "nothing is shown to flow"
    main.flow_m3_h = _FLOW_M3_H
    assert not main.scan(_OPEN).stands
    for _ in range(int(longest_s)):
        main.scan(_OPEN)
    main.is_bad = True
    assert not main.scan(_OPEN).stands, "it cannot be read, which is another cause"


def test_the_flow_needs_two_scans_in_a_row() -> None:
    """Guards the proof by its least flow: at it, not below it, and not in one scan."""
    main = _read()
    least = main.plant.site.main.min_flow_m3_h
    main.flow_m3_h = least
    assert [main.scan(_OPEN).flow_proven for _ in range(3)] == [False, True, True]
    main.flow_m3_h = least - 0.01
    assert not main.scan(_OPEN).flow_proven
    main.flow_m3_h = least
    assert [main.scan(_OPEN).flow_proven for _ in range(2)] == [False, True]


def test_water_that_was_missed_while_the_filter_washed_displaces_nothing() -> None:
    """Guards mass balance: litres of a gap that a wash fell into may all have gone to the drain."""
    main = _read()
    main.flow_m3_h = _FLOW_M3_H
    assert main.scan(_OPEN, 9.0).displaces
    main.is_bad = True
    main.scan(_OPEN, 9.0, is_filter_quiet=False)
    main.scan(_OPEN, 9.0)
    main.is_bad = False
    assert not main.scan(_OPEN, 9.0).displaces
    assert main.scan(_OPEN, 9.0).displaces


@pytest.mark.parametrize(("litres", "is_reset"), [(350.0, False), (360.0, True)])
def test_a_leap_of_the_totaliser_is_twice_what_can_flow(litres: float, is_reset: bool) -> None:
    """Guards the totaliser: beyond twice its highest flow and two counts it was reset, and nothing is booked.

    That is 333.3 L in ten seconds of 60 m3/h, and 20 L.
    """
    main = _read()
    facts = main.scan(_OPEN, litres, dt_s=10.0)
    assert facts.is_reset is is_reset
    assert facts.moved_l == (0.0 if is_reset else litres)


@pytest.mark.parametrize(("times", "is_reset"), [(15.9, False), (17.0, True)])
def test_without_a_flow_meter_a_leap_is_judged_by_the_least_flow(times: float, is_reset: bool) -> None:
    """Guards a totaliser alone: nobody says what can flow, so twice eight times the least flow and two counts."""
    main = _Main(supplied("pulses"))
    main.scan()
    litres = times * main.plant.site.main.min_flow_m3_h / 3.6 * 100.0 + 2.0 * _EACH_L
    assert main.scan(_OPEN, litres, dt_s=100.0).is_reset is is_reset


def test_a_totaliser_that_cannot_be_read_was_not_reset() -> None:
    """Guards the record: a lost reading is a gap, and what passed in it is booked when it is back."""
    main = _read()
    main.is_bad = True
    assert not main.scan(_OPEN, _EACH_L).is_reset
    main.is_bad = False
    assert main.scan(_OPEN, _EACH_L).moved_l == 2.0 * _EACH_L


def test_a_fine_totaliser_that_runs_back_was_not_reset() -> None:
    """Guards backflow seen by half a litre: five counts of 0.1 L back, none of them booked, nor as they come."""
    main = _Main(_counting(small(), 0.1))
    main.counts = 100_000.0
    main.scan(_OPEN)
    facts = main.scan(_OPEN, -5.0 * _EACH_L)  # the rig counts tens
    assert facts.reverse_flow is True and not facts.is_reset and facts.moved_l == 0.0
    assert main.scan(_OPEN, 5.0 * _EACH_L).moved_l == 0.0
    assert main.scan(_OPEN, 2.0 * _EACH_L).moved_l == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("accuracy_pct", "flow_m3_h", "runs_back"),
    [(0.5, -0.59, False), (0.5, -0.61, True), (1.0, -1.19, False), (1.0, -1.21, True), (1.0, 0.0, False)],
)
def test_a_flow_meters_zero_is_trusted_by_its_class(accuracy_pct: float, flow_m3_h: float, runs_back: bool) -> None:
    """Guards backflow against a coarse meter's zero: twice its class of 60 m3/h, and one part in a hundred at least."""
    main = _Main(_with_flow(accuracy_pct_of_span=accuracy_pct))
    main.flow_m3_h = flow_m3_h
    assert main.scan(_OPEN).reverse_flow is runs_back


@pytest.mark.parametrize("span", [{"at_low": None}, {"at_high": None}])
def test_a_flow_meter_with_half_a_span_is_judged_by_the_least_flow(span: dict[str, None]) -> None:
    """Guards the same for a meter of which one end is known: that is no span."""
    main = _Main(_with_flow(**span))
    least_m3_h = 0.01 * 8.0 * main.plant.site.main.min_flow_m3_h
    for flow_m3_h, runs_back in ((-0.9 * least_m3_h, False), (-1.1 * least_m3_h, True)):
        main.flow_m3_h = flow_m3_h
        assert main.scan(_OPEN).reverse_flow is runs_back


def _with_flow(**changes: float | None) -> Plant:
    """Return the small plant with another flow meter."""
    main = small().site.main
    assert main.flow is not None
    other = main.model_copy(update={"flow": main.flow.model_copy(update=changes)})
    return changed(small(), site=small().site.model_copy(update={"main": other}))


def test_a_window_with_all_shut_begins_at_nothing() -> None:
    """Guards the leak: two counts in each of two windows are two drips; what one window had is not the next one's."""
    main = _at_rest()
    for _ in range(3):
        main.scan(litres=2.0 * _EACH_L)
        assert max(main.scan().idle_m3_h for _ in range(119)) == 0.0


def test_pulses_alone_tell_the_flow() -> None:
    """Guards a site without a flow signal: smoothed over ten seconds, never more than the gap since the last allows."""
    main = _Main(supplied("pulses"))
    main.scan()
    steady = [main.scan(_OPEN, 10.0).flow_m3_h for _ in range(80)][-1]
    assert steady == pytest.approx(36.0, rel=0.01)
    first = _Main(supplied("pulses"))
    first.scan()
    assert first.scan(_OPEN, 10.0).flow_m3_h == pytest.approx(18.0 * 2.0 / 12.0), "in two scans since the start"
    falling = [main.scan(_OPEN).flow_m3_h for _ in range(6)]
    assert falling == pytest.approx([36.0 / n for n in range(1, 7)], rel=0.01)
    assert main.scan(_OPEN, dt_s=0.0).flow_m3_h == pytest.approx(6.0, rel=0.01)
    pulsed = main.scan(_OPEN, 10.0).flow_m3_h
    assert main.scan(_OPEN, dt_s=0.0).flow_m3_h == pulsed, "no time has passed since that pulse"
    main.is_bad = True
    assert main.scan(_OPEN).flow_m3_h == 0.0 and not main.scan(_OPEN).flow_good


def test_the_first_count_after_a_start_moves_nothing() -> None:
    """Guards a start: whatever the totaliser shows first is where it stands, and no reset."""
    facts = _Main(small()).scan()
    assert facts.good and facts.moved_l == 0.0 and not facts.is_reset and facts.reverse_flow is False


def test_a_filter_before_the_meter_takes_nothing_that_was_metered() -> None:
    """Guards the order of filter and meter: litres of a gap that a wash fell into all went to the field."""
    main = _Main(filtered(OURS + CONTACT, "filter meter injection"))
    main.scan(_OPEN, is_filter_quiet=False)
    main.scan(_OPEN, 9.0)
    main.is_bad = True
    main.scan(_OPEN, 9.0, is_filter_quiet=False)
    main.is_bad = False
    assert main.scan(_OPEN, 9.0).displaces


def test_a_jolt_of_a_fine_totaliser_is_no_water_that_runs_back() -> None:
    """Guards a totaliser of 0.1 L: one count back, and water on from there."""
    main = _Main(_counting(small(), 0.1))
    main.counts = 100_000.0
    for counts in (0, -1, 0, 5, 5):
        assert main.scan(_OPEN, _EACH_L * counts).reverse_flow is False


def _counting_litres(plant: Plant) -> Plant:
    return _counting(plant, None)


def _counting(plant: Plant, per_count: float | None) -> Plant:
    water = plant.site.main.water.model_copy(update={"per_count": per_count})
    main = plant.site.main.model_copy(update={"water": water})
    return changed(plant, site=plant.site.model_copy(update={"main": main}))


@pytest.mark.parametrize(("litres", "runs_back"), [(2.0, False), (3.0, True)])
def test_three_litres_back_where_the_totaliser_counts_litres(litres: float, runs_back: bool) -> None:
    """Guards the least that tells of water running back: three counts, of a litre each where it shows litres."""
    main = _Main(_counting_litres(small()))
    main.scan()
    assert main.scan(litres=-_EACH_L * litres).reverse_flow is runs_back  # the rig counts tens


def test_pulses_of_a_litre_where_the_totaliser_counts_litres() -> None:
    """Guards a totaliser that shows litres: its least step is one."""
    litres = _Main(_counting_litres(supplied("pulses")))
    for _ in range(200):
        litres.scan(_OPEN, 10.0 * _EACH_L)  # the rig counts tens
    steady = litres.memory.pulsed_m3_h
    assert [litres.scan(_OPEN).flow_m3_h for _ in range(4)] == pytest.approx(
        [min(steady, 3.6 / n) for n in (1, 2, 3, 4)]
    )

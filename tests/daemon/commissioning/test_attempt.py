"""An attempt on paper, scan by scan: what it asks for, what it keeps, and what cuts it off."""

from typing import Any

import pytest

from daemon.commissioning.attempt import Attempt, after, before, begun, cut, entered, granted, seen_on
from daemon.commissioning.step import Ask, Entries, Entry, EntryError, Result, Stage, Step, Until, Verdict, is_entered
from daemon.site import Site
from tests.daemon.commissioning.walk import plant_of, seen

SITE = plant_of("kestrel_bend").site
WATER = {"pump": 1.0, "valve.creek": 1.0}
ON = frozenset(WATER)
WATCH = ("water_l", "flow_m3_h", "pressure_kpa")


def _attempt(*stages: Stage, entries: Entries = ()) -> Attempt:
    """Return an attempt at a step of these stages, one after the other."""

    def then(_site: Site, _subject: str, entries: Entries) -> Stage | None:
        return next((stage for stage in stages if not is_entered(entries, stage.name)), None)

    step = Step(
        "try", "A try", lambda _site: ("it",), (), (), then, lambda _work: Result((), Verdict.PASSED), lambda _s, _n: ()
    )
    return Attempt("try-1", step, "it", "Tomas", 0.0, tuple(entries))


def _begun(attempt: Attempt, **changes: Any) -> Attempt:
    return granted(begun(attempt, SITE, seen(**changes))[0], 0.0)


def _readings(at_s: float, flow: float = 36.0) -> dict[str, float]:
    return {"water_l": at_s * 10.0, "flow_m3_h": flow, "pressure_kpa": 300.0}


def test_outputs_are_asked_for_in_a_safe_order() -> None:
    """Injectors are let go first; then the next valve opens, the pump starts, and the last valve closes at the end."""
    forced = frozenset({"valve.bridge", "pump", "injector.a", "injector.b"})
    stage = Stage("x", "", hold={**WATER, "injector.b": 0.5}, lasts_s=60.0)
    _, wanted = begun(_attempt(stage), SITE, seen(forced=forced, on=forced))
    assert wanted.stop == ("injector.a",)
    assert [name for name, _ in wanted.hold] == ["valve.creek", "pump", "injector.b"]
    assert dict(wanted.hold)["injector.b"] == 0.5 and wanted.release == ("valve.bridge",)


def test_the_end_of_the_way_lets_everything_go() -> None:
    """With no stage left all that is held on is released, injectors first, the pump before its valves."""
    forced = frozenset({"valve.creek", "pump", "injector.a"})
    after_it, wanted = begun(_attempt(), SITE, seen(forced=forced))
    assert wanted.stop == ("injector.a",) and wanted.release == ("pump", "valve.creek") and not wanted.hold
    assert after_it.watching is None


def test_time_counts_while_all_is_on() -> None:
    """A stage lasts its time with everything on: valves that travel and pumps that rest are no part of it."""
    attempt = _begun(_attempt(Stage("x", "", hold=WATER, watch=WATCH, lasts_s=20.0)))
    entry = None
    for scan in range(1, 40):
        on = ON if scan > 10 else frozenset({"valve.creek"})
        attempt, entry = seen_on(attempt, SITE, seen(2.0 * scan, forced=ON, on=on, readings=_readings(2.0 * scan)))
        if entry is not None:
            break
    assert entry is not None and scan == 21
    assert entry.values["seconds"] == 20.0 and entry.values["on_at_s"] == 22.0
    assert entry.values["first"]["water_l"] == 220.0 and entry.values["last"]["water_l"] == 420.0
    assert entry.values["samples"][0] == [2.0, 20.0, 36.0, 300.0]


def test_a_force_that_ends_cuts_the_stage_off() -> None:
    """Whoever released it: nothing is held on again, and the attempt goes back to the stage that it needs."""
    stages = (Stage("fill", "", hold=WATER, lasts_s=9.0), Stage("x", "", hold=WATER, lasts_s=60.0, back_to="fill"))
    attempt = _begun(_attempt(*stages, entries=(Entry("fill", {}),)))
    attempt, entry = seen_on(attempt, SITE, seen(2.0, forced=ON, on=ON))
    attempt, entry = seen_on(attempt, SITE, seen(4.0, forced=frozenset({"pump"}), on=frozenset({"pump"})))
    assert entry is None and "valve.creek" in attempt.cut_off and "released" in attempt.cut_off
    assert attempt.watching is None and attempt.entries == ()


def test_an_interlock_that_keeps_water_off_cuts_the_stage_off() -> None:
    """At once, with what to look at; a cause that pauses an injector alone does not."""
    attempt = _begun(_attempt(Stage("x", "", hold={**WATER, "injector.a": 1.0}, lasts_s=60.0)))
    forced = ON | {"injector.a"}
    attempt, _ = seen_on(attempt, SITE, seen(2.0, forced=forced, on=ON, causes=frozenset({"pressure-low"})))
    assert not attempt.cut_off
    attempt, _ = seen_on(attempt, SITE, seen(4.0, forced=forced, on=frozenset(), causes=frozenset({"no-flow"})))
    assert "pump, valve.creek is kept off" in attempt.cut_off and "block valve" in attempt.cut_off


def test_what_never_comes_on_is_told() -> None:
    """After a pump's longest rest, and what is short of it."""
    attempt = _begun(_attempt(Stage("x", "", hold=WATER, lasts_s=60.0)))
    valve = frozenset({"valve.creek"})
    attempt, _ = seen_on(attempt, SITE, seen(3700.0, forced=ON, on=valve))
    assert not attempt.cut_off
    attempt, _ = seen_on(attempt, SITE, seen(3730.0, forced=ON, on=valve))
    assert attempt.cut_off.startswith("pump did not come on")


def test_steady_is_flow_and_pressure_for_half_a_minute() -> None:
    """A flow that swings is not steady; past its time the stage is cut off."""
    stage = Stage("fill", "", hold=WATER, watch=WATCH, lasts_s=300.0, until=Until.STEADY)
    attempt, entry = _begun(_attempt(stage)), None
    for scan in range(1, 60):
        flow = 36.0 if scan > 20 or scan % 2 else 20.0
        attempt, entry = seen_on(
            attempt, SITE, seen(2.0 * scan, forced=ON, on=ON, readings=_readings(2.0 * scan, flow))
        )
        if entry is not None:
            break
    assert entry is not None and 34 <= scan <= 37
    swings = _begun(_attempt(stage))
    for scan in range(1, 200):
        flow = 36.0 if scan % 2 else 20.0
        swings, entry = seen_on(swings, SITE, seen(2.0 * scan, forced=ON, on=ON, readings=_readings(2.0 * scan, flow)))
        if swings.cut_off:
            break
    assert entry is None and "flow and pressure are steady" in swings.cut_off


def test_an_injectors_own_lease_ends_its_stage() -> None:
    """What was drawn was drawn while it was on; one that was off for most of it is cut off."""
    stage = Stage("run", "", hold={**WATER, "injector.a": 1.0}, lasts_s=60.0, times_injector=True)
    for on_scans, is_good in ((28, True), (10, False)):
        attempt, entry = _begun(_attempt(stage)), None
        for scan in range(1, 32):
            forced = ON | {"injector.a"} if scan <= 30 else ON
            on = forced if scan <= on_scans else ON
            attempt, entry = seen_on(attempt, SITE, seen(2.0 * scan, forced=forced, on=on))
        assert (entry is not None) is is_good and bool(attempt.cut_off) is not is_good


@pytest.mark.parametrize("times_injector", [True, False])
def test_an_injection_that_comes_on_again_keeps_where(times_injector: bool) -> None:
    """How long it had been on by then, and the readings of that moment: of what is timed by the injector alone."""
    hold = {**WATER, "injector.a": 1.0}
    attempt = _begun(_attempt(Stage("x", "", hold=hold, watch=WATCH, lasts_s=40.0, times_injector=times_injector)))
    all_on = frozenset(hold)
    for scan in range(1, 31):
        on = ON if scan < 4 or 6 <= scan < 9 else all_on
        attempt, _ = seen_on(attempt, SITE, seen(2.0 * scan, forced=all_on, on=on, readings=_readings(2.0 * scan)))
    attempt, entry = seen_on(attempt, SITE, seen(62.0, forced=ON if times_injector else all_on, on=ON))
    again = entry.values.get("again") if entry is not None else None
    assert entry is not None or not times_injector
    assert again == ([[4.0, _readings(18.0)]] if times_injector else None)


def test_a_run_is_waited_for_to_its_end() -> None:
    """It has begun and is over; the causes of the way are kept, and how it ended."""
    stage = Stage("water", "", watch=WATCH, start={"block": "creek"}, lasts_s=300.0, until=Until.OVER)
    attempt, wanted = begun(_attempt(stage), SITE, seen())
    assert wanted.start == {"block": "creek"}
    attempt = granted(attempt, 0.0)
    for at_s in (2.0, 4.0):
        attempt, entry = seen_on(
            attempt, SITE, seen(at_s, is_active=True, causes=frozenset({"rain"}), readings=_readings(at_s))
        )
        assert entry is None
    _, entry = seen_on(attempt, SITE, seen(6.0, procedure="COMPLETE", readings=_readings(6.0)))
    assert entry is not None and entry.values["ended"] == "COMPLETE" and entry.values["causes"] == ["rain"]
    attempt = granted(begun(_attempt(stage), SITE, seen())[0], 0.0)
    attempt, _ = seen_on(attempt, SITE, seen(2.0))
    attempt, _ = seen_on(attempt, SITE, seen(400.0))
    assert "the run is over" in attempt.cut_off


def test_a_flush_that_does_not_go_on_is_told() -> None:
    """It is asked for where one is owed; a stop in it is not waited out."""
    stage = Stage("rinse", "", flushes=True, lasts_s=3900.0, until=Until.RINSED)
    attempt, wanted = begun(_attempt(stage), SITE, seen(is_owing=True))
    assert wanted.start == {"flush": []}
    attempt = granted(attempt, 0.0)
    attempt, _ = seen_on(attempt, SITE, seen(2.0, is_owing=True, causes=frozenset({"water-did-not-start"})))
    assert "the flush is kept off" in attempt.cut_off
    _, entry = seen_on(granted(begun(_attempt(stage), SITE, seen())[0], 0.0), SITE, seen(2.0))
    assert entry is not None


def test_a_cause_is_waited_for() -> None:
    """It may be what takes the outputs away; one that does not come is no error of the attempt, but of the plant."""
    stage = Stage("provoke", "", hold=WATER, lasts_s=60.0, until=Until.CAUSE, cause="burst", shows_outputs=True)
    attempt = _begun(_attempt(stage))
    _, entry = seen_on(attempt, SITE, seen(2.0, causes=frozenset({"burst"})))
    assert entry is not None and entry.values["caused"] == ["burst"] and entry.values["on"] == []
    entry = None
    for scan in range(1, 40):
        attempt, entry = seen_on(attempt, SITE, seen(2.0 * scan, forced=ON, on=ON))
        if entry is not None:
            break
    assert entry is not None and entry.values["caused"] == []


def test_a_backwash_begins_and_ends() -> None:
    """Its length is kept."""
    stage = Stage("wash", "", lasts_s=600.0, until=Until.WASHED)
    attempt, entry = _begun(_attempt(stage)), None
    for scan in range(1, 60):
        attempt, entry = seen_on(attempt, SITE, seen(2.0 * scan, is_washing=10 <= scan < 40))
        if entry is not None:
            break
    assert entry is not None and scan == 40 and entry.values["washed_s"] == pytest.approx(60.0)


def test_silence_looks_before_anything_is_written() -> None:
    """What the modules show in the first scan after it is kept; a module that stays away is told."""
    stage = Stage("silence", "", silence_s=13.0)
    attempt, wanted = begun(_attempt(stage), SITE, seen(forced=ON))
    assert wanted.silence_s == 13.0 and not wanted.release
    attempt = granted(attempt, 0.0)
    assert seen_on(attempt, SITE, seen(6.0))[1] is None
    assert seen_on(attempt, SITE, seen(14.0, shown=None))[1] is None
    _, entry = seen_on(attempt, SITE, seen(16.0, shown=frozenset({"pump"})))
    assert entry is not None and entry.values["shown"] == ["pump"]
    away, _ = seen_on(attempt, SITE, seen(200.0, shown=None))
    assert "do not answer" in away.cut_off


def test_what_a_person_enters_bears_the_readings_of_that_moment() -> None:
    """With the registers as they came; what the daemon ends by itself takes no entry."""
    stage = Stage("read", "", (Ask("ml", "Volume", "mL", most=1e6),), watch=WATCH, raw=("station.ai1",))
    attempt = _begun(_attempt(stage))
    attempt, ended = seen_on(attempt, SITE, seen(2.0, readings=_readings(2.0)))
    assert ended is None
    entry = entered(attempt, SITE, {"ml": "1500,5"}, seen(4.0, readings=_readings(4.0), raw={"station.ai1": "0fa0"}))
    assert entry.values["ml"] == 1500.5 and entry.values["now"]["water_l"] == 40.0 and entry.values["at_s"] == 4.0
    assert entry.values["raw"] == {"station.ai1": "0fa0"}
    with pytest.raises(EntryError, match="ml: got nothing; expected a number from 0 to 1e"):
        entered(attempt, SITE, {}, seen(4.0))
    with pytest.raises(EntryError, match="ends by itself"):
        entered(_begun(_attempt(Stage("x", "", lasts_s=9.0))), SITE, {}, seen(4.0))
    with pytest.raises(EntryError, match="all is entered"):
        entered(_attempt(), SITE, {}, seen(4.0))


def test_a_long_stage_keeps_a_bounded_record() -> None:
    """Every second row goes where there are too many, so that no attempt fills the card."""
    attempt = _begun(_attempt(Stage("x", "", watch=WATCH, lasts_s=1e6)))
    for scan in range(1, 5000):
        attempt, _ = seen_on(attempt, SITE, seen(float(scan), readings=_readings(float(scan))))
    assert attempt.watching is not None
    rows = attempt.watching.rows
    assert 500 <= len(rows) <= 1200 and rows[-1][0] is not None and rows[-1][0] > 4980.0
    assert all(row[0] is not None for row in rows)


def test_going_back_drops_what_came_later() -> None:
    """From the first entry of the stage on; a stage that was not entered drops nothing."""
    entries = (Entry("a", {}), Entry("b", {}), Entry("a", {}), Entry("c", {}))
    assert before(entries, "b") == entries[:1] and before(entries, "a") == () and before(entries, "z") == entries
    attempt = after(_attempt(Stage("x", "")), Entry("x", {}))
    assert attempt.entries[-1].stage == "x" and cut(attempt, SITE, "why").cut_off == "why"

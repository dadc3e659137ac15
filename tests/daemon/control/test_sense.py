"""What a scan knows: quality and age, counters unwrapped over wrap and reset, and nothing opened by a lost reading."""

import math
from collections.abc import Callable

import pytest

from daemon.control.decide import State
from daemon.control.image import SAFE, ChannelOutput, Now
from daemon.control.sense import PROOF_SCANS, Sense, sense
from daemon.control.states import Phase, ProcedureState
from daemon.control.tank_rest import TankRest
from daemon.evidence import Event, PhaseEnded, RunEnded
from daemon.messages import Verb
from daemon.site import Plant
from drivers.reading import Quality, Reading
from tests.daemon.control.plant import Rig, changed, of_kind, reached, short_recipe, small
from tests.daemon.control.sites import CONTACT, OURS, filtered, supplied
from tests.daemon.control.spec import Watch, injectors

_SIGNALS = ("flow", "water", "pressure", "stock.a", "content.a")
_SWITCHES = ("emergency_stop", "selector", "pump_running", "watchdog", "output.pump", "output.injection_valve.a")


def _filtered() -> Plant:
    return filtered(OURS + CONTACT, "meter filter injection")


@pytest.mark.parametrize("name", [*_SIGNALS, *_SWITCHES])
@pytest.mark.parametrize(("age_s", "is_fresh"), [(0.0, True), (4.5, True), (5.5, False), (3600.0, False)])
def test_a_reading_older_than_its_limit_is_not_good(name: str, age_s: float, is_fresh: bool) -> None:
    """Guards invariants 1 and 4: each reading that the injection needs shuts the injector once it is stale."""
    rig = reached(Phase.INJECT, Watch(every=10_000))
    rig.stale_s[name] = age_s
    assert bool(injectors(rig.scan().outputs)) is is_fresh
    rig.stale_s.clear()
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.COMPLETE


@pytest.mark.parametrize("name", [*_SIGNALS, *_SWITCHES])
def test_a_reading_gone_bad_shuts_the_injector_in_that_scan(name: str) -> None:
    """Guards invariants 1 and 4 for each reading, and that it starts again only when the reading is back."""
    rig = reached(Phase.INJECT, Watch(every=10_000))
    rig.bad.add(name)
    assert not injectors(rig.scan().outputs)
    assert not injectors(rig.scans(2).outputs)
    rig.bad.clear()
    rig.until_end()
    assert rig.stock_l["a"] == pytest.approx(short_recipe().channels[0].stock_l, rel=0.02)


@pytest.mark.parametrize("name", ["emergency_stop", "selector", "output.pump"])
def test_nothing_starts_while_the_safety_circuit_cannot_be_read(name: str) -> None:
    """Guards invariant 4: valve and pump wait for permits that are GOOD, and come on when they are back."""
    rig = Rig(small())
    rig.watch = Watch(every=10_000)
    assert rig.start(short_recipe()).accepted
    rig.scans(17)
    rig.bad.add(name)
    rig.scans(4)
    assert not rig.state.outputs.pump, "the pump was due two scans ago"
    rig.bad.clear()
    assert rig.scan().outputs.pump
    assert rig.state.water.starts_s == (0.0,)


@pytest.mark.parametrize("name", ["emergency_stop", "selector", "output.pump", "output.backwash"])
def test_no_backwash_begins_while_the_safety_circuit_cannot_be_read(name: str) -> None:
    """Guards invariant 4 for our backwash: it waits for permits that are GOOD, and begins when they are back."""
    rig = reached(Phase.PREWET, Watch(every=10_000), _filtered)
    rig.scan()
    rig.filter_kpa = 60.0
    rig.bad.add(name)
    for _ in range(4):
        assert not rig.scan().outputs.backwash
    rig.bad.clear()
    assert rig.scan().outputs.backwash


def test_an_age_limit_is_the_signals_own() -> None:
    """Guards stale_s: a signal with a longer limit is still good where the default is past."""
    site = small().site
    assert site.main.flow is not None
    flow = site.main.flow.model_copy(update={"stale_s": 30.0})
    plant = changed(small(), site=site.model_copy(update={"main": site.main.model_copy(update={"flow": flow})}))
    rig = reached(Phase.INJECT)
    rig.plant = plant
    rig.stale_s["flow"] = 20.0
    assert injectors(rig.scan().outputs)


def test_flow_is_proven_by_scans_in_a_row() -> None:
    """Guards invariant 1's N scans: one good scan proves nothing, and one bad scan starts the proof anew."""
    rig = reached(Phase.PREWET)
    rig.bad.add("flow")
    assert not rig.scan().facts.flow_proven
    rig.bad.clear()
    assert [rig.scan().facts.flow_proven for _ in range(PROOF_SCANS + 1)] == [False, True, True]
    rig.flow_m3_h["creek"] = rig.plant.site.main.min_flow_m3_h - 0.1
    assert not rig.scan().facts.flow_proven


@pytest.mark.parametrize("when", [Phase.PREWET, Phase.INJECT, Phase.FLUSH])
def test_totalisers_that_wrap_in_a_run_lose_nothing(when: Phase) -> None:
    """Guards invariant 7: both counters start again from zero in mid-run, and every litre is counted once."""
    plain = reached(when)
    wrapped = reached(when)
    wrapped.water_counts += 2.0**32 - math.floor(wrapped.water_counts) - 20.0
    wrapped.stock_counts["a"] += 2.0**32 - math.floor(wrapped.stock_counts["a"]) - 30.0
    wrapped.state = _as_if_there(wrapped)
    for rig in (plain, wrapped):
        rig.until_end()
    assert wrapped.water_counts < 2.0**31 and (when is Phase.FLUSH or wrapped.stock_counts["a"] < 2.0**31)
    ends = [[(row.phase, row.water_ml) for row in of_kind(rig.rows, PhaseEnded)] for rig in (plain, wrapped)]
    assert ends[0] == ends[1]
    runs = [rig.state.run for rig in (plain, wrapped)]
    assert runs[0] is not None and runs[1] is not None
    assert runs[1].injected_l == pytest.approx(runs[0].injected_l, abs=1e-6)
    assert [row.code for row in of_kind(wrapped.rows, Event)] == ["counts"], "at the end of the run"


def _as_if_there(rig: Rig) -> State:
    """Return the state with the counters' last values as they are now, so that they did not jump."""
    image = rig.see()
    channels = {
        name: changed(channel, count_l=image.channels[name].stock_l.value)
        for name, channel in rig.state.sense.channels.items()
    }
    return changed(
        rig.state,
        sense=changed(
            rig.state.sense,
            water=changed(rig.state.sense.water, count_l=image.water_l.value, shown_l=image.water_l.value),
            channels=channels,
        ),
    )


@pytest.mark.parametrize("counter", ["main", "a"])
def test_a_counter_reset_in_a_run_is_told_and_loses_one_scan_at_most(counter: str) -> None:
    """Guards invariant 7: a reset is no rollover; the event says so, and no litres are invented."""
    rig = reached(Phase.INJECT, Watch(every=10_000))
    if counter == "main":
        rig.water_counts = 0.0
    else:
        rig.stock_counts["a"] = 0.0
    before = rig.state.run
    decision = rig.scan()
    told = [(row.code, row.detail) for row in of_kind(decision.entries, Event)]
    assert told[0] == ("counter-reset", f'{{"counter":"{counter}"}}')
    assert [code for code, _ in told[1:]] == ["counts"], "what is counted from here on"
    assert before is not None and decision.state.run is not None
    moved_l = {
        "main": decision.state.run.water_l - before.water_l,
        "a": decision.state.run.injected_l - before.injected_l,
    }
    assert moved_l[counter] == 0.0
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.COMPLETE
    assert rig.stock_l["a"] == pytest.approx(short_recipe().channels[0].stock_l, rel=0.02)
    assert [row.outcome for row in of_kind(rig.rows, RunEnded)] == ["DELIVERED"]


def test_litres_that_pass_while_a_totaliser_is_lost_are_counted_when_it_is_back() -> None:
    """Guards invariant 7: a gap in the readings is no gap in the count."""
    rig = reached(Phase.PREWET)
    before_l = rig.water_l
    rig.bad.add("water")
    assert [rig.scan().facts.water_moved_l for _ in range(20)] == [0.0] * 20
    rig.bad.clear()
    assert rig.scan().facts.water_moved_l == pytest.approx(rig.water_l - before_l, abs=20.0)


def test_what_passed_unread_during_a_backwash_is_not_displaced_when_the_totaliser_is_back() -> None:
    """Guards rule 17 over a gap: litres that the drain may have taken neither water nor flush, even if seen late."""
    rig = reached(Phase.PREWET, Watch(every=10_000), _filtered)
    washer, before = rig.plant.site.filter, rig.scan().state.run
    assert washer is not None and before is not None
    rig.bad.add("water")
    rig.is_self_washing = True
    rig.scans(3)
    rig.is_self_washing = False
    rig.scans(int(washer.recover_s) + 2)
    rig.bad.clear()
    decision = rig.scan()
    assert decision.facts.water_moved_l > 100.0 and decision.facts.is_filter_quiet
    assert decision.state.run is not None and decision.state.run.water_l == before.water_l
    assert rig.scan().facts.displaces


def test_what_passed_unread_with_the_injector_on_flushes_nothing() -> None:
    """Guards invariant 2 over a gap: the flush counts from the last litre of stock, not from the totaliser's return."""
    rig = reached(Phase.INJECT, Watch(every=10_000))
    rig.bad.add("water")
    rig.scan(Verb.STOP_FERTILISER, dt_s=5.0)
    rig.scans(3)
    rig.bad.clear()
    rig.scan()
    assert rig.state.lines.owed and all(item.left_l == item.full_l for item in rig.state.lines.owed)
    rig.scans(3)
    assert all(item.left_l < item.full_l for item in rig.state.lines.owed)


def test_the_first_reading_after_a_start_moves_nothing() -> None:
    """Guards the start: a totaliser that has counted for years adds nothing to the first scan."""
    rig = Rig(small())
    rig.water_counts, rig.stock_counts["a"] = 123_456.0, 7_890.0
    facts = rig.scan().facts
    assert facts.water_moved_l == 0.0 and facts.channels["a"].moved_l == 0.0


def test_an_injector_that_counts_nothing_is_found_in_its_stroke_window() -> None:
    """Guards the silent injector: the time counts only while it is on, and one count starts it anew."""
    rig = reached(Phase.INJECT)
    rig.silent.add("a")
    window = int(rig.plant.site.injector["a"].stroke_window_s)
    seen = [rig.scan().facts.channels["a"].silent_s for _ in range(window - 1)]
    assert seen[-1] >= window - 3
    rig.silent.clear()
    assert rig.scan().facts.channels["a"].silent_s == 0.0


def test_drops_through_a_shut_injector_are_no_siphon_and_a_trickle_is() -> None:
    """Guards the siphon: flow over a full minute above the limit, not a count or two."""
    rig = Rig(small())
    rig.scan()
    rig.stock_counts["a"] += 2.0
    rig.scans(130)
    assert not rig.state.guard.active
    rig.siphon_l_h = 10.0
    rig.until(lambda state: "siphon" in state.guard.active, most=130)


def test_the_senses_hold_no_time_of_day() -> None:
    """Guards invariant 10 at its root: the same readings at another hour are the same facts and memory."""
    rig = reached(Phase.INJECT)
    seen = []
    for at_s in (1e6, 7e6):
        rig.at_s = at_s
        seen.append(sense(rig.plant, Sense(), rig.see(), rig.held, Now(1.0, at_s)))
    assert repr(seen[0]) == repr(seen[1])


def test_a_totaliser_that_counts_back_shows_water_that_runs_back() -> None:
    """Guards backflow without a contact: three counts back in a minute; what comes again is not counted twice."""
    rig = Rig(small())
    rig.water_counts = 1000.0
    rig.scans(3)
    for counts, is_back in ((999.0, False), (998.0, False), (997.0, True)):
        rig.water_counts = counts
        assert rig.scan().facts.reverse_flow is is_back
    assert rig.scan(dt_s=70.0).facts.reverse_flow is False, "a minute without a count back"
    rig.water_counts = 1000.0
    assert rig.scan().facts.water_moved_l == 0.0
    rig.water_counts = 1001.0
    assert rig.scan().facts.water_moved_l == pytest.approx(10.0)


@pytest.mark.parametrize(("flow_m3_h", "is_back"), [(-0.5, False), (-0.7, True)])
def test_a_flow_meter_well_below_its_zero_shows_water_that_runs_back(flow_m3_h: float, is_back: bool) -> None:
    """Guards backflow by a meter that can show it: beyond a hundredth of its span of 60 m3/h."""
    rig = Rig(small())
    rig.forced["flow"] = flow_m3_h
    assert rig.scan().facts.reverse_flow is is_back


def test_a_flow_meter_without_a_span_is_judged_by_the_least_flow() -> None:
    """Guards the same where the meter speaks in digits and no span is known."""
    site = small().site
    assert site.main.flow is not None
    flow = site.main.flow.model_copy(update={"at_low": None, "at_high": None})
    main = site.main.model_copy(update={"flow": flow})
    rig = Rig(changed(small(), site=site.model_copy(update={"main": main})))
    least_m3_h = 0.01 * 8.0 * main.min_flow_m3_h
    for flow_m3_h, is_back in ((-0.9 * least_m3_h, False), (-1.1 * least_m3_h, True)):
        rig.forced["flow"] = flow_m3_h
        assert rig.scan().facts.reverse_flow is is_back


@pytest.mark.parametrize(
    ("line", "background", "rise"), [(1.1, 0.4, 0.7), (0.3, 0.4, -0.1), (1.1, None, None), (None, 0.4, None)]
)
def test_the_rise_is_what_the_line_has_more_than_the_water_before_it(
    line: float | None, background: float | None, rise: float | None
) -> None:
    """Guards what EC says of the stock: both probes or nothing."""
    rig = Rig(small())
    for name, value in (("line_ec", line), ("background_ec", background)):
        if value is None:
            rig.bad.add(name)
        else:
            rig.forced[name] = value
    assert rig.scan().facts.ec_rise_ms_cm == (rise if rise is None else pytest.approx(rise))


@pytest.mark.parametrize(
    ("output", "rests"),
    [
        (ChannelOutput(), True),
        (ChannelOutput(valve=True), False),
        (ChannelOutput(run=True, drive=0.5), False),
        (ChannelOutput(valve=True, run=True, drive=0.5), False),
    ],
)
def test_a_tank_rests_with_all_that_draws_from_it_shut(output: ChannelOutput, rests: bool) -> None:
    """Guards tank-falls: a valve that stands open may draw, and so may a pump whose valve is not seen open."""
    rig = Rig(small())
    last = changed(SAFE, channels={"a": output})
    memory, _ = sense(rig.plant, Sense(), rig.see(), last, Now(1.0, rig.at_s))
    assert (memory.channels["a"].rest != TankRest()) is rests
    rig.forced["selector"] = 0.0
    memory, _ = sense(rig.plant, Sense(), rig.see(), SAFE, Now(1.0, rig.at_s))
    assert memory.channels["a"].rest == TankRest(), "a hand may draw from it"


def _with_far_probe() -> Plant:
    """Return the small plant with an EC probe at its outermost emitter."""
    site = small().site
    block = site.block["creek"].model_copy(update={"far_ec": site.main.line_ec})
    return changed(small(), site=site.model_copy(update={"block": {"creek": block}}))


@pytest.mark.parametrize(("quality", "age_s"), [(Quality.GOOD, 0.0), (Quality.GOOD, 3600.0), (Quality.BAD, 0.0)])
@pytest.mark.parametrize("plant", [_with_far_probe, small])
def test_a_far_probe_tells_what_it_can_be_believed(quality: Quality, age_s: float, plant: Callable[[], Plant]) -> None:
    """Guards the front: a probe that the site has, read well and not long ago; that it is there is known anyway."""
    rig = Rig(plant())
    image = changed(rig.see(), far_ec_ms_cm={"creek": Reading(0.9, quality, rig.at_s - age_s)})
    _, facts = sense(rig.plant, Sense(), image, SAFE, Now(1.0, rig.at_s))
    is_told = plant is _with_far_probe and quality is Quality.GOOD and age_s == 0.0
    assert facts.far_ec_ms_cm == ({"creek": 0.9} if is_told else {}) and facts.far_probes == {"creek"}


@pytest.mark.parametrize(
    ("contact", "output", "last", "is_washing"),
    [
        (0.0, 0.0, False, False),
        (1.0, 0.0, False, True),
        (None, 0.0, False, None),
        (0.0, 1.0, True, True),
        (None, 1.0, True, True),
    ],
)
def test_a_wash_is_under_way_by_its_contact_or_our_own_output(
    contact: float | None, output: float, last: bool, is_washing: bool | None
) -> None:
    """Guards rule 17: what we wash is known without the contact, which may lag; else a lost contact is not known."""
    rig = Rig(_filtered())
    if contact is None:
        rig.bad.add("backwashing")
    else:
        rig.forced["backwashing"] = contact
    rig.forced["output.backwash"] = output
    memory, facts = sense(rig.plant, Sense(), rig.see(), changed(SAFE, backwash=last), Now(1.0, rig.at_s))
    assert facts.is_washing is is_washing
    assert memory.quiet_s == (math.inf if is_washing is False else 0.0)
    assert facts.is_filter_quiet is (is_washing is False)


def test_a_filter_is_quiet_once_it_has_recovered() -> None:
    """Guards rule 17: from ten seconds after a wash on, and one without a filter always."""
    rig = Rig(_filtered())
    memory = Sense(quiet_s=0.0)
    quiet = []
    for _ in range(11):
        memory, facts = sense(rig.plant, memory, rig.see(), SAFE, Now(1.0, rig.at_s))
        quiet.append(facts.is_filter_quiet)
    assert quiet == [False] * 9 + [True] * 2
    assert sense(small(), Sense(quiet_s=0.0), Rig(small()).see(), SAFE, Now(1.0, 5000.0))[1].is_filter_quiet


@pytest.mark.parametrize(("name", "is_bad", "kpa"), [("filter_kpa", False, 42.0), ("filter_kpa", True, 0.0)])
def test_the_filters_pressure_difference_is_nothing_while_it_is_not_read(name: str, is_bad: bool, kpa: float) -> None:
    """Guards the wash: no difference that is not GOOD begins one."""
    rig = Rig(_filtered())
    rig.filter_kpa = 42.0
    rig.bad.update({name} if is_bad else set())
    assert sense(rig.plant, Sense(), rig.see(), SAFE, Now(1.0, rig.at_s))[1].filter_kpa == kpa
    blind = filtered(CONTACT, "meter filter injection")
    assert sense(blind, Sense(), rig.see(), SAFE, Now(1.0, rig.at_s))[1].filter_kpa == 0.0, "it measures none"


def test_a_pump_without_a_contact_runs_as_it_was_told() -> None:
    """Guards a plant without the contact, and without a pump: what was commanded last stands for it."""
    rig = Rig(supplied("gravity"))
    for pump in (True, False):
        last = changed(SAFE, pump=pump)
        assert sense(rig.plant, Sense(), rig.see(), last, Now(1.0, rig.at_s))[1].pump_running is pump

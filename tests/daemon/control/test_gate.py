"""The gate by itself: what it removes of pump, valves, injectors and backwash, and on whose path an injector opens."""

from collections.abc import Mapping
from typing import Any

import pytest

from daemon.control.gate import gate
from daemon.control.guard import Verdict
from daemon.control.image import SAFE, ChannelOutput, Outputs
from daemon.control.injection import Want
from daemon.control.lease import FORCE, NOTHING, Lease, Merged
from daemon.control.run import Run, begin
from daemon.control.sense import Facts
from daemon.control.states import Effect, Phase, ProcedureState, Unit, UnitMode
from daemon.control.water import WaterWant
from daemon.site import Site
from tests.daemon.control.plant import Rig, changed, short_recipe, small
from tests.daemon.control.sites import OURS, every, filtered, night, supplied

_P = ProcedureState
_CREEK = frozenset({"creek"})
_WELL = Verdict(Effect.NONE, (), (), ())
_INJECT = Unit(UnitMode.SEMI_AUTOMATIC, _P.RUNNING, Phase.INJECT)
_REST = Unit(UnitMode.SEMI_AUTOMATIC)
_OPEN = Outputs(True, 0.0, _CREEK, {"a": ChannelOutput(True, True, 0.5)}, False)
_WATER = WaterWant(True, 0.7, _CREEK, True)
_ON = {"a": Want(True, True, 0.4)}
_RUN = begin(short_recipe())._replace(intents={"a": 5})
_INJECTOR = Lease("l1", FORCE, "injector.a", True, 60.0, "Mira", "a look", row=5)
_FORCED = Merged(pump=True, open=_CREEK, injectors={"a": _INJECTOR})


def _facts(**changes: Any) -> Facts:
    """Return facts that permit everything, but for these."""
    facts = Rig(small()).scan().facts
    channel = facts.channels["a"]._replace(meter_good=True, content_good=True, content_l=800.0)
    well: dict[str, Any] = {
        **{"flow_good": True, "flow_proven": True, "water_good": True, "pressure_good": True, "pressure_kpa": 300.0},
        **{"outputs_seen": True, "outputs_match": True, "watchdog_armed": True, "pump_running": True, "durable": 5},
        **{"emergency_stop_healthy": True, "selector_auto": True, "channels": {"a": channel}},
    }
    return facts._replace(**{**well, **changes})


def _gated(
    *,
    site: Site | None = None,
    unit: Unit = _INJECT,
    run: Run | None = _RUN,
    verdict: Verdict = _WELL,
    facts: Facts | None = None,
    last: Outputs = _OPEN,
    water: WaterWant = _WATER,
    wants: Mapping[str, Want] = _ON,
    backwash: bool = False,
    forced: Merged = NOTHING,
) -> Outputs:
    return gate(site or small().site, unit, run, verdict, facts or _facts(), last, water, wants, backwash, forced)


def _is_on(outputs: Outputs) -> bool:
    return any(channel.run for channel in outputs.channels.values())


def test_what_is_wanted_and_permitted_comes_on_as_it_is_wanted() -> None:
    """Guards the gate's other half: with every permit it takes nothing away."""
    assert _gated() == Outputs(True, 0.7, _CREEK, {"a": ChannelOutput(True, True, 0.4)}, False)


@pytest.mark.parametrize("effect", Effect)
def test_what_each_effect_leaves_on(effect: Effect) -> None:
    """Guards the effects: injectors go under any, all outputs by RELEASE, pump and injection valves by ZERO."""
    outputs = _gated(verdict=_WELL._replace(effect=effect))
    if effect is Effect.RELEASE:
        assert outputs == SAFE
        return
    assert _is_on(outputs) is (effect is Effect.NONE)
    assert outputs.pump is (effect is not Effect.ZERO) and outputs.blocks == _CREEK
    assert outputs.pump_speed == (0.0 if effect is Effect.ZERO else 0.7)
    assert ("a" in outputs.channels) is (effect is not Effect.ZERO), "its valve shuts a scan after it"


@pytest.mark.parametrize("facts", [{"emergency_stop_healthy": False}, {"selector_auto": False}])
def test_the_safety_circuit_takes_everything(facts: dict[str, bool]) -> None:
    """Guards invariant 4 and rule 7 without the matrix."""
    assert _gated(facts=_facts(**facts)) == SAFE


def test_a_pump_that_is_off_has_no_speed_and_no_injector() -> None:
    """Guards invariant 1: no stock without the supply that is commanded now, and the scan before."""
    outputs = _gated(water=WaterWant(False, 0.7, _CREEK, True))
    assert outputs == Outputs(False, 0.0, _CREEK, {"a": ChannelOutput(valve=True)}, False)
    assert not _is_on(_gated(last=changed(_OPEN, pump=False)))


@pytest.mark.parametrize(("durable", "is_on"), [(4, False), (5, True), (6, True)])
def test_an_injector_waits_for_its_row_to_be_on_disk(durable: int, is_on: bool) -> None:
    """Guards commit before opening: in a run its intent, under force its lease."""
    assert _is_on(_gated(facts=_facts(durable=durable))) is is_on
    forced = _gated(unit=_REST, run=None, facts=_facts(durable=durable), forced=_FORCED)
    assert _is_on(forced) is is_on


@pytest.mark.parametrize(
    "changes",
    [
        {"unit": changed(_INJECT, phase=Phase.PREWET)},
        {"unit": changed(_INJECT, phase=Phase.FLUSH)},
        {"unit": changed(_INJECT, procedure=_P.HELD)},
        {"unit": changed(_INJECT, procedure=_P.RESTARTING)},
        {"run": None},
        {"run": _RUN._replace(given_up="an airlock")},
        {"run": _RUN._replace(intents={})},
        {"run": _RUN._replace(intents={"b": 5})},
        {"last": changed(_OPEN, blocks=frozenset({"creek", "ridge"}))},
        {"last": changed(_OPEN, blocks=frozenset())},
        {"water": changed(_WATER, blocks=frozenset({"creek", "ridge"}))},
        {"water": changed(_WATER, blocks=frozenset({"ridge"})), "last": changed(_OPEN, blocks=frozenset({"ridge"}))},
        {"forced": Merged(shut=_CREEK)},
        {"forced": Merged(pump=False)},
        {"forced": Merged(injectors={"a": changed(_INJECTOR, is_on=False)})},
        {"wants": {"a": Want(True, False, 0.0)}},
        {"wants": {}},
    ],
)
def test_a_runs_injector_is_on_in_inject_on_its_own_path_alone(changes: dict[str, Any]) -> None:
    """Guards invariants 1 and 2 and rule 14: its phase, its intent, its valves alone, and no force against it."""
    assert not _is_on(_gated(**changes))


@pytest.mark.parametrize(
    "forced",
    [
        Merged(shut=frozenset({"ridge"})),
        Merged(pump=True),
        Merged(injectors={"b": changed(_INJECTOR, is_on=False)}),
        _FORCED,
    ],
)
def test_a_force_elsewhere_leaves_a_runs_injector_on(forced: Merged) -> None:
    """Guards rule 14's other half: what is forced and changes nothing of the shift's water takes nothing."""
    assert _is_on(_gated(forced=forced))


def test_in_a_run_a_lease_opens_no_injector() -> None:
    """Guards invariant 1: while a run is active an injector is the run's, and needs its intent."""
    assert not _is_on(_gated(run=_RUN._replace(intents={}), forced=_FORCED))


@pytest.mark.parametrize(
    ("changes", "is_on"),
    [
        ({}, True),
        ({"forced": changed(_FORCED, pump=None)}, False),
        ({"forced": changed(_FORCED, pump=False)}, False),
        ({"forced": changed(_FORCED, pump=None), "site": supplied("gravity").site}, True),
        ({"forced": changed(_FORCED, open=frozenset())}, False),
        (
            {
                "forced": changed(_FORCED, open=frozenset()),
                "water": changed(_WATER, blocks=frozenset()),
                "last": changed(_OPEN, blocks=frozenset()),
            },
            False,
        ),
        ({"forced": changed(_FORCED, open=frozenset({"creek", "ridge"}))}, False),
        ({"last": changed(_OPEN, blocks=frozenset({"creek", "ridge"}))}, False),
        ({"water": changed(_WATER, blocks=frozenset({"creek", "ridge"}))}, False),
        ({"water": changed(_WATER, are_open=False)}, False),
        ({"forced": changed(_FORCED, injectors={"a": changed(_INJECTOR, is_on=False)})}, False),
        ({"forced": changed(_FORCED, injectors={})}, False),
    ],
)
def test_a_forced_injector_opens_on_forced_water_alone(changes: dict[str, Any], is_on: bool) -> None:
    """Guards invariant 1 under override: forced valves, open for their travel, no other one, and a forced supply."""
    given: dict[str, Any] = {"forced": _FORCED, **changes}
    for unit in (_REST, changed(_REST, procedure=_P.COMPLETE)):
        assert _is_on(_gated(unit=unit, run=None, **given)) is is_on


def test_a_valve_shuts_a_scan_after_its_injector() -> None:
    """Guards the order: a pump that was on pushes against no shut valve; one that was off shuts it at once."""
    wants = {"a": Want(True, False, 0.0)}
    nothing = _RUN._replace(intents={})
    assert _gated(run=nothing, wants=wants).channels == {"a": ChannelOutput(valve=True)}
    for last in (changed(_OPEN, channels={"a": ChannelOutput(valve=True)}), changed(_OPEN, channels={})):
        assert _gated(run=nothing, wants=wants, last=last).channels == {}
    assert _gated(run=nothing, wants={"a": Want(False, False, 0.0)}).channels == {}
    with_intent = _gated(wants=wants, last=changed(_OPEN, channels={}))
    assert with_intent.channels == {"a": ChannelOutput(valve=True)}, "a scan before its injector"


@pytest.mark.parametrize(
    ("channel", "bypassed", "is_on"),
    [
        ({}, "", True),
        ({"meter_good": False}, "", False),
        ({"meter_good": False}, "tank-level-bad", False),
        ({"content_l": 39.9}, "", False),
        ({"content_l": 40.0}, "", True),
        ({"content_l": 39.9}, "tank-level-bad", False),
        ({"content_good": False}, "", False),
        ({"content_good": False, "content_l": 0.0}, "tank-level-bad", True),
        ({"content_good": False, "meter_good": False}, "tank-level-bad", False),
        ({"content_good": False}, "injector-rate", False),
    ],
)
def test_a_channels_own_permits(channel: dict[str, Any], bypassed: str, is_on: bool) -> None:
    """Guards invariant 1: its meter read, and its tank above the low level unless a technician set that aside."""
    assert small().site.tank["a"].low_l == 40.0
    facts = _facts()
    facts = facts._replace(channels={"a": facts.channels["a"]._replace(**channel)})
    assert _is_on(_gated(facts=facts, verdict=_WELL._replace(bypassed=frozenset({bypassed})))) is is_on


@pytest.mark.parametrize("meter_good", [True, False])
def test_a_tank_without_a_level_needs_its_meter(meter_good: bool) -> None:
    """Guards the displacement tank, which is always full: nothing is asked of a level that it does not have."""
    plant = every()
    recipe = night(plant, ("terrace", "flat"), 8.0, ("e", 9.8, 4.0))
    blocks = frozenset({"terrace", "flat"})
    channel = _facts().channels["a"]._replace(meter_good=meter_good, content_good=False, content_l=0.0)
    outputs = _gated(
        site=plant.site,
        run=begin(recipe)._replace(intents={"e": 5}),
        facts=_facts(channels={"e": channel}),
        last=changed(_OPEN, blocks=blocks, channels={}),
        water=changed(_WATER, blocks=blocks),
        wants={"e": Want(True, True, 1.0)},
    )
    assert _is_on(outputs) is meter_good


def _washed(**changes: Any) -> bool:
    site = filtered(OURS, "meter filter injection").site
    given: dict[str, Any] = {"site": site, "wants": {}, "backwash": True, **changes}
    return _gated(**given).backwash


_WASHING = changed(_OPEN, backwash=True)


@pytest.mark.parametrize(
    ("changes", "may"),
    [
        ({}, True),
        ({"backwash": False}, False),
        ({"water": changed(_WATER, pump=False)}, False),
        ({"wants": _ON}, False),
        ({"verdict": _WELL._replace(effect=Effect.PAUSE)}, True),
        ({"verdict": _WELL._replace(effect=Effect.TWO)}, True),
        ({"verdict": _WELL._replace(effect=Effect.ONE)}, False),
        ({"facts": _facts(flow_proven=False)}, False),
        ({"facts": _facts(outputs_seen=False)}, False),
        ({"facts": _facts(selector_auto=None)}, False),
        ({"facts": _facts(emergency_stop_healthy=None)}, False),
        ({"facts": _facts(outputs_seen=False), "last": _WASHING}, True),
        ({"facts": _facts(selector_auto=None), "last": _WASHING}, True),
        ({"facts": _facts(flow_proven=False), "last": _WASHING}, False),
    ],
)
def test_a_wash_begins_with_every_permit_and_goes_on_while_water_flows(changes: dict[str, Any], may: bool) -> None:
    """Guards rule 17: never with an injector on, without flow, or in a stop; one under way needs no permit to go on."""
    assert _washed(**changes) is may


def test_a_wash_before_the_meter_hides_the_flow_that_it_takes() -> None:
    """Guards the order of filter and meter: what our own wash takes never reaches the meter, and is no lost flow."""
    site = filtered(OURS, "filter meter injection").site
    for last, may in ((_WASHING, True), (_OPEN, False)):
        outputs = _gated(site=site, wants={}, backwash=True, facts=_facts(flow_proven=False), last=last)
        assert outputs.backwash is may


def test_what_is_at_its_limit_is_permitted() -> None:
    """Guards the limits as they are written: a pressure of the least, and a row as old as it may be."""
    site = small().site
    assert _is_on(_gated(facts=_facts(pressure_kpa=site.main.min_pressure_kpa)))
    assert _is_on(_gated(facts=_facts(commit_late_s=site.limits.commit_age_s)))

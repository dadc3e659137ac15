"""The gate over every set of permits: an injector is on with all of them, and off without any single or several."""

import itertools
from typing import Any

import pytest

from daemon.control.gate import gate
from daemon.control.image import SAFE, ChannelOutput, Outputs
from daemon.control.injection import Want
from daemon.control.states import Effect, Phase
from daemon.control.water import WaterWant
from tests.daemon.control.plant import reached
from tests.figures import record

_FACTS: dict[str, tuple[Any, ...]] = {
    "flow_good": (True, False),
    "flow_proven": (True, False),
    "water_good": (True, False),
    "pressure_good": (True, False),
    "pressure_kpa": (300.0, 20.0),
    "emergency_stop_healthy": (True, False, None),
    "selector_auto": (True, False, None),
    "outputs_seen": (True, False),
    "outputs_match": (True, False),
    "watchdog_armed": (True, False),
    "pump_running": (True, False, None),
    "is_filter_quiet": (True, False),
    "ledger_writable": (True, False),
    "commit_late_s": (0.0, 99.0),
    "durable": (1_000_000, -1),
}
"""Each permit of the plant and the record, the value that permits first."""
_CHANNEL: dict[str, tuple[Any, ...]] = {
    "meter_good": (True, False),
    "content_good": (True, False),
    "content_l": (800.0, 1.0),
}


@pytest.mark.parametrize("name", [*_FACTS, *_CHANNEL])
def test_each_permit_alone_shuts_the_injector(name: str) -> None:
    """Guards invariant 1 in the default run: with all the others given, none may be missing or not known."""
    rig = reached(Phase.INJECT)
    decision, run = rig.scan(), rig.state.run
    assert run is not None
    facts = decision.facts._replace(**{permit: values[0] for permit, values in _FACTS.items()})
    channel = facts.channels["a"]._replace(**{permit: values[0] for permit, values in _CHANNEL.items()})
    verdict = decision.verdict._replace(effect=Effect.NONE)
    last = Outputs(True, 0.0, run.blocks, {"a": ChannelOutput(True, True, 0.5)}, False)
    wanted, wants = WaterWant(True, 0.0, run.blocks, True), {"a": Want(True, True, 0.5)}
    for value in {**_FACTS, **_CHANNEL}[name]:
        seen = facts._replace(**{name: value}) if name in _FACTS else facts
        seen_channel = channel if name in _FACTS else channel._replace(**{name: value})
        seen = seen._replace(channels={**facts.channels, "a": seen_channel})
        outputs = gate(rig.plant.site, rig.state.unit, run, verdict, seen, last, wanted, wants, False)
        is_permitted = value == {**_FACTS, **_CHANNEL}[name][0]
        assert any(one.run for one in outputs.channels.values()) is is_permitted, value
        if value is False and name in ("emergency_stop_healthy", "selector_auto"):
            assert outputs == SAFE, "invariant 4 and rule 7, whatever the matrix says"


@pytest.mark.proof
@pytest.mark.timeout(400)
def test_every_set_of_permits() -> None:
    """Guards invariants 1, 4 and 5: of 884,736 sets of facts exactly the whole one lets stock flow."""
    rig = reached(Phase.INJECT)
    site, decision = rig.plant.site, rig.scan()
    facts, verdict = decision.facts, decision.verdict._replace(effect=Effect.NONE)
    state, run = rig.state, rig.state.run
    assert run is not None
    last = Outputs(True, 0.0, run.blocks, {"a": ChannelOutput(True, True, 0.5)}, False)
    wanted = WaterWant(True, 0.0, run.blocks, True)
    wants = {"a": Want(True, True, 0.5)}
    sets = open_sets = 0
    for channel_values in itertools.product(*_CHANNEL.values()):
        channel = facts.channels["a"]._replace(**dict(zip(_CHANNEL, channel_values, strict=True)))
        channels = {**facts.channels, "a": channel}
        channel_permits = all(value == of[0] for value, of in zip(channel_values, _CHANNEL.values(), strict=True))
        for values in itertools.product(*_FACTS.values()):
            given = facts._replace(channels=channels, **dict(zip(_FACTS, values, strict=True)))
            outputs = gate(site, state.unit, run, verdict, given, last, wanted, wants, False)
            permits = channel_permits and all(v == of[0] for v, of in zip(values, _FACTS.values(), strict=True))
            is_on = any(one.run for one in outputs.channels.values())
            assert is_on is permits, (channel_values, values)
            sets, open_sets = sets + 1, open_sets + is_on
    assert open_sets == 1
    record(
        "search_gate",
        claim="the gate over every set of permits",
        test="tests/daemon/control/search/test_gate.py",
        aim="all sets; on with the whole one alone",
        reached=f"{sets:,} sets of {len(_FACTS) + len(_CHANNEL)} permits, on with one",
        limit="one channel in INJECT, no cause in force",
    )


@pytest.mark.parametrize("effect", [effect for effect in Effect if effect is not Effect.NONE])
def test_no_injector_with_a_cause_in_force(effect: Effect) -> None:
    """Guards the matrix's floor: whatever is in force, all else permitting, shuts the injector."""
    rig = reached(Phase.INJECT)
    decision = rig.scan()
    run = rig.state.run
    assert run is not None
    last = Outputs(True, 0.0, run.blocks, {"a": ChannelOutput(True, True, 0.5)}, False)
    wanted, wants = WaterWant(True, 0.0, run.blocks, True), {"a": Want(True, True, 0.5)}
    verdict = decision.verdict._replace(effect=effect)
    outputs = gate(rig.plant.site, rig.state.unit, run, verdict, decision.facts, last, wanted, wants, False)
    assert not any(channel.run for channel in outputs.channels.values())

"""Forces and bypasses: what they may have, what they never have, and when they end."""

from typing import Any

import pytest

from daemon.control.guard import Verdict
from daemon.control.lease import BYPASS, FORCE, NOTHING, Lease, bypassed, merged
from daemon.control.leases import follow_leases, waiting_for
from daemon.control.requests import Asked, Request
from daemon.control.states import Effect, Phase, ProcedureState, UnitMode
from daemon.evidence import FlushOwed, LeaseEnded, LeaseGranted, Unscheduled
from daemon.messages import OPERATOR, TECHNICIAN, Answer, Verb
from tests.daemon.control.plant import Rig, of_kind, reached, short_recipe, small
from tests.daemon.control.spec import injectors

_N = iter(range(10_000))


def _lease(target: str, is_on: bool = True, left_s: float = 60.0, kind: str = FORCE, **more: Any) -> Lease:
    return Lease(f"l{next(_N)}", kind, target, is_on, left_s, "Mira", "a look", **more)


def _force(rig: Rig, *leases: Lease, role: str = OPERATOR) -> list[Answer]:
    verbs = {FORCE: Verb.FORCE, BYPASS: Verb.BYPASS}
    requests = [Request(lease.id, verbs[lease.kind], role=role, who=lease.who, lease=lease) for lease in leases]
    return list(rig.scan(*requests).answers)


def _opened(rig: Rig) -> None:
    """Force the creek block's water on, until it flows."""
    assert all(
        answer.accepted for answer in _force(rig, _lease("pump", left_s=300.0), _lease("valve.creek", left_s=300.0))
    )
    rig.until(lambda state: state.outputs.pump, most=60)
    rig.scans(15)


def test_forced_water_comes_in_its_order_and_goes_with_its_lease() -> None:
    """Guards invariant 9 and the pump's order: valve, pump, and at the end of the leases pump and valve again."""
    rig = Rig(small())
    _opened(rig)
    assert rig.state.outputs.blocks == {"creek"} and rig.state.unit.procedure is ProcedureState.IDLE
    rig.scans(330)
    assert not rig.state.leases and not rig.state.outputs.pump and not rig.state.outputs.blocks
    assert [row.target for row in of_kind(rig.rows, LeaseGranted)] == ["pump", "valve.creek"]
    assert {row.why for row in of_kind(rig.rows, LeaseEnded)} == {"its time is over"}
    assert sum(row.volume_ml for row in of_kind(rig.rows, Unscheduled) if row.channel == "main") > 0


def test_a_forced_injector_opens_only_on_forced_and_proven_water_and_owes_its_flush_first() -> None:
    """Guards invariants 1 and 2 under override: no water, no stock; and the flush is owed before the injector opens."""
    rig = Rig(small())
    assert _force(rig, _lease("injector.a"))[0].accepted
    rig.scans(20)
    assert not injectors(rig.state.outputs)
    rig.scan(Request("all", Verb.RELEASE))
    _opened(rig)
    assert _force(rig, _lease("injector.a", drive=0.5))[0].accepted
    before = rig.state.lines.owed
    rig.until(lambda state: bool(injectors(state.outputs)), most=8)
    assert before or rig.state.lines.owed
    assert {(row.segment, row.stock) for row in of_kind(rig.rows, FlushOwed)} == {
        ("main", "injector a"),
        ("creek", "injector a"),
    }
    rig.scans(20)
    rig.bad.add("flow")
    rig.scan()
    assert not injectors(rig.state.outputs), "invariant 1 holds under force"


def test_a_forced_injector_waits_for_the_debt_of_a_pipe_that_opens_after_its_lease() -> None:
    """Guards invariant 2 under override: a block that is opened later is owed its flush on disk before stock enters."""
    rig = Rig(small())
    assert _force(rig, _lease("injector.a", left_s=300.0, drive=0.5))[0].accepted
    rig.scans(3)
    assert [item.segment for item in rig.state.lines.owed] == ["main"]
    assert _force(rig, _lease("pump"), _lease("valve.creek"))[0].accepted
    rows = {lease.target: rig.rows[lease.row - 1] for lease in rig.state.leases}
    debt = rows["injector.a"]
    assert isinstance(debt, FlushOwed) and (debt.segment, debt.stock) == ("creek", "injector a")
    assert all(isinstance(rows[target], LeaseGranted) for target in ("pump", "valve.creek")), "water waits for no debt"


@pytest.mark.parametrize(
    ("name", "value"), [("emergency_stop", 0.0), ("selector", 0.0), ("pressure", 460.0)], ids=lambda value: str(value)
)
def test_leases_end_when_all_outputs_go(name: str, value: float) -> None:
    """Guards rule 7 and category ZERO: what takes all outputs away ends what was forced for good."""
    rig = Rig(small())
    _opened(rig)
    rig.forced[name] = value
    rig.scans(4)
    assert not rig.state.leases and not rig.state.outputs.pump
    rig.forced.clear()
    rig.scans(30)
    assert not rig.state.outputs.pump and not rig.state.outputs.blocks


@pytest.mark.parametrize("verb", [Verb.STOP_EVERYTHING, Verb.RELEASE])
def test_stop_everything_and_release_end_what_is_forced(verb: Verb) -> None:
    """Guards invariant 11 under override."""
    rig = Rig(small())
    _opened(rig)
    rig.scan(verb)
    assert not rig.state.leases
    rig.scans(20)
    assert not rig.state.outputs.pump and not rig.state.outputs.blocks


@pytest.mark.parametrize("phase", list(Phase))
def test_a_run_lets_no_injector_be_forced(phase: Phase) -> None:
    """Guards invariant 1: while a run is active an injector is its own."""
    rig = reached(phase)
    (answer,) = _force(rig, _lease("injector.a"))
    assert not answer.accepted and "no run is active" in answer.reason
    assert not rig.state.leases


@pytest.mark.parametrize("target", ["injector.a", "valve.creek", "pump"])
def test_what_is_forced_off_in_a_run_takes_its_injector_along(target: str) -> None:
    """Guards rule 14: a force that changes the path closes the injectors in that very scan."""
    rig = reached(Phase.INJECT)
    assert _force(rig, _lease(target, is_on=False))[0].accepted
    assert not injectors(rig.state.outputs)


@pytest.mark.parametrize("target", ["valve.creek", "pump"])
def test_a_fill_that_is_kept_from_its_water_ends_by_its_time(target: str) -> None:
    """Guards the phase's limit: no run waits unseen for what somebody holds off."""
    rig = reached(Phase.FILL)
    assert _force(rig, _lease(target, is_on=False, left_s=4.0 * 3600.0))[0].accepted
    rig.scans(int(rig.plant.site.limits.fill_max_s) + 20)
    assert rig.state.unit.procedure is ProcedureState.STOPPED


def test_only_a_technician_bypasses_and_nobody_what_is_critical() -> None:
    """Guards the roles: an operator is refused, and so is a technician where people, dose or water are guarded."""
    rig = Rig(small())
    (answer,) = _force(rig, _lease("injector-rate", kind=BYPASS))
    assert not answer.accepted and "technician" in answer.reason
    (answer,) = _force(rig, _lease("emergency-stop", kind=BYPASS), role=TECHNICIAN)
    assert not answer.accepted and "Nobody" in answer.reason
    assert not rig.state.leases


def test_a_bypassed_cause_is_shown_and_does_nothing_until_the_lease_ends() -> None:
    """Guards bypass: the pump's contact is set aside, and comes back into force by itself."""
    rig = reached(Phase.PREWET)
    assert _force(rig, _lease("pump-not-running", kind=BYPASS, left_s=40.0), role=TECHNICIAN)[0].accepted
    rig.forced["pump_running"] = 0.0
    rig.scans(20)
    assert "pump-not-running" in rig.state.guard.active
    assert rig.state.unit.procedure is ProcedureState.RUNNING
    rig.scans(25)
    assert rig.state.unit.procedure in (ProcedureState.STOPPING, ProcedureState.STOPPED)


def test_a_change_of_mode_ends_leases_and_out_of_service_grants_none() -> None:
    """Guards the modes: MANUAL keeps forces, OUT_OF_SERVICE has none."""
    rig = Rig(small())
    assert _force(rig, _lease("valve.creek"))[0].accepted
    assert rig.scan(Request("off", Verb.MODE, mode=UnitMode.OUT_OF_SERVICE)).answers[0].accepted
    assert not rig.state.leases
    assert not _force(rig, _lease("valve.creek"))[0].accepted
    assert not rig.start(short_recipe()).accepted
    assert rig.scan().verdict.effect is Effect.NONE


def test_a_forced_injector_goes_when_a_run_begins_and_when_it_gives_nothing() -> None:
    """Guards invariant 1: in a run every injector is the run's own; and one that is on and silent is let go."""
    rig = Rig(small())
    _opened(rig)
    assert _force(rig, _lease("injector.a", left_s=300.0))[0].accepted
    assert rig.start(short_recipe()).accepted
    assert [row.why for row in of_kind(rig.rows, LeaseEnded) if row.target == "injector.a"] == ["a run begins"]
    rig = Rig(small())
    _opened(rig)
    rig.silent.add("a")
    assert _force(rig, _lease("injector.a", left_s=300.0, drive=0.5))[0].accepted
    rig.until(lambda state: bool(injectors(state.outputs)), most=8)
    rig.scans(20)
    assert not injectors(rig.state.outputs)
    (ended,) = of_kind(rig.rows, LeaseEnded)
    assert ended.target == "injector.a" and "its meter counts nothing" in ended.why


def test_a_lease_in_the_place_of_another_ends_it() -> None:
    """Guards one lease a target: the later one holds, and the record says what became of the first."""
    rig = Rig(small())
    first, second = _lease("valve.creek"), _lease("valve.creek", is_on=False)
    assert _force(rig, first)[0].accepted and _force(rig, second)[0].accepted
    assert [lease.id for lease in rig.state.leases] == [second.id]
    assert [(row.lease, row.why) for row in of_kind(rig.rows, LeaseEnded)] == [
        (first.id, "another one was granted in its place")
    ]


def test_a_release_by_name_ends_that_lease_alone() -> None:
    """Guards RELEASE: what is named goes, the rest runs on."""
    rig = Rig(small())
    _force(rig, _lease("valve.creek"), _lease("injector.a", is_on=False))
    rig.scan(Request("one", Verb.RELEASE, target="injector.a"))
    assert [lease.target for lease in rig.state.leases] == ["valve.creek"]


_WELL = Verdict(Effect.NONE, (), (), ())
_RUNS = _lease("injector.a", left_s=60.0)
_SHUT = _lease("valve.creek", is_on=False, left_s=60.0)
_NOTHING_ASKED = Asked()


def _followed(
    *leases: Lease, asked: Asked = _NOTHING_ASKED, verdict: Verdict = _WELL, emitted: int = 0, **facts: Any
) -> tuple[dict[str, float], list[tuple[str, str]]]:
    """Return the targets that run on with their time, and (target, why) of those that ended."""
    seen = Rig(small()).scan().facts
    seen = seen._replace(
        channels={"a": seen.channels["a"]._replace(silent_s=facts.pop("silent_s", 0.0))}, **{"dt_s": 2.0, **facts}
    )
    left, rows = follow_leases(small().site, leases, asked, verdict, seen, emitted)
    return {lease.target: lease.left_s for lease in left}, [(row.target, row.why) for row in of_kind(rows, LeaseEnded)]


def test_a_lease_runs_down_to_its_end() -> None:
    """Guards the time of a lease: by each scan's seconds, and it ends with the scan that uses them up."""
    assert _followed(_RUNS, _SHUT) == ({"injector.a": 58.0, "valve.creek": 58.0}, [])
    assert _followed(_SHUT._replace(left_s=2.1))[1] == []
    assert _followed(_SHUT._replace(left_s=2.0)) == ({}, [("valve.creek", "its time is over")])
    assert _followed() == ({}, [])


@pytest.mark.parametrize(
    ("how", "why"),
    [
        ({"asked": Asked(stop_everything=True)}, "everything was stopped"),
        ({"emergency_stop_healthy": False}, "the emergency stop is pressed"),
        ({"selector_auto": False}, "the selector in the shed is not in Auto"),
        ({"verdict": _WELL._replace(causes=("burst",))}, "all outputs are off: burst"),
        (
            {"verdict": _WELL._replace(causes=("outputs-restarted", "burst"))},
            "all outputs are off: outputs-restarted, ",
        ),
        ({"asked": Asked(mode=UnitMode.MANUAL)}, "the mode was changed"),
        ({"asked": Asked(ended=())}, "released"),
    ],
)
def test_what_ends_every_lease(how: dict[str, Any], why: str) -> None:
    """Guards invariants 4, 9 and 11: what takes all outputs, or changes who commands, ends all that was forced."""
    left, ended = _followed(_RUNS, _SHUT, **how)
    assert not left and [target for target, _ in ended] == ["injector.a", "valve.creek"]
    assert all(told.startswith(why) for _, told in ended)


@pytest.mark.parametrize(
    "how",
    [
        {"emergency_stop_healthy": None},
        {"selector_auto": None},
        {"verdict": _WELL._replace(causes=("no-flow", "pressure-low"))},
        {"verdict": _WELL._replace(causes=("burst",), bypassed=frozenset({"burst"}))},
        {"asked": Asked(hold=True, stop_fertiliser=True, reset=True, acknowledged=(), ended=("pump",))},
    ],
)
def test_what_ends_no_lease(how: dict[str, Any]) -> None:
    """Guards a force against ending for what does not take its outputs: the gate removes what it may not have."""
    assert _followed(_RUNS, _SHUT, **how)[1] == []


@pytest.mark.parametrize(
    ("how", "why"),
    [
        ({"asked": Asked(start=(short_recipe(),))}, "a run begins"),
        ({"asked": Asked(restart=True)}, "a run begins"),
        ({"silent_s": 10.0}, "the injector is on and its meter counts nothing"),
        ({"silent_s": 9.9}, ""),
        ({"asked": Asked(ended=("injector.a",))}, "released"),
    ],
)
def test_what_ends_a_forced_injector_alone(how: dict[str, Any], why: str) -> None:
    """Guards invariant 1: a run's injectors are its own, and one that gives nothing is let go; water is left alone."""
    assert small().site.injector["a"].stroke_window_s == 10.0
    off = _RUNS._replace(is_on=False, target="injector.b")
    left, ended = _followed(_RUNS, _SHUT, off, **how)
    assert ended == ([("injector.a", why)] if why else [])
    assert {"valve.creek", "injector.b"} <= left.keys(), "held off it opens nothing"


def test_a_lease_remembers_the_row_that_tells_of_it() -> None:
    """Guards commit before opening: the number of its own row, behind those that were made before it."""
    old, new = _lease("valve.creek"), _lease("valve.creek", is_on=False)
    other = _lease("valve.creek", kind=BYPASS)
    asked = Asked(granted=(new, _RUNS))
    left, rows = follow_leases(small().site, (old, other), asked, _WELL, Rig(small()).scan().facts, 40)
    assert [type(row).__name__ for row in rows] == ["LeaseEnded", "LeaseGranted", "LeaseGranted"]
    assert [(lease.id, lease.row) for lease in left] == [(other.id, 0), (new.id, 42), (_RUNS.id, 43)]
    granted = of_kind(rows, LeaseGranted)[1]
    assert granted == LeaseGranted(_RUNS.id, FORCE, "injector.a", True, 60, "Mira", "a look")
    assert new.left_s == next(lease.left_s for lease in left if lease.id == new.id), (
        "its time begins with the next scan"
    )


def test_a_forced_injector_waits_for_a_debt_that_comes_later() -> None:
    """Guards invariant 2 under override: only what lets stock in waits."""
    off = _RUNS._replace(is_on=False)
    assert [lease.row for lease in waiting_for((_RUNS, off, _SHUT), 77)] == [77, 0, 0]


@pytest.mark.parametrize(
    ("lease", "forces"),
    [
        (_RUNS, True),
        (_RUNS._replace(is_on=False), False),
        (_RUNS._replace(kind=BYPASS), False),
        (_lease("valve.creek"), False),
    ],
)
def test_what_asks_for_stock(lease: Lease, forces: bool) -> None:
    """Guards what an injector's lease is: a force, of an injector, on."""
    assert lease.forces_injector_on is forces


def test_what_leases_ask_together() -> None:
    """Guards the merge: the later of two on one target holds; valves by what they are held at; no bypass."""
    leases = (
        _lease("pump"),
        _lease("valve.creek"),
        _lease("valve.ridge", is_on=False),
        _lease("injector.a", is_on=False),
        _RUNS,
        _lease("injector.b", is_on=False),
        _lease("injector-rate", kind=BYPASS),
    )
    found = merged(leases)
    assert found.pump is True and found.open == {"creek"} and found.shut == {"ridge"}
    assert found.injectors == {"a": _RUNS, "b": leases[5]} and found.shut_channels == {"b"}
    assert bypassed(leases) == {"injector-rate"}
    assert merged(()) is NOTHING and merged((leases[6],)) is NOTHING
    assert merged((_lease("valve.creek"),)).pump is None and merged((_lease("pump", is_on=False),)).pump is False

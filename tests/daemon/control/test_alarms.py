"""Alarms by ISA-18.2: delay, dead band, latch, shelving, first-out, floods; and that nothing that acts reads them."""

from collections.abc import Iterable
from dataclasses import replace

import pytest

from daemon.control.alarms import Alarm, Alarms, alarms, state_of
from daemon.control.cause import Priority
from daemon.control.decide import Decision
from daemon.control.guard import Verdict
from daemon.control.interlocks import BY_CODE, MATRIX
from daemon.control.requests import Asked, Request
from daemon.control.states import Effect, Phase
from daemon.evidence import Event
from daemon.messages import Verb
from tests.daemon.control.plant import Rig, of_kind, reached

_QUIET = Verdict(Effect.NONE, (), (), ())


class _Desk:
    """Sees the alarms scan by scan."""

    def __init__(self) -> None:
        self.memory = Alarms()
        self.announced: list[str] = []

    def scan(self, *causes: str, asked: Asked | None = None, dt_s: float = 1.0, bypassed: Iterable[str] = ()) -> None:
        verdict = _QUIET._replace(causes=causes, bypassed=frozenset(bypassed))
        self.memory, rows = alarms(self.memory, verdict, asked or Asked(), dt_s)
        self.announced += [row.detail.split('"code":"')[1].split('"')[0] for row in rows if isinstance(row, Event)]

    def scans(self, count: int, *causes: str) -> None:
        for _ in range(count):
            self.scan(*causes)

    def __getitem__(self, code: str) -> Alarm:
        return self.memory.by_code[code]

    def state(self, code: str, holds: bool = True) -> str:
        return state_of(self[code], holds, False)


def test_what_only_pauses_is_announced_once_it_lasts() -> None:
    """Delay: a pause of a few seconds calls nobody, and one that goes on does, once."""
    desk = _Desk()
    desk.scans(8, "flow-out-of-band")
    assert not desk.announced and desk.state("flow-out-of-band") == "not announced yet"
    desk.scans(12)
    assert not desk.memory.by_code, "it was over before it was an alarm"
    desk.scans(30, "flow-out-of-band")
    assert desk.announced == ["flow-out-of-band"]


def test_each_time_that_an_alarm_waits_is_what_it_says() -> None:
    """Guards the seconds: a pause is announced after ten, and gone after ten without it."""
    desk = _Desk()
    desk.scans(10, "flow-out-of-band")
    assert not desk.announced
    desk.scan("flow-out-of-band")
    assert desk.announced == ["flow-out-of-band"] and desk["flow-out-of-band"].age_s == 10.0
    desk.scans(9)
    assert desk["flow-out-of-band"].is_true
    desk.scan()
    assert not desk["flow-out-of-band"].is_true


def test_what_comes_back_after_it_was_gone_is_a_new_alarm() -> None:
    """Guards its age and its acknowledgement: neither is the last one's; what was shelved stays shelved."""
    desk = _Desk()
    desk.scan("no-flow")
    desk.scan("no-flow", asked=Asked(acknowledged=("no-flow",), shelved=(("no-flow", 60.0),)))
    desk.scans(10)
    assert not desk["no-flow"].is_true
    desk.scan("no-flow")
    assert desk["no-flow"] == Alarm(is_true=True, is_first=True, shelved_s=49.0)


@pytest.mark.parametrize(("after_s", "state"), [(59, "suppressed"), (60, "unacknowledged")])
def test_a_consequence_comes_within_a_minute(after_s: int, state: str) -> None:
    """Guards first-out by its second: what comes a minute and a scan after a stop is its own alarm."""
    desk = _Desk()
    desk.scans(after_s + 1, "pump-not-running")
    desk.scan("pump-not-running", "tank-empty")
    assert desk["pump-not-running"].age_s == after_s + 1.0
    assert desk.state("tank-empty") == state


def test_what_only_pauses_has_no_consequences() -> None:
    """Guards first-out: behind a pause that came first a stop is announced; behind a stop that is gone, too."""
    desk = _Desk()
    desk.scan("flow-out-of-band")
    desk.scan("flow-out-of-band", "no-flow")
    assert desk["flow-out-of-band"].is_first and desk.announced == ["no-flow"]
    desk = _Desk()
    desk.scan("no-flow")
    desk.scans(10)
    desk.scan("tank-empty", "pressure-stays-low")
    assert not desk["no-flow"].is_true
    assert desk["pressure-stays-low"].is_first and desk.announced == ["no-flow", "pressure-stays-low"]


def test_acknowledging_one_leaves_the_others() -> None:
    """Guards acknowledgement by name, and of what is no alarm: nothing comes of it."""
    desk = _Desk()
    desk.scan("no-flow", "burst")
    desk.scan("no-flow", "burst", asked=Asked(acknowledged=("burst", "siphon")))
    assert desk["burst"].is_acknowledged and not desk["no-flow"].is_acknowledged
    assert "siphon" not in desk.memory.by_code
    desk.scan("no-flow", "burst", asked=Asked(acknowledged=()))
    assert desk["no-flow"].is_acknowledged


def test_shelving_what_is_quiet_is_remembered() -> None:
    """Guards shelving by itself: it needs no alarm, no acknowledgement, and ends by its time."""
    desk = _Desk()
    desk.scan(asked=Asked(shelved=(("siphon", 3.0),)))
    assert desk["siphon"].shelved_s == 3.0
    desk.scans(2)
    assert desk["siphon"].shelved_s == 1.0
    desk.scan()
    assert not desk.memory.by_code


def test_a_flood_is_over_after_ten_minutes() -> None:
    """Guards the flood by its count and its time: the eleventh waits, until one of the ten is ten minutes old."""
    codes = [row.code for row in MATRIX if row.priority is Priority.HIGH and row.effect is Effect.WATER_ONLY]
    codes += [row.code for row in MATRIX if row.priority is Priority.HIGH and row.effect is Effect.PAUSE]
    codes += [row.code for row in MATRIX if row.priority is Priority.MEDIUM and row.effect < Effect.ONE]
    codes = [code for code in codes if BY_CODE[code].priority is not Priority.NONE][:12]
    desk = _Desk()
    desk.scans(12, *codes[:9])
    assert len(desk.announced) == 9
    desk.scans(12, *codes[:10])
    assert len(desk.announced) == 10
    desk.scans(12, *codes[:11])
    assert len(desk.announced) == 10 and desk.state(codes[10]) == "suppressed"
    assert not desk[codes[9]].is_suppressed
    desk.scan(*codes[:11], dt_s=560.0)
    desk.scan(*codes[:12], dt_s=20.0)
    desk.scans(12, *codes[:12])
    assert desk.announced[10:] == [codes[11]]


def test_what_stops_is_announced_at_once() -> None:
    """A stop has happened: there is nothing to wait for."""
    desk = _Desk()
    desk.scan("no-flow")
    assert desk.announced == ["no-flow"] and desk.state("no-flow") == "unacknowledged"
    assert desk.memory.announced_s == (0.0,), "its ten minutes begin now"


def test_a_cause_that_comes_and_goes_is_one_alarm() -> None:
    """Dead band in time: what is away for less than ten seconds was never away, and chatter is announced once."""
    desk = _Desk()
    for _ in range(20):
        desk.scans(5, "flow-out-of-band")
        desk.scans(5)
    assert desk.announced == ["flow-out-of-band"] and desk["flow-out-of-band"].is_true
    desk.scans(20)
    assert desk.state("flow-out-of-band") == "returned to normal, unacknowledged"


def test_an_alarm_that_is_over_stays_until_it_was_seen() -> None:
    """Its four states: and acknowledged and gone it is normal."""
    desk = _Desk()
    desk.scan("no-flow")
    assert desk.state("no-flow", holds=False) == "latched, unacknowledged"
    desk.scan("no-flow", asked=Asked(acknowledged=("no-flow",)))
    assert desk.state("no-flow") == "acknowledged"
    assert desk.state("no-flow", holds=False) == "latched, acknowledged"
    desk.scans(11)
    assert not desk.memory.by_code
    desk.scan("no-flow")
    desk.scans(11)
    assert desk.state("no-flow") == "returned to normal, unacknowledged"
    desk.scan(asked=Asked(acknowledged=()))
    assert not desk.memory.by_code
    assert desk.announced == ["no-flow", "no-flow"], "each time it came"


def test_shelving_ends() -> None:
    """A shelved alarm is announced to nobody, and speaks when its time is up."""
    desk = _Desk()
    desk.scan(asked=Asked(shelved=(("tank-empty", 20.0),)))
    desk.scans(18, "tank-empty")
    assert not desk.announced and desk.state("tank-empty") == "shelved"
    desk.scans(3, "tank-empty")
    assert desk.announced == ["tank-empty"]
    desk.scan("tank-empty", asked=Asked(shelved=(("tank-empty", 600.0),)))
    desk.scan("tank-empty", asked=Asked(shelved=(("tank-empty", 0.0),)))
    assert desk.state("tank-empty") == "unacknowledged"


def test_the_first_of_those_that_come_together_is_marked_and_the_rest_are_not_announced() -> None:
    """First-out: what follows a stop within a minute is its consequence; a later one is its own."""
    desk = _Desk()
    desk.scan("pump-not-running")
    desk.scans(20, "pump-not-running", "pressure-low", "flow-not-proven", "no-flow")
    assert desk["pump-not-running"].is_first and not desk["no-flow"].is_first
    assert desk.announced == ["pump-not-running"] and desk.state("no-flow") == "suppressed"
    desk.scans(50, "pump-not-running")
    desk.scan("pump-not-running", "tank-empty")
    assert desk.announced == ["pump-not-running", "tank-empty"]


def test_of_two_in_one_scan_the_worse_is_first() -> None:
    """First-out has one answer: the effect decides, then the matrix's order."""
    desk = _Desk()
    desk.scan("pressure-low", "emergency-stop")
    assert desk["emergency-stop"].is_first and not desk["pressure-low"].is_first


def test_a_flood_is_stopped_but_for_what_may_wake_people() -> None:
    """At most ten announced in ten minutes; a critical one always is."""
    desk = _Desk()
    codes = [row.code for row in MATRIX if Priority.NONE < row.priority < Priority.CRITICAL]
    critical = next(row.code for row in MATRIX if row.priority is Priority.CRITICAL)
    for n in range(len(codes)):
        desk.scan(*codes[: n + 1], dt_s=6.0)
    while len(desk.memory.announced_s) < 10:
        desk.scan(*codes, dt_s=6.0)
    before = len(desk.announced)
    assert before == 10
    desk.scan(*codes, critical)
    assert desk.announced[before:] == [critical]


def test_an_interlock_that_is_set_aside_is_out_of_service() -> None:
    """It is shown as that and announced to nobody."""
    desk = _Desk()
    for _ in range(30):
        desk.scan("tank-empty", bypassed=("tank-empty",))
    assert not desk.announced
    assert state_of(desk["tank-empty"], True, is_bypassed=True) == "out of service"


def test_what_needs_nobody_is_no_alarm() -> None:
    """ISA-18.2: an alarm asks for an action; a backwash asks for none."""
    silent = [row.code for row in MATRIX if row.priority is Priority.NONE]
    assert "filter-backwash" in silent
    desk = _Desk()
    desk.scans(60, *silent)
    assert not desk.memory.by_code


def test_every_alarm_says_what_it_means_its_likely_cause_and_what_to_look_at_first() -> None:
    """And few may wake people: those that the design names."""
    for row in MATRIX:
        assert row.meaning and row.check, row.code
        assert row.likely or row.priority is Priority.NONE, row.code
        assert row.wakes is (row.priority is Priority.CRITICAL), row.code
    assert len([row for row in MATRIX if row.wakes]) <= 10


@pytest.mark.parametrize("phase", list(Phase))
def test_acknowledging_and_shelving_change_no_process_action(phase: Phase) -> None:
    """Guards that nothing reads them: two plants under one fault, one with all of it acknowledged and shelved."""
    plain, seen = reached(phase), reached(phase)
    for rig in (plain, seen):
        rig.forced["pump_running"] = 0.0
    for n in range(60):
        plain.scan()
        verbs = (Verb.ACKNOWLEDGE, Verb.SHELVE, Verb.UNSHELVE)
        decision = _with(seen, verbs[n % 3])
        assert replace(decision.state, alarms=Alarms(), emitted=0) == replace(plain.state, alarms=Alarms(), emitted=0)
        assert decision.outputs == plain.held
    assert BY_CODE["pump-not-running"].effect is Effect.ONE and of_kind(seen.rows, Event)


def _with(rig: Rig, verb: Verb) -> Decision:
    request = Request(f"a{rig.steps}", verb, target="pump-not-running", seconds=600.0, reason="known", who="Theo")
    return rig.scan(request)

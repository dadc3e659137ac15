"""What is read back: a run, the list of runs, and what a boot has to know (invariants 2, 3, 6 and 8 rest on it)."""

import json
from pathlib import Path

import pytest

from daemon.evidence import (
    AlarmCleared,
    AlarmRaised,
    Checkpoint,
    CommandAnswered,
    Dose,
    DoseRestated,
    Evidence,
    FlushCleared,
    FlushOwed,
    InjectionIntent,
    PhaseEnded,
    RunEnded,
    RunStarted,
)
from daemon.ledger.durable import REMEMBERED, Durable, open_state
from daemon.ledger.reports import alarms_before, is_simulated, last_runs, newest_runs, run_report
from daemon.messages import RECORD
from tests.daemon.ledger.samples import keep, opened, stamp


def _started(run: str) -> RunStarted:
    return RunStarted(run, "east", "digest", json.dumps({"run": run}))


def _dose(run: str, estimate: str = "METER") -> Dose:
    return Dose(run, "b1", "a", "N", estimate, "measured", 100, 98, 90, 8, 0, 3, 4)


def _restated(run: str, delivered_mg: int) -> DoseRestated:
    return DoseRestated(
        run, "b1", "a", "N", "METER", "measured", 100, 50, delivered_mg, 4, 0, 2, 2, "fill_1", "a wrong bag", "Mina"
    )


def _checkpoint(run: str, channel: str, stock_ml: int) -> Checkpoint:
    return Checkpoint(run, channel, "INJECT", 1000, stock_ml, 5_000_000_000, stock_ml)


def _intent(run: str, channel: str) -> InjectionIntent:
    return InjectionIntent(run, channel, "n_stock", "batch 7", 5000, 12_000, '{"N":80000}')


def _ended(run: str) -> RunEnded:
    return RunEnded(run, "COMPLETE", "DELIVERED", "", 5000, 60_000)


def _answered(command: str, accepted: bool = True, verb: str = "start") -> CommandAnswered:
    return CommandAnswered(command, "Mina", "operator", verb, "{}", accepted, "")


def _state(path: Path, *rows: Evidence) -> Durable:
    with opened(path) as ledger:
        for n, row in enumerate(rows):
            keep(ledger, row, second=n)
        assert open_state(path).answered == open_state(path).answered  # read beside the open writer as well
    return open_state(path)


def test_a_run_is_reported_whole(tmp_path: Path) -> None:
    """The grower's question: what was planned, what each block got, what went wrong, how it ended."""
    path = tmp_path / "ledger.db"
    mine: list[Evidence] = [
        _started("r1"),
        PhaseEnded("r1", "FILL", 30_000, 400, 0, ""),
        _intent("r1", "a"),
        _checkpoint("r1", "a", 7),
    ]
    alarms: list[Evidence] = [AlarmRaised("no_flow", "PAUSE", False), AlarmCleared("no_flow")]
    doses: list[Evidence] = [_dose("r1"), _dose("r1", "EC")]
    with opened(path) as ledger:
        keep(ledger, AlarmRaised("before", "TWO", True))
        keep(ledger, *mine, *alarms, *doses, _ended("r1"), second=60)
        keep(ledger, AlarmRaised("after", "TWO", True), _started("r2"), _dose("r2"))
        report = run_report(path, "r1")
        assert report is not None and report.checkpoint is not None
        assert report.started.row == mine[0]
        assert (report.started.at_ms, report.started.trusted) == (stamp(60).ms, True)
        assert [report.phases[0].row, report.intents[0].row, report.checkpoint.row] == mine[1:]
        assert [report.alarms[0].row, report.cleared[0].row] == alarms
        assert [len(part) for part in (report.phases, report.intents, report.alarms)] == [1] * 3
        assert [found.row for found in report.doses] == doses
        assert report.ended is not None
        assert report.ended.row.outcome == "DELIVERED"
        running = run_report(path, "r2")
        assert running is not None
        assert running.ended is None
        assert run_report(path, "r3") is None


def test_restated_doses_stand_beside_the_original_ones(tmp_path: Path) -> None:
    """Corrections restate, never edit: the report has the dose as it was stated, and each statement since."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        keep(ledger, _started("r1"), _dose("r1"), _ended("r1"))
        keep(ledger, _restated("r1", 46), second=60)
        keep(ledger, _restated("r1", 48), _restated("r2", 1), second=90)
    report = run_report(path, "r1")
    assert report is not None
    assert [found.row for found in report.doses] == [_dose("r1")]
    assert [(found.row, found.at_ms) for found in report.restated] == [
        (_restated("r1", 46), stamp(60).ms),
        (_restated("r1", 48), stamp(90).ms),
    ]


def test_the_last_runs_come_newest_first(tmp_path: Path) -> None:
    """The list at breakfast shows the newest runs, those without an end among them."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        for run in ("r1", "r2", "r3"):
            keep(ledger, _started(run))
            if run != "r3":
                keep(ledger, _ended(run))
    runs = last_runs(path, 2)
    assert [(found.started.row.run, found.ended is None) for found in runs] == [("r3", True), ("r2", False)]


def test_the_runs_before_a_place_come_next(tmp_path: Path) -> None:
    """A list goes on where its last page ended."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        keep(ledger, *(_started(f"run-{n}") for n in range(5)))
    first = last_runs(path, 2)
    rest = last_runs(path, 9, first[-1].started.seq)
    assert [one.started.row.run for one in (*first, *rest)] == [f"run-{n}" for n in (4, 3, 2, 1, 0)]


def test_the_runs_of_a_time_come_newest_first(tmp_path: Path) -> None:
    """Guards the application record of a year: each of its runs once, in handfuls, and none that goes on."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        for number in range(50):
            # Each second one is of the same moment as the one before it.
            keep(ledger, _started(f"r{number}"), _ended(f"r{number}"), second=number // 2)
        keep(ledger, _started("on"), second=20)
    found = [report.started.row.run for report in newest_runs(path, stamp(1).ms, stamp(24).ms)]
    assert found == [f"r{number}" for number in range(47, 1, -1)]
    assert list(newest_runs(path, stamp(100).ms, stamp(200).ms)) == []


def test_alarms_come_newest_first_with_when_they_were_cleared(tmp_path: Path) -> None:
    """Each alarm is cleared by the first clearing of its own code after it, and stands until then."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        keep(ledger, AlarmRaised("siphon", "ZERO", True), second=1)
        keep(ledger, AlarmCleared("burst"), second=2)
        keep(ledger, AlarmCleared("siphon"), second=3)
        keep(ledger, AlarmRaised("siphon", "ZERO", True), second=4)
    newest, oldest = alarms_before(path, 9, 2**63 - 1)
    assert newest[0].at_ms == stamp(4).ms and newest[1] is None
    assert oldest[0].at_ms == stamp(1).ms and oldest[1] == stamp(3).ms
    assert alarms_before(path, 9, newest[0].seq) == (oldest,) and alarms_before(path, 1, 2**63 - 1) == (newest,)


def test_an_empty_ledger_knows_nothing(tmp_path: Path) -> None:
    """Invariant 6: a ledger just born holds nothing that a boot would go on with."""
    assert _state(tmp_path / "ledger.db") == Durable(None, (), (), {}, (), (), (), {}, "", ())


def test_a_run_without_an_end_is_found_at_boot(tmp_path: Path) -> None:
    """Invariants 2 and 8: after a crash the boot knows the run, all its intents, and where each channel stood last."""
    rows: list[Evidence] = [
        _started("r1"),
        _intent("r1", "a"),
        _checkpoint("r1", "a", 1),
        _ended("r1"),
        _started("r2"),
        PhaseEnded("r2", "FILL", 1, 1, 0, ""),
        _intent("r2", "a"),
        _intent("r2", "b"),
        _checkpoint("r2", "a", 10),
        _checkpoint("r2", "b", 20),
        _checkpoint("r2", "a", 30),
        _dose("r2"),
    ]
    state = _state(tmp_path / "ledger.db", *rows)
    assert state.run is not None
    assert state.run.started.row == rows[4]
    assert [found.row for found in state.run.phases] == [rows[5]]
    assert [found.row for found in state.run.intents] == rows[6:8]
    assert [found.row for found in state.run.checkpoints] == [rows[9], rows[10]]
    assert [found.row for found in state.run.doses] == [rows[11]]
    assert state.unended == ()


def test_a_run_begun_over_an_open_one_hides_neither(tmp_path: Path) -> None:
    """Invariant 2: the newest open run is the run, and the older one is told, not forgotten."""
    state = _state(tmp_path / "ledger.db", _started("r1"), _started("r2"))
    assert state.run is not None
    assert (state.run.started.row.run, state.unended) == ("r2", ("r1",))


def test_a_finished_run_is_not_open(tmp_path: Path) -> None:
    """Invariant 6: nothing is resumed that has ended."""
    assert _state(tmp_path / "ledger.db", _started("r1"), _intent("r1", "a"), _ended("r1")).run is None


def test_flush_owed_survives_until_its_own_segment_and_stock_are_cleared(tmp_path: Path) -> None:
    """Invariant 2: owed is kept for each segment and stock; the newest amount stands; only a later row clears it."""
    owed = [FlushOwed("b1", "n", "r1", 100), FlushOwed("b1", "ca", "r1", 200), FlushOwed("main", "n", "r1", 300)]
    state = _state(
        tmp_path / "ledger.db",
        FlushCleared("b1", "ca", 50, "flushed before it was owed"),
        *owed,
        FlushCleared("b1", "n", 120, "flushed"),
        FlushOwed("main", "n", "r1", 350),
        FlushCleared("main", "ca", 10, "another stock"),
    )
    assert [(found.row.segment, found.row.stock, found.row.owed_ml) for found in state.owed] == [
        ("b1", "ca", 200),
        ("main", "n", 350),
    ]
    again = _state(tmp_path / "ledger.db", FlushOwed("b1", "n", "r2", 70))
    assert ("b1", "n", 70) in [(found.row.segment, found.row.stock, found.row.owed_ml) for found in again.owed]


def test_latches_survive_until_cleared(tmp_path: Path) -> None:
    """Invariant 3: a latched cause is still latched after a restart; one that was not latched is seen anew or gone."""
    state = _state(
        tmp_path / "ledger.db",
        AlarmRaised("burst", "ZERO", True),
        AlarmRaised("no_flow", "ONE", True),
        AlarmRaised("low_ec", "PAUSE", False),
        AlarmCleared("no_flow"),
        AlarmRaised("burst", "ZERO", False),
    )
    assert [found.row for found in state.latched] == [AlarmRaised("burst", "ZERO", True)]
    again = _state(tmp_path / "ledger.db", AlarmCleared("burst"), AlarmRaised("no_flow", "ONE", True))
    assert [found.row.code for found in again.latched] == ["no_flow"]


def test_recent_commands_are_remembered(tmp_path: Path) -> None:
    """A control command sent again after a restart is answered as before; the memory is bounded, and decisions, which
    the record itself keeps from being done twice, take no place in it."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        keep(ledger, *(_answered(str(n), n % 3 > 0) for n in range(REMEMBERED + 5)))
        keep(ledger, *(_answered(f"record {n}", verb=RECORD) for n in range(REMEMBERED)))
    answered = open_state(path).answered
    assert [found.row for found in answered] == [_answered(str(n), n % 3 > 0) for n in range(5, REMEMBERED + 5)]


@pytest.mark.parametrize("simulated", [True, False])
def test_a_ledger_says_how_it_was_born(tmp_path: Path, simulated: bool) -> None:
    """Who writes a ledger without asking the plant writes it as what it is: real and simulated never mix."""
    with opened(tmp_path / "ledger.db", simulated=simulated):
        pass
    assert is_simulated(tmp_path / "ledger.db") is simulated

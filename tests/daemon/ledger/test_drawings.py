"""What runs drew, as a corrected mix finds it in the record."""

import json
from pathlib import Path

from daemon.agronomy.restate import Drawing
from daemon.evidence import (
    Checkpoint,
    Dose,
    DoseRestated,
    Evidence,
    InjectionIntent,
    PhaseEnded,
    RunEnded,
    RunStarted,
)
from daemon.ledger.drawings import drawn_in, drawn_since
from tests.daemon.ledger.samples import keep, opened, stamp

_PLANNED = {"N": 31.0, "Ca": 37.0}


def _started(run: str) -> RunStarted:
    channels = [{"channel": "a", "nutrients_g_l": _PLANNED}, {"channel": "b", "nutrients_g_l": {"K": 50.0}}]
    return RunStarted(run, "east", "digest", json.dumps({"run": run, "channels": channels}))


def _dose(run: str, channel: str, injected_mg: int = 900) -> Dose:
    return Dose(run, "b1", channel, "N", "METER", "measured", 1000, injected_mg, 800, 90, 10, 30, 40)


def _restated(run: str, channel: str) -> DoseRestated:
    return DoseRestated(
        run, "b1", channel, "N", "METER", "measured", 1000, 90, 80, 9, 1, 3, 4, "fill_1", "a wrong bag", "Mina"
    )


def _run(run: str) -> list[tuple[int, Evidence]]:
    """Return a run of 100 s with two channels, a hold in its injection, and the second of each row."""
    return [
        (0, _started(run)),
        (10, InjectionIntent(run, "a", "calcium", "fill_1", 5000, 12_000, "{}")),
        (20, InjectionIntent(run, "b", "potassium", "fill_2", 5000, 12_000, "{}")),
        (25, Checkpoint(run, "a", "INJECT", 1000, 700, 0, 0)),
        (30, PhaseEnded(run, "INJECT", 20_000, 400, 0, "held")),
        (40, InjectionIntent(run, "a", "calcium", "fill_1", 4000, 12_000, "{}")),
        (50, Checkpoint(run, "a", "INJECT", 2000, 1400, 0, 0)),
        (50, Checkpoint(run, "b", "INJECT", 2000, 300, 0, 0)),
        (60, PhaseEnded(run, "INJECT", 20_000, 400, 0, "")),
        (90, PhaseEnded(run, "FLUSH", 20_000, 400, 0, "")),
        (100, _dose(run, "a")),
        (100, _dose(run, "b")),
        (100, RunEnded(run, "COMPLETE", "DELIVERED", "", 5000, 60_000)),
    ]


def _ledger(path: Path, *rows: tuple[int, Evidence]) -> Path:
    with opened(path) as ledger:
        for second, row in rows:
            keep(ledger, row, second=second)
    return path


def _ms(second: int) -> int:
    return stamp(second).ms


def test_a_run_is_told_channel_by_channel(tmp_path: Path) -> None:
    """Injection is from the channel's first intent to the last end of INJECT; its stock stands by its checkpoints."""
    path = _ledger(tmp_path / "ledger.db", *_run("r1"), (200, _restated("r1", "a")), *_run("r2"))
    expected = Drawing(
        run="r1",
        channel="a",
        nutrients_g_l=_PLANNED,
        from_ms=_ms(10),
        to_ms=_ms(60),
        checkpoints=((_ms(25), 700), (_ms(50), 1400)),
        doses=(_dose("r1", "a"),),
        restated=(_restated("r1", "a"),),
    )
    found = drawn_in(path, "r1", [_ms(45)])
    assert found[0] == expected
    assert (found[1].channel, found[1].from_ms, found[1].checkpoints) == ("b", _ms(20), ((_ms(50), 300),))
    assert found[1].restated == ()
    assert drawn_since(path, {"a"}, 0, [_ms(45)]) == (expected, *drawn_in(path, "r2", [_ms(45)])[:1])
    assert [drawing.channel for drawing in drawn_since(path, {"b"}, 0, ())] == ["b", "b"]


def test_checkpoints_are_read_where_one_is_needed(tmp_path: Path) -> None:
    """Ten seasons of checkpoints are not read for a tank that did not change while a run drew from it."""
    path = _ledger(tmp_path / "ledger.db", *_run("r1"))
    for changes, is_needed in (((), False), ([_ms(-5), _ms(60)], False), ([_ms(59)], True)):
        assert [bool(drawing.checkpoints) for drawing in drawn_in(path, "r1", changes)] == [is_needed] * 2


def test_only_what_drew_since_is_found(tmp_path: Path) -> None:
    """A run that ended before the correction, that goes on, that injected nothing or never ran is not looked at."""
    going_on = [(second, row) for second, row in _run("r3") if not isinstance(row, RunEnded | Dose)]
    dry: list[tuple[int, Evidence]] = [
        (300, _started("r4")),
        (310, _dose("r4", "a", 0)),
        (310, RunEnded("r4", "STOPPED", "NOT_RUN", "", 0, 0)),
    ]
    path = _ledger(tmp_path / "ledger.db", *_run("r1"), *((s + 200, row) for s, row in _run("r2")), *going_on, *dry)
    assert [drawing.run for drawing in drawn_since(path, {"a"}, _ms(101), ())] == ["r2"]
    assert [drawing.run for drawing in drawn_since(path, {"a"}, _ms(100), ())] == ["r1", "r2"]
    assert drawn_since(path, {"c"}, 0, ()) == ()
    assert [drawn_in(path, run, ()) for run in ("r3", "r4", "none")] == [(), (), ()]


def test_a_run_whose_injection_has_no_end_ends_with_itself(tmp_path: Path) -> None:
    """After a crash the stock that moved unseen came somewhere until the controller was back."""
    rows = [(second, row) for second, row in _run("r1") if not isinstance(row, PhaseEnded | InjectionIntent)]
    path = _ledger(tmp_path / "ledger.db", *rows)
    assert {(drawing.from_ms, drawing.to_ms) for drawing in drawn_in(path, "r1", ())} == {(_ms(0), _ms(100))}

"""What the blocks have had, as planning reads it: every figure from a row, the newest statement of each."""

import json
import sqlite3
from collections import defaultdict
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.agronomy.past import Past, PastDose, PastDraw, PastWater
from daemon.dosing.outcome import block_doses
from daemon.evidence import Checkpoint, Dose, DoseRestated, Evidence, PhaseEnded, RunEnded, RunStarted
from daemon.ledger import accounts
from daemon.ledger.accounts import PastReader, read_past
from tests.daemon.ledger.samples import keep, opened, stamp

_SHARES = {"b1": 0.25, "b2": 0.75}
_CHANNELS = {"a": {"N": 80.0, "Ca": 90.0}, "b": {"N": 20.0, "K": 50.0}}


def _started(run: str, source: str | None = "river") -> RunStarted:
    """Return a run of two blocks and two channels; without a source as the first release wrote it."""
    recipe: dict[str, Any] = {
        "run": run,
        "blocks": [
            {
                "block": block,
                "share": share,
                "planned_mg": {
                    channel: {name: round(1e6 * share * g_l) for name, g_l in strengths.items()}
                    for channel, strengths in _CHANNELS.items()
                },
            }
            for block, share in _SHARES.items()
        ],
        "channels": [{"channel": channel, "nutrients_g_l": g_l} for channel, g_l in _CHANNELS.items()],
    }
    return RunStarted(run, "east", "digest", json.dumps(recipe if source is None else recipe | {"source": source}))


def _dose(
    run: str, channel: str, nutrient: str, block: str = "b1", basis: str = "measured", estimate: str = "METER"
) -> Dose:
    return Dose(run, block, channel, nutrient, estimate, basis, 10_000, 9_900, 9_000, 800, 100, 300, 400)


def _restated(dose: Dose, delivered_mg: int, in_lines_mg: int = 0) -> DoseRestated:
    figures = (dose.planned_mg, delivered_mg + in_lines_mg, delivered_mg, in_lines_mg, 0, 30, 40)
    place = (dose.run, dose.block, dose.channel, dose.nutrient, dose.estimate, dose.basis)
    return DoseRestated(*place, *figures, "fill_1", "a wrong bag", "Mina")


def _ended(run: str, water_ml: int = 8_000_000) -> RunEnded:
    return RunEnded(run, "COMPLETE", "DELIVERED", "", water_ml, 60_000)


def _past(path: Path, *rows: Evidence) -> tuple[dict[tuple[str, str, str], PastDose], tuple[PastWater, ...]]:
    with opened(path) as ledger:
        for second, row in enumerate(rows):
            keep(ledger, row, second=second)
    past = read_past(path)
    return {(dose.run, dose.block, dose.nutrient): dose for dose in past.doses}, past.water


def test_what_began_before_a_moment_is_left_out(tmp_path: Path) -> None:
    """Planning reads two years and no more, however long the record: the runs since, whole, and water with them."""
    path = tmp_path / "ledger.db"
    for number, run in enumerate(("r1", "r2")):
        rows = (_started(run), _dose(run, "a", "N"), _ended(run), _restated(_dose(run, "a", "N"), 8_000))
        with opened(path) as ledger:
            keep(ledger, *rows, second=100 * number)
    whole = read_past(path)
    assert {dose.run for dose in whole.doses} == {"r1", "r2"}
    later = read_past(path, stamp(50).utc)
    assert later.doses == tuple(dose for dose in whole.doses if dose.run == "r2") and later.doses
    assert later.water == tuple(water for water in whole.water if water.run == "r2") and later.water
    assert read_past(path, stamp(500).utc) == Past((), ())


def test_a_run_is_summed_by_block_and_nutrient(tmp_path: Path) -> None:
    """Channels that add the same nutrient to a block are one dose; what is in the lines counts against a cap. All of it
    counts for the moment at which the run began, for which it was planned."""
    rows = [_dose("r1", "a", "N"), _dose("r1", "a", "Ca"), _dose("r1", "b", "N"), _dose("r1", "a", "N", "b2")]
    doses, water = _past(tmp_path / "ledger.db", _started("r1"), *rows, _ended("r1"))
    at = stamp().utc
    assert doses["r1", "b1", "N"] == PastDose("r1", "b1", "N", at, 0.02, 0.018, 0.0196, 0.0008, False, False)
    assert doses["r1", "b2", "N"] == PastDose("r1", "b2", "N", at, 0.01, 0.009, 0.0098, 0.0004, False, False)
    assert len(doses) == 3
    assert water == (PastWater("r1", "b1", at, 2.0, "river"), PastWater("r1", "b2", at, 6.0, "river"))


def test_the_newest_statement_holds(tmp_path: Path) -> None:
    """Budget and caps follow a corrected mix: the newest row of each channel counts, with the others as they were."""
    a, b, other = _dose("r1", "a", "N"), _dose("r1", "b", "N"), _dose("r2", "a", "N")
    added = _dose("r1", "a", "P")
    doses, _ = _past(
        tmp_path / "ledger.db",
        *(_started("r1"), a, b, _ended("r1")),
        *(_restated(a, 1_000), _restated(added, 700), _restated(a, 5_000, 500)),
        *(_started("r2"), other, _ended("r2")),
    )
    first = doses["r1", "b1", "N"]
    assert (first.delivered_kg, first.committed_kg, first.is_revised) == pytest.approx((0.014, 0.0153, True))
    assert (first.planned_kg, first.u_kg, first.at) == (0.02, 0.00044, stamp().utc)
    assert (doses["r1", "b1", "P"].delivered_kg, doses["r1", "b1", "P"].is_revised) == (0.0007, True)
    assert (doses["r2", "b1", "N"].delivered_kg, doses["r2", "b1", "N"].is_revised) == (0.009, False)


def test_what_nobody_watched_is_disputed(tmp_path: Path) -> None:
    """A shortfall is never made up from a dose that is an estimate; another instrument's estimate is no second dose."""
    rows = [
        _dose("r1", "a", "N"),
        _dose("r1", "b", "N", basis="estimated"),
        _dose("r1", "a", "Ca"),
        _dose("r1", "a", "Ca", estimate="TANK"),
        _dose("r1", "a", "Ca", estimate="EC"),
    ]
    doses, _ = _past(tmp_path / "ledger.db", _started("r1"), *rows, _ended("r1"))
    assert {name: dose.is_disputed for (_, _, name), dose in doses.items()} == {"N": True, "Ca": False}
    assert doses["r1", "b1", "Ca"].delivered_kg == 0.009


def test_a_run_under_way_counts_as_far_as_it_is(tmp_path: Path) -> None:
    """Invariant 8: what is injected is committed before the run has an end, and is neither delivered nor short yet."""
    path = tmp_path / "ledger.db"
    doses, water = _past(
        path,
        _started("r1", "bore"),
        Checkpoint("r1", "a", "INJECT", 1_000_000, 1_000, 0, 0),
        Checkpoint("r1", "a", "INJECT", 4_000_000, 40_000, 0, 0),
        Checkpoint("r1", "b", "INJECT", 3_000_000, 10_000, 0, 0),
    )
    found = doses["r1", "b1", "N"]
    assert found.committed_kg == pytest.approx(0.25 * (40.0 * 0.080 + 10.0 * 0.020))
    assert (found.planned_kg, found.delivered_kg, found.is_disputed) == (25.0, 0.0, True)
    assert (found.at, len(doses)) == (stamp().utc, 6)
    assert water == tuple(PastWater("r1", name, stamp().utc, 4.0 * share, "bore") for name, share in _SHARES.items())


def test_a_run_that_has_just_begun_has_given_nothing(tmp_path: Path) -> None:
    """Before the first checkpoint nothing is injected, and a record without water sources names none."""
    doses, water = _past(tmp_path / "ledger.db", _started("r1", None))
    assert {dose.committed_kg for dose in doses.values()} == {0.0}
    assert {(brought.m3, brought.source, brought.at) for brought in water} == {(0.0, "", stamp().utc)}


def test_a_run_that_never_ran_brings_nothing(tmp_path: Path) -> None:
    """A shift that was dropped is planned in the record and has no part in the account."""
    assert _past(tmp_path / "ledger.db", _started("r1"), _ended("r1", 0)) == ({}, ())


_doses = st.builds(
    Dose,
    run=st.sampled_from(["r1", "r2"]),
    block=st.sampled_from(["b1", "b2"]),
    channel=st.sampled_from(["a", "b"]),
    nutrient=st.sampled_from(["N", "K"]),
    estimate=st.just("METER"),
    basis=st.sampled_from(["measured", "estimated"]),
    planned_mg=st.integers(0, 10**9),
    injected_mg=st.integers(0, 10**9),
    delivered_mg=st.integers(0, 10**9),
    in_lines_mg=st.integers(0, 10**6),
    lost_mg=st.integers(0, 10**6),
    u_injected_mg=st.integers(0, 10**6),
    u_delivered_mg=st.integers(0, 10**6),
)


@settings(max_examples=20, deadline=None)
@given(st.lists(_doses, max_size=12, unique_by=lambda d: (d.run, d.block, d.channel, d.nutrient)))
def test_the_account_is_the_sum_of_its_rows(tmp_path_factory: pytest.TempPathFactory, doses: list[Dose]) -> None:
    """Invariant 7: the account adds a block's channels as the verdict on its run does, and loses no row."""
    path = tmp_path_factory.mktemp("sums") / "ledger.db"
    with opened(path) as ledger:
        keep(ledger, _started("r1"), _started("r2"), *doses, _ended("r1"), _ended("r2"))
    by_run: defaultdict[str, list[Dose]] = defaultdict(list)
    for dose in doses:
        by_run[dose.run].append(dose)
    expected = {
        (dose.run, dose.block, dose.nutrient): (dose.planned_mg, dose.delivered_mg, dose.u_delivered_mg)
        for of_run in by_run.values()
        for dose in block_doses(of_run)
    }
    found = {
        (dose.run, dose.block, dose.nutrient): tuple(
            round(kg * 1e6) for kg in (dose.planned_kg, dose.delivered_kg, dose.u_kg)
        )
        for dose in read_past(path).doses
    }
    assert found == expected


def _sorted(past: Past) -> tuple[list[PastDose], list[PastWater]]:
    return sorted(past.doses, key=lambda d: (d.run, d.block, d.nutrient)), sorted(
        past.water, key=lambda w: (w.run, w.block)
    )


_steps = st.lists(
    st.tuples(st.sampled_from(["begin", "dose", "checkpoint", "end", "restate"]), st.integers(-50, 400)), max_size=14
)


@settings(max_examples=25, deadline=None)
@given(_steps)
def test_what_is_read_bit_by_bit_is_what_is_read_at_once(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, int]]
) -> None:
    """Guards the kept answers: after whatever is added, clocks set back among it, they are those of a first look."""
    path = tmp_path_factory.mktemp("grown") / "ledger.db"
    since = stamp(100).utc
    begun = 0
    with opened(path) as ledger:
        reader = PastReader(path)
        for number, (what, second) in enumerate(steps):
            run = f"r{begun}"
            rows: dict[str, Evidence] = {
                "dose": _dose(run, "ab"[number % 2], "N"),
                "checkpoint": Checkpoint(run, "a", "INJECT", 1000 * number, 100 * number, 0, 0),
                "end": _ended(run),
                "restate": _restated(_dose(f"r{max(1, begun - number % 2)}", "a", "N"), 1000 + number),
            }
            if what == "begin":
                begun += 1
                rows["begin"] = _started(f"r{begun}")
            elif what == "end" and run in {row.run for row in reader.runs()}:
                continue
            keep(ledger, rows[what], second=second)
            for moment in (since, stamp(-60).utc):
                assert _sorted(reader.past(moment)) == _sorted(read_past(path, moment))
            assert reader.runs(since) == PastReader(path).runs(since)


def test_only_what_is_new_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards the tenth season: a record that has not grown gives the very answer, and a new run is all that is read."""
    path, read = tmp_path / "ledger.db", list[str]()
    whole = PastReader._read

    def watched(reader: PastReader, connection: sqlite3.Connection, changed: list[tuple[str, int, str, int]]) -> None:
        read.extend(run for run, *_ in changed)
        whole(reader, connection, changed)

    monkeypatch.setattr(PastReader, "_read", watched)
    reader = PastReader(path)
    with opened(path) as ledger:
        keep(ledger, _started("r1"), _dose("r1", "a", "N"), _ended("r1"))
        first = reader.past()
        assert reader.past() is first and read == ["r1"]
        keep(ledger, _started("r2"), _dose("r2", "a", "N"), _ended("r2"), second=9)
        assert {dose.run for dose in reader.past().doses} == {"r1", "r2"} and read == ["r1", "r2"]


def test_another_record_in_its_place_is_read_anew(tmp_path: Path) -> None:
    """A backup that is restored beside a running api is another record: nothing of the one before is told."""
    path, other = tmp_path / "ledger.db", tmp_path / "other" / "ledger.db"
    other.parent.mkdir()
    for place, run in ((path, "r1"), (other, "r9")):
        with opened(place) as ledger:
            keep(ledger, _started(run), _dose(run, "a", "N"), _ended(run))
    reader = PastReader(path)
    assert {dose.run for dose in reader.past().doses} == {"r1"}
    for left in tmp_path.glob("ledger.db*"):
        left.unlink()
    other.rename(path)
    assert {dose.run for dose in reader.past().doses} == {"r9"}


def test_what_a_season_asks_of_a_run(tmp_path: Path) -> None:
    """Litres by the meter and the recipe's own strength, whatever a corrected mix made of it; water by phase."""
    path = tmp_path / "ledger.db"
    recipe = json.loads(_started("r1").recipe)
    recipe["water_l"] = 9_000.0
    recipe["channels"][0]["batch"] = "fill_1"
    dose = _dose("r1", "a", "Ca")
    with opened(path) as ledger:
        keep(
            ledger,
            RunStarted("r1", "east", "digest", json.dumps(recipe)),
            *(PhaseEnded("r1", phase, 1000, 2_000_000, 0, "") for phase in ("FILL", "PREWET", "INJECT", "FLUSH")),
            dose,
            _ended("r1"),
            _restated(dose, 1),
        )
    (run,) = PastReader(path).runs()
    assert run.planned_m3 == pytest.approx({"b1": 2.25, "b2": 6.75})
    assert run.watered_m3 == pytest.approx({"b1": 1.5, "b2": 4.5})
    (draw,) = run.draws
    assert draw == PastDraw("a", "fill_1", draw.stock_l, draw.u_l)
    assert (draw.stock_l, draw.u_l) == pytest.approx((9.9 / 90.0, 0.3 / 90.0))


def test_runs_are_read_in_handfuls(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many there are, a few hundred are in memory together, and none is left out between two handfuls."""
    monkeypatch.setattr(accounts, "_AT_ONCE", 2)
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        for number in range(5):
            run = f"r{number}"
            keep(ledger, _started(run), _dose(run, "a", "N"), _ended(run), second=number)
    assert [run.run for run in PastReader(path).runs()] == [f"r{number}" for number in range(5)]
    assert len(read_past(path).doses) == 5

"""Record commands in the daemon: all or none, done once, and in force once they are durable."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from daemon.evidence import CommandAnswered, DoseRestated, Event
from daemon.ledger.accounts import read_past
from daemon.ledger.batch import NewDecision
from daemon.ledger.in_force import DecisionError
from daemon.ledger.reading import evidence, reading
from daemon.ledger.reports import latest_decisions, run_report, verify_file
from daemon.ledger.writer import Ledger
from daemon.local_socket.client import LocalClient
from daemon.local_socket.server import LocalServer
from daemon.messages import RECORD, Answer, Command
from daemon.runtime.decided import Decided, parse_request
from tests.daemon.control.plant import kestrel, wide
from tests.daemon.ledger.samples import WAIT_S, held, keep, opened, stamp
from tests.daemon.runtime.farm import (
    START,
    STRENGTHS,
    StillClock,
    creek,
    fill,
    item,
    keep_rows,
    keep_run,
    request,
    run_rows,
)

_FILLED = START - timedelta(hours=10)


@asynccontextmanager
async def _farm(path: Path, *first: dict[str, Any]) -> AsyncIterator[tuple[Ledger, Decided]]:
    """Open a ledger in which `first` is decided."""
    with opened(path) as ledger:
        decided = Decided(kestrel(), ledger, StillClock())
        decided.load(path)
        if first:
            assert (await decided.answer(request("first", *first))).accepted
        yield ledger, decided


def _rows(path: Path) -> list[DoseRestated]:
    with reading(path) as connection:
        return [found.row for found in evidence(connection, DoseRestated)]


@pytest.mark.parametrize(
    ("changes", "error"),
    [
        ({"id": ""}, "id: got ''; expected 1 to 64 printable characters"),
        ({"who": "a\nb"}, "who: got 'a\\nb'"),
        ({"who": None}, "who: got None"),
        ({"decisions": []}, "decisions: got []; expected a list"),
        ({"decisions": {"kind": "shift"}}, "expected a list of decisions, each with kind, key and body"),
        ({"decisions": ["shift"]}, "got 'shift'; expected kind, key, body"),
        ({"decisions": [{"kind": "shift", "key": "x", "tank": 1}]}, "got the keys kind, key, tank"),
        ({"decisions": [item("crop", "x")]}, "kind: got 'crop'; expected one of"),
        ({"decisions": [item("shift", "no name")]}, "got the name 'no name'"),
        ({"decisions": [item("shift", "x", blocks=[])]}, "shift.x.blocks"),
        ({"decisions": [{**item("shift", "x", blocks=["b"]), "expected_version": True}]}, "got expected_version True"),
        ({"decisions": [item("shift", "x", blocks=["b"])] * 2}, "shift.x: got it twice"),
    ],
)
def test_a_request_of_another_form_is_told(changes: dict[str, Any], error: str) -> None:
    """Whoever sends a record command by hand learns what is wrong with it, and where."""
    with pytest.raises(DecisionError) as refused:
        parse_request({**request("c1", item("shift", "x", blocks=["b"])), **changes})
    assert error in str(refused.value)


def test_all_that_is_wrong_is_told_at_once() -> None:
    """Nobody mends an import line by line: each decision's problems stand with its place."""
    bad = request("", item("shift", "x", blocks=[]), item("shift", "y", blocks=["b"]), item("program", "z", shift=1))
    with pytest.raises(DecisionError) as refused:
        parse_request(bad)
    told = str(refused.value).splitlines()
    assert told[0].startswith("id: got ''")
    assert told[1].startswith("decision 1 of 3: shift.x.blocks")
    assert told[2].startswith("decision 3 of 3: program.z")


async def test_decisions_come_into_force_together(tmp_path: Path) -> None:
    """What is answered as recorded is what planning sees, now and after the next start, by who asked for it."""
    path = tmp_path / "ledger.db"
    async with _farm(path) as (_, decided):
        answer = await decided.answer(request("c1", *creek()))
        assert answer.accepted, answer.reason
        assert "program creek_night as version 1" in answer.reason
        newest = decided.newest
        assert {kind for kind, _ in newest} == {"shift", "product", "stock", "mix", "program"}
    async with _farm(path) as (_, again):
        assert again.newest == newest
    assert {one.who for one in latest_decisions(path)} == {"Mina"}


async def test_several_decisions_come_over_the_socket(tmp_path: Path) -> None:
    """From the command line to the record and back: one command, one answer, and a refusal word by word."""

    def use() -> list[Answer]:
        with LocalClient(tmp_path / "s", WAIT_S) as daemon:
            return [daemon.decision(request("c1", *creek())), daemon.decision(request("c2", item("crop", "x")))]

    async with _farm(tmp_path / "ledger.db") as (_, decided):
        server = LocalServer(tmp_path / "s", _no_command, decided.answer, decided.answer, lambda: None)
        await server.start()
        try:
            recorded, refused = await asyncio.to_thread(use)
        finally:
            await server.close()
        assert (recorded.id, recorded.accepted, len(decided.newest)) == ("c1", True, len(creek()))
    assert (refused.id, refused.accepted) == ("c2", False)
    assert refused.reason.startswith("kind: got 'crop'; expected one of ")


async def _no_command(command: Command) -> Answer:
    raise AssertionError(f"no control command was given: {command}")


async def test_one_wrong_decision_records_none(tmp_path: Path) -> None:
    """All or nothing: neither a decision nor a trace of the command stays, and all problems are told at once."""
    path = tmp_path / "ledger.db"
    async with _farm(path) as (_, decided):
        wrong = item("shift", "ridge", blocks=["ridgee"])
        answer = await decided.answer(request("c1", *creek(), wrong, item("block", "creak", why="a leak")))
        assert not answer.accepted
        assert [line.split(":")[0] for line in answer.reason.splitlines()] == ["shift.ridge.blocks", "block.creak"]
        assert decided.newest == {}
        assert latest_decisions(path) == ()
        assert (await decided.answer(request("c1", *creek()))).accepted  # mended, and sent again with its id


async def test_a_command_sent_again_is_answered_as_before(tmp_path: Path) -> None:
    """The id makes it idempotent, after a restart and after somebody decided otherwise in between."""
    path = tmp_path / "ledger.db"
    asked = request("c2", item("block", "creek", why="pruned", area_ha=1.0))
    async with _farm(path, *creek()) as (_, decided):
        first = await decided.answer(asked)
        assert first.accepted
        assert (await decided.answer(request("c3", item("block", "creek", why="whole again")))).accepted
        assert await decided.answer(asked) == first
    async with _farm(path) as (_, decided):
        assert await decided.answer(asked) == first
    assert [(one.key, one.version) for one in latest_decisions(path) if one.kind == "block"] == [("creek", 2)]
    with reading(path) as connection:
        told = [found.row for found in evidence(connection, CommandAnswered)]
    assert [(row.command, row.who, row.verb, row.accepted) for row in told] == [
        (command, "Mina", RECORD, True) for command in ("first", "c2", "c3")
    ]


async def test_who_decides_on_an_old_version_is_told_the_new_one(tmp_path: Path) -> None:
    """Two people with the same page open do not overwrite each other."""
    async with _farm(tmp_path / "ledger.db", *creek()) as (_, decided):
        seen = {**item("block", "creek", why="pruned"), "expected_version": 0}
        assert (await decided.answer(request("c1", seen))).accepted
        answer = await decided.answer(request("c2", {**seen, "body": {"why": "a leak"}}, who="Jo"))
        assert not answer.accepted
        assert "version 1 by Mina" in answer.reason
        assert "pruned" in answer.reason
        assert (await decided.answer(request("c3", {**seen, "expected_version": 1}))).accepted


async def test_a_decision_that_took_its_time_is_in_force(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A commit that hangs is answered as unknown; done in the end it holds without a restart, and is not done twice."""
    path = tmp_path / "ledger.db"
    monkeypatch.setattr(Ledger.record_decisions, "__kwdefaults__", {**_DEFAULTS, "timeout_s": 0.2})
    async with _farm(path, *creek()) as (ledger, decided):
        asked = request("c1", item("block", "creek", why="pruned"))
        with held(path):
            unknown = await decided.answer(asked)
            assert not unknown.accepted
            assert "its commit is under way" in unknown.reason
        await asyncio.to_thread(keep, ledger, Event("after", ""))
        await asyncio.sleep(0)
        assert ("block", "creek") in decided.newest
        assert (await decided.answer(asked)).accepted
    assert [one.version for one in latest_decisions(path) if one.kind == "block"] == [1]


_DEFAULTS = dict(Ledger.record_decisions.__kwdefaults__ or {})


async def test_a_decision_of_another_release_is_left_out_and_told(tmp_path: Path) -> None:
    """A daemon that starts after an upgrade gives water: what it cannot read it says, and it can be decided again."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        old = NewDecision("stock", "calcium", json.dumps({"tank": "a", "batch": "B-1"}))
        ledger.record_decisions([old], "Jo", stamp())
        decided = Decided(kestrel(), ledger, StillClock())
        (told,) = decided.load(path)
        assert told.startswith("stock calcium is of another release and not in force; decide it again. stock.calcium")
        assert decided.newest == {}
        assert (await decided.answer(request("c1", *creek()))).accepted
    assert [one.version for one in latest_decisions(path) if one.kind == "stock"] == [2]


async def test_a_corrected_mix_restates_every_run_since(tmp_path: Path) -> None:
    """The founder's sentence: who, why, from when; rows beside the originals; the account follows; the chain holds."""
    path = tmp_path / "ledger.db"
    async with _farm(path, *creek(), fill("a_2", 160.0, _FILLED)) as (ledger, decided):
        keep_run(ledger, "before", START - timedelta(days=2))
        keep_run(ledger, "since", START)
        keep_run(ledger, "later", START + timedelta(days=1), stock_l=20.0)
        originals = {run: run_report(path, run) for run in ("before", "since", "later")}
        unexplained = await decided.answer(request("c1", fill("a_2", 80.0, _FILLED)))
        assert not unexplained.accepted
        assert "mix.a_2.why: got nothing; expected why it was wrong" in unexplained.reason
        assert _rows(path) == []
        corrected = await decided.answer(request("c2", fill("a_2", 80.0, _FILLED, why="half the bags"), who="Jo"))
        assert corrected.accepted
        assert "mix a_2 as version 2. Restated 4 doses of 2 runs." in corrected.reason
    rows = {(row.run, row.nutrient): row for row in _rows(path)}
    assert {(row.mix, row.why, row.who) for row in rows.values()} == {("a_2", "half the bags", "Jo")}
    for (run, nutrient), row in rows.items():
        stock_l = 40.0 if run == "since" else 20.0
        assert row.delivered_mg == pytest.approx(0.9 * stock_l * STRENGTHS[nutrient] * 500.0, abs=2.0)
    for run, original in originals.items():
        report = run_report(path, run)
        assert report is not None and original is not None
        assert report.doses == original.doses
        assert len(report.restated) == (0 if run == "before" else 2)
    past = {dose.run: dose for dose in read_past(path).doses if dose.nutrient == "N"}
    assert {run: dose.is_revised for run, dose in past.items()} == {"before": False, "since": True, "later": True}
    assert past["before"].delivered_kg == pytest.approx(0.9 * 40.0 * 0.031)
    assert past["since"].delivered_kg == pytest.approx(0.9 * 40.0 * 0.0155)
    assert verify_file(path).broken_seq is None


async def test_correcting_again_adds_rows_and_the_newest_hold(tmp_path: Path) -> None:
    """A second correction restates what it changes; taken back whole, the first figures hold again."""
    path = tmp_path / "ledger.db"
    async with _farm(path, *creek(), fill("a_2", 160.0, _FILLED)) as (ledger, decided):
        keep_run(ledger, "since", START)
        for number, kg in enumerate((80.0, 80.0, 120.0, 160.0)):
            await decided.record(request(f"c{number}", fill("a_2", kg, _FILLED, why=f"weighed again {number}")))
    delivered = [row.delivered_mg for row in _rows(path) if row.nutrient == "N"]
    original = 0.9 * 40.0 * 31_000.0
    assert delivered == pytest.approx([0.5 * original, 0.75 * original, original], abs=2.0)
    assert [row.why for row in _rows(path) if row.nutrient == "N"] == [f"weighed again {n}" for n in (0, 2, 3)]


async def test_a_top_up_entered_the_next_morning_restates_the_night(tmp_path: Path) -> None:
    """Topped up in the middle of the injection: half the stock was what it was, the other half a quarter weaker."""
    path = tmp_path / "ledger.db"
    topped_up = fill("a_3", 40.0, START + timedelta(minutes=30), heel_l=400.0)
    async with _farm(path, *creek(), fill("a_2", 160.0, _FILLED)) as (ledger, decided):
        keep_run(ledger, "night", START)
        await decided.record(request("c1", topped_up))
    row = next(row for row in _rows(path) if row.nutrient == "N")
    assert row.injected_mg == pytest.approx(20.0 * 31_000.0 + 20.0 * 0.75 * 31_000.0, abs=5.0)
    assert row.delivered_mg == pytest.approx(20.0 * 31_000.0 + 16.0 * 0.75 * 31_000.0, abs=5.0)
    assert (row.mix, row.why) == ("a_3", "entered after runs had drawn from the tank")


async def test_a_run_that_was_topped_up_is_restated_when_it_ends(tmp_path: Path) -> None:
    """A top-up that is entered while the run goes on finds no dose yet: the run's own end states it anew, once."""
    path = tmp_path / "ledger.db"
    async with _farm(path, *creek(), fill("a_2", 160.0, _FILLED)) as (ledger, decided):
        rows = run_rows("night")
        keep_rows(ledger, START, rows[:20])
        await decided.record(request("c1", fill("a_3", 40.0, START + timedelta(minutes=30), heel_l=400.0)))
        assert await decided.restate("night") == 0
        keep_rows(ledger, START, rows[20:])
        assert _rows(path) == []
        assert await decided.restate("night") == 2
        assert await decided.restate("night") == 0
        keep_run(ledger, "as planned", START - timedelta(hours=5))
        assert await decided.restate("as planned") == 0
    row = next(row for row in _rows(path) if row.nutrient == "N")
    assert row.injected_mg == pytest.approx(20.0 * 31_000.0 + 20.0 * 0.75 * 31_000.0, abs=5.0)
    assert (row.mix, row.who) == ("a_3", "Mina")


async def test_what_leaves_the_strength_as_it_was_restates_nothing(tmp_path: Path) -> None:
    """A correction of who, of litres or of a draining between runs changes no dose, and no row says it did."""
    path = tmp_path / "ledger.db"
    async with _farm(path, *creek(), fill("a_2", 160.0, _FILLED)) as (ledger, decided):
        keep_run(ledger, "night", START)
        same = fill("a_2", 80.0, _FILLED, filled_to_l=400.0, by="Jo", why="half as much of the same")
        drained = item("mix", "a_3", tank="a", did="drained", at=START.isoformat(), by="Jo", heel_l=100.0)
        later = fill("a_4", 10.0, START + timedelta(days=1), heel_l=0.0)
        answer = await decided.record(request("c1", same, drained, later))
        assert "Restated" not in answer.reason
    assert _rows(path) == []


async def test_a_mix_entered_for_the_wrong_tank_restates_both(tmp_path: Path) -> None:
    """Half the strength went into tank b and not into a: what the runs from the one gain, those from the other lose."""
    path = tmp_path / "ledger.db"
    stock_b = item("stock", "calcium_b", **{**creek()[2]["body"], "tank": "b"})
    fill_b = fill("b_1", 160.0, _FILLED - timedelta(days=9), tank="b", stock="calcium_b")
    weak = {nutrient: g_l / 2.0 for nutrient, g_l in STRENGTHS.items()}
    with opened(path) as ledger:
        decided = Decided(wide(), ledger, StillClock())
        program = item("shift", "creek", blocks=["creek", "ridge"])
        water = item("program", "creek_night", shift="creek", water_m3=9.0, order="together")
        others = [one for one in creek() if one["kind"] not in ("shift", "program")]
        await decided.record(request("c1", *others, program, water, stock_b, fill_b, fill("a_2", 80.0, _FILLED)))
        keep_run(ledger, "from a", START, strengths=weak)
        keep_run(ledger, "from b", START, channel="b")
        moved = fill("a_2", 80.0, _FILLED, tank="b", stock="calcium_b", why="it was tank b")
        await decided.record(request("c2", moved))
    rows = {(row.run, row.channel): row for row in _rows(path) if row.nutrient == "N"}
    assert rows["from a", "a"].injected_mg == pytest.approx(40.0 * 31_000.0, abs=2.0)
    assert rows["from b", "b"].injected_mg == pytest.approx(40.0 * 15_500.0, abs=2.0)
    assert len(rows) == 2

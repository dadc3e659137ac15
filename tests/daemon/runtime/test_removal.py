"""Removing a decision: one more version in the record, gone from what is in force, and refused while it is needed."""

from pathlib import Path
from typing import Any

import pytest

from daemon.ledger.in_force import DecisionError, InForce, read_in_force
from daemon.ledger.reading import reading
from daemon.ledger.reports import latest_decisions, verify_file
from daemon.runtime.decided import Decided, parse_request
from daemon.runtime.fitting import check_fit
from daemon.runtime.recording import record
from tests.daemon.control.plant import kestrel
from tests.daemon.ledger.samples import opened, stamp
from tests.daemon.runtime.farm import START, StillClock, creek, fill, item, request

_WATER = item("program", "water", shift="creek", water_m3=60.0, order="together")


def gone(kind: str, key: str) -> dict[str, Any]:
    """Return the removal of one decision in the form of a request."""
    return {"kind": kind, "key": key, "body": None}


def _in_force(*decisions: dict[str, Any]) -> InForce:
    asked = parse_request(request("c0", *decisions)).decisions
    found = {one.name: one.decision for one in asked if one.decision is not None}
    return InForce(found, dict.fromkeys(found, 1))


def _refused(in_force: InForce, *decisions: dict[str, Any]) -> list[str]:
    with pytest.raises(DecisionError) as refused:
        check_fit(kestrel(), in_force, parse_request(request("c1", *decisions)))
    return str(refused.value).splitlines()


async def test_a_removed_decision_is_kept_and_not_in_force(tmp_path: Path) -> None:
    """Who removed it and when stays in the sealed record; versions go on when it is decided again."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        decided = Decided(kestrel(), ledger, StillClock())
        await decided.record(request("c1", *creek(), _WATER))
        answer = await decided.answer(request("c2", gone("program", "water"), who="Theo"))
        assert (answer.accepted, answer.reason) == (True, "Removed program water as version 2.")
        assert ("program", "water") not in decided.newest
        assert decided.version_of("program", "water") == 2
        (row,) = [one for one in latest_decisions(path) if one.key == "water"]
        assert (row.version, row.body, row.who) == (2, "null", "Theo")
        found = read_in_force(path)
        assert found.decisions == decided.newest and found.unread == ()
        assert found.removed == {("program", "water")}
        again = await decided.record(request("c3", _WATER))
        assert again.reason == "Recorded program water as version 3."
        assert decided.newest == read_in_force(path).decisions and read_in_force(path).removed == frozenset()
    assert verify_file(path).broken_seq is None


async def test_one_command_records_and_removes(tmp_path: Path) -> None:
    """All or none: a program that takes the place of another comes and goes in one transaction, and is done once."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        decided = Decided(kestrel(), ledger, StillClock())
        await decided.record(request("c1", *creek(), _WATER))
        both = request("c2", gone("program", "water"), item("program", "wet", **_WATER["body"]))
        answer = await decided.record(both)
        assert answer.reason == "Recorded program wet as version 1. Removed program water as version 2."
        assert await decided.record(both) == answer
        kept = {key for kind, key in decided.newest if kind == "program"}
        assert kept == {"creek_night", "wet"}
        lost = await decided.answer(request("c3", gone("program", "wet"), gone("shift", "creek")))
        assert not lost.accepted and ("program", "wet") in decided.newest


async def test_a_removal_on_an_old_version_is_refused(tmp_path: Path) -> None:
    """Nobody removes what somebody else has changed in the meantime."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        decided = Decided(kestrel(), ledger, StillClock())
        await decided.record(request("c1", *creek(), _WATER))
        await decided.record(request("c2", item("program", "water", **{**_WATER["body"], "water_m3": 70.0})))
        late = await decided.answer(request("c3", {**gone("program", "water"), "expected_version": 1}))
        assert not late.accepted and "version 2" in late.reason
        assert ("program", "water") in decided.newest


@pytest.mark.parametrize(
    ("removed", "told"),
    [
        (gone("shift", "creek"), "program.creek_night.shift: got 'creek'; expected a shift of the record"),
        (gone("stock", "calcium"), "program.creek_night.injections.0.stock: got 'calcium'"),
        (gone("product", "calcium_nitrate"), "stock.calcium.products_g_l: got 'calcium_nitrate'"),
        (gone("program", "creek_night"), "timetable.nightly.programs: got 'creek_night'"),
    ],
    ids=lambda value: value["kind"] if isinstance(value, dict) else "",
)
def test_what_still_names_it_is_told(removed: dict[str, Any], told: str) -> None:
    """What is needed elsewhere stays, and the answer says by whom it is named."""
    in_force = _in_force(*creek(), item("timetable", "nightly", programs=["creek_night"], starts=["22:00"]))
    assert any(line.startswith(told) for line in _refused(in_force, removed))


def test_what_named_it_goes_along() -> None:
    """A timetable and its only program are removed together."""
    in_force = _in_force(*creek(), item("timetable", "nightly", programs=["creek_night"], starts=["22:00"]))
    both = request("c1", gone("program", "creek_night"), gone("timetable", "nightly"))
    assert check_fit(kestrel(), in_force, parse_request(both)) == ()


def test_a_night_that_is_over_holds_nothing() -> None:
    """An exception of long ago names a shift: that does not keep the shift for ever."""
    body = {"night": "2026-10-13", "do": "skip", "why": "rain"}
    dry = item("tonight", "dry", shifts=["spare"], **body)
    in_force = _in_force(*creek(), item("shift", "spare", blocks=["creek"]), dry)
    check_fit(kestrel(), in_force, parse_request(request("c1", gone("shift", "spare"))))


def test_what_is_not_there_cannot_be_removed() -> None:
    """A typo is told, with the names that there are; nothing is removed twice."""
    in_force = _in_force(*creek())
    (told,) = _refused(in_force, gone("program", "crek_night"))
    assert told == "program.crek_night: got its removal; expected one that is in force: creek_night"
    twice = InForce(in_force.decisions, {**in_force.versions, ("cap", "old"): 2}, removed=frozenset({("cap", "old")}))
    (told,) = _refused(twice, gone("cap", "old"))
    assert told.endswith("expected one that is in force: there is none")


def test_a_mix_is_corrected_and_never_removed() -> None:
    """Runs drew from it: their doses are restated by a correction, which says why."""
    (told,) = _refused(_in_force(*creek(), fill("a_2", 160.0, START)), gone("mix", "a_2"))
    assert told == "mix.a_2: got its removal; expected it corrected, with why: runs since may have drawn from it"


@pytest.mark.parametrize(
    ("item_", "told"),
    [
        ({"kind": "program", "key": "x"}, "program.x"),
        ({"kind": "crop", "key": "x", "body": None}, "kind: got 'crop'"),
        ({"kind": "program", "key": "no name", "body": None}, "got the name 'no name'"),
    ],
    ids=["no body", "no such kind", "no name"],
)
def test_a_removal_is_said_in_so_many_words(item_: dict[str, Any], told: str) -> None:
    """A body that was forgotten removes nothing: only one that is null does."""
    with pytest.raises(DecisionError) as refused:
        parse_request(request("c1", item_))
    assert told in str(refused.value)


def test_a_bucket_test_is_removed_without_a_restatement(tmp_path: Path) -> None:
    """What is no filling changes no dose that was stated."""
    path = tmp_path / "ledger.db"
    test = item(
        "bucket_test",
        "one",
        mix="a_1",
        at=START.isoformat(),
        by="Mina",
        stock_ml=60.0,
        water_l=10.0,
        water_ec_ms_cm=0.6,
        mixed_ec_ms_cm=1.9,
    )
    with opened(path) as ledger:
        for command, decisions in (("c1", [*creek(), test]), ("c2", [gone("bucket_test", "one")])):
            asked = parse_request(request(command, *decisions))
            answer = record(ledger, kestrel(), read_in_force(path), asked, stamp()).answer
    assert answer.reason == "Removed bucket_test one as version 2."
    with reading(path) as connection:
        assert connection.execute("SELECT count(*) FROM dose_restated").fetchone() == (0,)

"""What a stop of the controller left of a claimed start: the rest of it, once, whatever came of the parts before."""

import random
from collections.abc import Sequence
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from daemon.agronomy.past import Past
from daemon.clock import UtcStamp
from daemon.control.record import canonical
from daemon.evidence import CommandAnswered, Dose, Evidence, RunEnded, RunStarted, StartClaimed
from daemon.folder import HISTORY
from daemon.ledger.history import History
from daemon.ledger.writer import Ledger
from daemon.planning.run_names import mark_of
from daemon.recipe import Recipe
from daemon.runtime.left_over import has_others, left_of
from daemon.runtime.start import Asked, plan_start
from tests.daemon.control.plant import demo_decisions, kestrel
from tests.daemon.ledger.samples import opened
from tests.daemon.runtime.farm import START, keep_rows

_CUT = ("ABORTED", "the controller stopped during the run")
_PROGRAMS = ["creek_night", "creek_rinse"]
_NIGHT = "2026-10-13"


def _claim(part: int, night: str = _NIGHT, programs: Sequence[str] = _PROGRAMS) -> StartClaimed:
    due_ms = round(START.timestamp() * 1000.0)
    return StartClaimed("nightly", 0, night, part, due_ms, canonical(list(programs)), f"{night}-{part}", "")


def _recipe(command: str, asked: Sequence[Asked]) -> Recipe:
    """Return the first that is asked, as it is planned."""
    return plan_start(kestrel(), demo_decisions(), asked[:1], command, START, Past()).plans[0].recipe


def _run(recipe: Recipe, share: float, end: tuple[str, str] = _CUT) -> list[Evidence]:
    """Return the rows of a run that ended after a share of its stock and water."""
    rows: list[Evidence] = [RunStarted(recipe.run, recipe.shift, "digest", canonical(asdict(recipe)))]
    for block in recipe.blocks:
        for plan in recipe.channels:
            for nutrient, planned_mg in block.planned_mg[plan.channel].items():
                injected_mg = round(share * planned_mg)
                figures = (planned_mg, injected_mg, injected_mg, 0, 0, 1, 1)
                rows.append(Dose(recipe.run, block.block, plan.channel, nutrient, "METER", "estimated", *figures))
    return [*rows, RunEnded(recipe.run, *end[:1], "SHORT", end[1], round(share * recipe.water_l * 1000.0), 0)]


def _keep(ledger: Ledger, *rows: Evidence) -> None:
    keep_rows(ledger, START, [(0, row) for row in rows])


def test_parts_together_never_pass_the_plan(tmp_path: Path) -> None:
    """Invariant 8: forty nights cut one to three times at any moment, some parts claimed and never begun."""
    dice = random.Random(5)
    with opened(tmp_path / "ledger.db") as ledger:
        for number in range(40):
            night, given_l, claims = f"night-{number}", 0.0, [_claim(0, f"night-{number}")]
            recipe = _recipe(claims[0].command, [Asked("creek_night")])
            planned_l = recipe.channels[0].stock_l
            for part in range(1, dice.randint(2, 4)):
                share = dice.random()
                _keep(ledger, claims[-1], *_run(recipe, share))
                given_l += share * recipe.channels[0].stock_l if recipe.channels else 0.0
                left, _ = left_of(ledger.path, claims)
                if dice.random() < 0.4:  # the power fails again between the claim and the start
                    claims.append(_claim(10 + part, night, [one.program for one in left]))
                    _keep(ledger, claims[-1])
                    assert left_of(ledger.path, claims)[0] == left
                assert [one.program for one in left] == _PROGRAMS
                rest = left[0].rest
                assert rest is not None
                still_l = rest.stock_l.get("calcium", 0.0)
                assert given_l + still_l <= 1.0001 * planned_l
                assert given_l + still_l == pytest.approx(planned_l, rel=0.051)
                claims.append(_claim(part, night, [one.program for one in left]))
                recipe = _recipe(claims[-1].command, left)


def test_what_ended_by_itself_or_by_hand_leaves_nothing(tmp_path: Path) -> None:
    """Only a stop of the controller leaves something over: what a person or an interlock ended is over."""
    with opened(tmp_path / "ledger.db") as ledger:
        for night, end in (("a", ("STOPPED", "stopped by hand")), ("b", ("COMPLETE", "")), ("c", ("ABORTED", "burst"))):
            _keep(ledger, _claim(0, night), *_run(_recipe(f"{night}-0", [Asked("creek_night")]), 0.5, end))
            assert left_of(ledger.path, [_claim(0, night)])[0] == []
        refused = CommandAnswered("d-0", "timetable", "daemon", "start", "{}", False, "no")
        _keep(ledger, _claim(0, "d"), refused)
        assert left_of(ledger.path, [_claim(0, "d")])[0] == []


def test_a_start_that_was_claimed_and_never_made_is_left_whole(tmp_path: Path) -> None:
    """Power that fails between the claim and the start has given nothing."""
    with opened(tmp_path / "ledger.db") as ledger:
        _keep(ledger, _claim(0))
        left, lived_ms = left_of(ledger.path, [_claim(0)])
    assert left == [Asked(program) for program in _PROGRAMS]
    assert lived_ms == _claim(0).due_ms


def test_who_starts_something_by_hand_has_taken_the_night_over(tmp_path: Path) -> None:
    """After a cut somebody may have started the rest already: then it is not given by itself as well."""
    with opened(tmp_path / "ledger.db") as ledger:
        recipe = _recipe(_claim(0).command, [Asked("creek_night")])
        before = replace(recipe, run=f"earlier-{mark_of('x')}0")
        _keep(ledger, *_run(before, 1.0), _claim(0), *_run(recipe, 0.5))
        assert not has_others(ledger.path, _claim(0))
        _keep(ledger, *_run(replace(recipe, run=f"by-hand{mark_of('y')}0"), 1.0))
        assert has_others(ledger.path, _claim(0))


def test_water_without_rows_is_known_by_its_flow(tmp_path: Path) -> None:
    """A run of water alone writes no row on its way: the readings tell how long it went, and what passed."""
    end = START + timedelta(hours=3)
    with opened(tmp_path / "ledger.db") as ledger:
        asked = [Asked("creek_night")]
        decisions = demo_decisions(program={"injections": []})
        recipe = plan_start(kestrel(), decisions, asked, _claim(0).command, START, Past()).plans[0].recipe
        started, *_, ended = _run(recipe, 0.0)
        _keep(ledger, _claim(0), started)
        keep_rows(ledger, end, [(0, ended)])
        no_readings, lived_ms = left_of(ledger.path, [_claim(0)])
        assert no_readings[0].rest is not None
        assert no_readings[0].rest.water_m3 == pytest.approx(recipe.water_l / 1000.0)
        assert lived_ms == round(START.timestamp() * 1000.0)
        history = History(tmp_path / HISTORY)
        last_ms = 0
        for minute in range(61):
            last_ms = UtcStamp(START + timedelta(minutes=minute), True).ms
            history.append(last_ms, {"flow_m3_h": 30.0})
        history.close()
        left, lived_ms = left_of(ledger.path, [_claim(0)])
        assert left[0].rest is not None
        assert left[0].rest.water_m3 == pytest.approx(recipe.water_l / 1000.0 - 30.0)
        assert lived_ms == last_ms == round(datetime(2026, 10, 13, 12, 30, tzinfo=UTC).timestamp() * 1000.0)

"""The account of the pipes by itself: what water pays of a flush, what is owed again, and what is booked to nobody."""

import math
from typing import Any

import pytest

from daemon.control.lines import (
    MAIN,
    Lines,
    Owed,
    aged,
    flow_on,
    lay,
    owe,
    owe_everywhere,
    owe_segments,
    owed_on_path,
    pay,
    unscheduled,
    whole_on_path,
)
from daemon.control.run import Run, begin
from daemon.control.sense import Facts
from daemon.dosing.estimates import reading_pct
from daemon.evidence import FlushCleared, FlushOwed, Unscheduled
from daemon.recipe import BlockPlan
from tests.daemon.control.plant import Rig
from tests.daemon.control.sites import night, orchard

_RECIPE = night(orchard(), ("creek", "hill"), 5.0, ("a", 8.0, 2.0))
_SHARES = {block.block: block.share for block in _RECIPE.blocks}
_STOCK = _RECIPE.channels[0].stock


def _run() -> Run:
    return begin(_RECIPE)


def _facts(water_l: float = 0.0, **more: Any) -> Facts:
    return Rig(orchard()).scan().facts._replace(water_moved_l=water_l, displaces=True, **more)


def _debt(segment: str, left_l: float, *, run: str = "run-0", stock: str = "old", full_l: float = 1000.0) -> Owed:
    return Owed(segment, stock, run, full_l, left_l)


def _left(lines: Lines) -> dict[str, float]:
    return {item.segment: item.left_l for item in lines.owed}


def _paid(
    *owed: Owed, water_l: float = 100.0, fit: float = 1.0, loading: frozenset[str] = frozenset(), **facts: Any
) -> Lines:
    lines, _ = pay(_run(), Lines(owed=owed), _facts(water_l, **facts), loading, fit)
    return lines


def test_water_pays_each_segment_by_its_share() -> None:
    """Guards rule 2: the main has all of it, a block its share, and what is not on the open path nothing."""
    lines = _paid(*(_debt(segment, 500.0) for segment in (MAIN, "creek", "hill", "ridge")))
    assert _left(lines) == {
        MAIN: 400.0,
        "creek": pytest.approx(500.0 - 100.0 * _SHARES["creek"]),
        "hill": pytest.approx(500.0 - 100.0 * _SHARES["hill"]),
        "ridge": 500.0,
    }


@pytest.mark.parametrize(("owed_l", "left_l"), [(100.5, {MAIN: 0.5}), (100.0, {})])
def test_a_segment_is_flushed_by_the_last_of_its_litres(owed_l: float, left_l: dict[str, float]) -> None:
    """Guards rule 2: half a litre that is owed is owed still."""
    assert _left(_paid(_debt(MAIN, owed_l))) == left_l


@pytest.mark.parametrize(
    ("fit", "main", "creek"), [(2.0, 50.0, 50.0), (0.5, 100.0, 0.0), (1.0, 100.0, 100.0)], ids=["more", "less", "own"]
)
def test_another_flow_than_the_shifts_pays_less(fit: float, main: float, creek: float) -> None:
    """Guards the flush: of twice the flow half may have gone elsewhere; of half of it no block is sure to have any."""
    lines = _paid(_debt(MAIN, 500.0), _debt("creek", 500.0), fit=fit)
    assert _left(lines)[MAIN] == pytest.approx(500.0 - main)
    assert _left(lines)["creek"] == pytest.approx(500.0 - creek * _SHARES["creek"])


def test_water_to_the_drain_pays_nothing() -> None:
    """Guards rule 17."""
    facts = _facts(100.0)._replace(displaces=False)
    owed = (_debt(MAIN, 500.0),)
    assert pay(_run(), Lines(owed=owed), facts, frozenset(), 1.0) == (Lines(owed=owed), ())


def test_stock_that_enters_owes_its_flush_again() -> None:
    """Guards rule 2: from the last injected litre on; another stock's debt is paid meanwhile."""
    own = _debt(MAIN, 300.0, run="run-1", stock=_STOCK)
    lines = _paid(own, _debt(MAIN, 300.0), loading=frozenset("a"))
    assert [(item.stock, item.left_l) for item in lines.owed] == [(_STOCK, 1000.0), ("old", 200.0)]
    lines = _paid(own, loading=frozenset("a"), water_l=0.0)
    assert lines.owed[0].left_l == 1000.0


def test_stock_of_a_channel_of_no_run_owes_all_again() -> None:
    """Guards rule 14: with a foreign injector moving nothing on the path is clean."""
    lines = _paid(_debt(MAIN, 300.0), _debt("creek", 300.0), _debt("ridge", 300.0), loading=frozenset("b"))
    assert _left(lines) == {MAIN: 1000.0, "creek": 1000.0, "ridge": 300.0}


def test_a_segment_is_cleared_when_the_last_run_that_owed_it_is_paid() -> None:
    """Guards the record: it clears a segment of a stock, whoever owed it."""
    owed = (_debt(MAIN, 100.0), _debt(MAIN, 150.0, run="run-9"))
    lines, rows = pay(_run(), Lines(owed=owed), _facts(100.0), frozenset(), 1.0)
    assert [item.run for item in lines.owed] == ["run-9"] and not rows
    lines, rows = pay(_run(), lines, _facts(50.0), frozenset(), 1.0)
    assert lines.owed == () and rows == (FlushCleared(MAIN, "old", 1_000_000, "flush volume passed"),)
    assert pay(_run(), lines, _facts(50.0), frozenset(), 1.0) == (lines, ())


def test_what_the_shift_must_still_pass() -> None:
    """Guards the pre-wet: the most of all debts on the path, as water of the main's meter."""
    lines = Lines(owed=(_debt(MAIN, 100.0), _debt("hill", 200.0), _debt("ridge", 900.0)))
    assert owed_on_path(_RECIPE, lines) == pytest.approx(200.0 / _SHARES["hill"])
    assert whole_on_path(_RECIPE, lines) == pytest.approx(1000.0 / _SHARES["hill"])
    assert owed_on_path(_RECIPE, Lines()) == 0.0


def test_an_injection_owes_main_and_blocks_before_it_begins() -> None:
    """Guards invariant 2: the recipe's flush by the blocks' shares, the main by the same factor; what is owed stays."""
    lines, rows = owe(_run(), Lines(), frozenset("a"))
    factor = _RECIPE.flush_l / max(block.path.transit_l / block.share for block in _RECIPE.blocks)
    assert _left(lines) == {
        MAIN: pytest.approx(_RECIPE.main_l * factor),
        "creek": pytest.approx(_RECIPE.flush_l * _SHARES["creek"]),
        "hill": pytest.approx(_RECIPE.flush_l * _SHARES["hill"]),
    }
    assert {(row.segment, row.stock, row.run) for row in rows if isinstance(row, FlushOwed)} == {
        (segment, _STOCK, "run-1") for segment in (MAIN, "creek", "hill")
    }
    again, rows = owe(
        _run(), lines._replace(owed=(lines.owed[0]._replace(left_l=1.0), *lines.owed[1:])), frozenset("a")
    )
    assert not rows and again.owed[0].left_l == 1.0
    assert owe(_run(), Lines(), frozenset("b")) == (Lines(owed=()), ())


def test_what_went_astray_owes_from_half_a_litre_on() -> None:
    """Guards rule 7: a jolt owes nothing, adds up, and what is owed already is owed whole again."""
    site = orchard().site
    assert owe_everywhere(site, Lines(), {"a": 0.0, "b": 0.0}) == (Lines(), ())
    lines, rows = owe_everywhere(site, Lines(), {"a": 0.3, "b": 0.0})
    assert not rows and not lines.owed and lines.astray_l["a"] == 0.3
    lines, rows = owe_everywhere(site, lines, {"a": 0.2, "b": 0.0})
    assert _left(lines).keys() == {MAIN, "creek", "ridge", "hill"} and len(rows) == 4 and lines.astray_l["a"] == 0.0
    paid = lines._replace(owed=tuple(item._replace(left_l=1.0) for item in lines.owed))
    again, rows = owe_everywhere(site, paid, {"a": 0.6, "b": 0.0})
    assert not rows and again.owed == lines.owed
    few, _ = owe_segments(site, Lines(), {"a": 0.6}, {"ridge"})
    assert _left(few).keys() == {MAIN, "ridge"}


def test_debts_grow_old() -> None:
    """Guards flush-owed-long: by the seconds of each scan, and the oldest is told."""
    lines = Lines(owed=(_debt(MAIN, 1.0), _debt("creek", 1.0)._replace(age_s=5.0)))
    assert aged(lines, 2.0).owed_s == 7.0 and aged(lines, 2.0).owed[0].age_s == 2.0
    assert aged(Lines(), 2.0) == Lines() and Lines().owed_s == 0.0


@pytest.mark.parametrize(
    ("name", "litres", "is_told"), [(MAIN, 99.9, False), (MAIN, 100.0, True), ("a", 0.09, False), ("a", 0.1, True)]
)
def test_what_is_nobodys_gets_a_row_once_it_is_worth_one(name: str, litres: float, is_told: bool) -> None:
    """Guards invariant 7 outside of runs: nothing is lost, and no row says less than it may."""
    lines, rows = unscheduled(Lines(unscheduled_l={name: 0.0}), {name: litres}, "why")
    assert rows == ((Unscheduled(name, round(litres * 1000.0), "measured", "why"),) if is_told else ())
    assert lines.unscheduled_l[name] == (0.0 if is_told else litres)
    lines, rows = unscheduled(lines._replace(unscheduled_l={name: 1000.0}), {name: 0.0}, "why")
    assert lines.unscheduled_l[name] == 0.0 and len(rows) == 1


@pytest.mark.parametrize(
    ("facts", "is_blind"),
    [
        ({}, False),
        ({"water_stands": True}, True),
        ({"counter_resets": (MAIN,)}, True),
        ({"counter_resets": ("a",)}, False),
    ],
)
def test_water_that_was_not_counted_makes_the_account_blind(facts: dict[str, Any], is_blind: bool) -> None:
    """Guards the band: where the stock is now is not known, until the next run lays its pipes."""
    lines = lay(orchard().site, _RECIPE, Lines())
    after = flow_on(lines, _facts(0.0, **facts), {"a": 0.0}, 1.0)
    assert after.is_blind is is_blind
    assert flow_on(after, _facts(), {"a": 0.0}, 1.0).is_blind is is_blind
    assert not lay(orchard().site, _RECIPE, after).is_blind


def test_the_pipes_move_by_the_shifts_own_water() -> None:
    """Guards the field: each block by its share; of more flow the rest is in doubt, and none of a drain's displaces."""
    lines = lay(orchard().site, _RECIPE, Lines())

    def moved(facts: Facts, fit: float, stock_l: float = 0.0) -> tuple[float, float, float]:
        pipe = flow_on(lines, facts, {"a": stock_l}, fit).pipes["a", "creek"]
        return pipe.water_l / _SHARES["creek"], pipe.frozen_l / _SHARES["creek"], pipe.stock_l / _SHARES["creek"]

    assert moved(_facts(0.2), 1.0, 0.1) == pytest.approx((0.2, 0.0, 0.1))
    assert moved(_facts(0.2), 2.0) == pytest.approx((0.1, 0.1, 0.0))
    assert moved(_facts(0.2), 0.5) == pytest.approx((0.2, 0.0, 0.0))
    assert moved(_facts(0.2)._replace(displaces=False), 1.0) == pytest.approx((0.0, 0.2, 0.0))
    assert moved(_facts(0.0), 1.0, 0.1) == pytest.approx((0.0, 0.0, 0.1))
    assert flow_on(lines, _facts(0.0), {"a": 0.0}, 1.0) is lines


@pytest.mark.parametrize("block", _RECIPE.blocks, ids=lambda block: block.block)
def test_both_ends_of_what_is_not_known_of_the_pipes_are_followed(block: BlockPlan) -> None:
    """Guards the bands of a flush cut short: pipes smaller and larger by volume, main meter and share together."""
    site = orchard().site
    way = lay(site, _RECIPE, Lines()).pipes["a", block.block].way
    meter_pct = reading_pct(_RECIPE.calibrated_pct, "main.water", site.main.water)
    band = math.hypot(block.path.accuracy_pct, meter_pct, block.share_accuracy_pct) / 100.0
    assert 0.0 < band < 0.5
    for name in ("main_l", "submain_l", "lateral_l"):
        litres = [getattr(line, name) for line in (way.short, way.line, way.long)]
        assert litres == pytest.approx([litres[1] * (1.0 - band), litres[1], litres[1] * (1.0 + band)])

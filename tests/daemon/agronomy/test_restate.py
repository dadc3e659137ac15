"""Doses stated anew: what follows from a corrected mix, and nothing else (invariant 7: sums stay those of the run)."""

import dataclasses
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.agronomy.contents import Contents
from daemon.agronomy.restate import Correction, Drawing, Strength, first_difference_ms, restated, strengths_of
from daemon.agronomy.tank import Entry
from daemon.decisions.tanks import Mix
from daemon.evidence import Dose, DoseRestated

_PLANNED = {"N": 80.0, "Ca": 90.0}
_BEGUN_MS, _ENDED_MS = 1_000_000, 1_100_000
_LONG_AGO_MS = 0
_BECAUSE = Correction("fill_1", "the second bag was potassium nitrate", "Mina")
_FIGURES = ("injected_mg", "delivered_mg", "in_lines_mg", "lost_mg", "u_injected_mg", "u_delivered_mg")


def _dose(nutrient: str, stock_l: float, share: float, out: float, lost: float, estimate: str = "METER") -> Dose:
    """Return what the meter makes of litres of stock, of which a part is out of the emitters and a part lost."""
    injected_mg = round(stock_l * share * _PLANNED[nutrient] * 1000.0)
    delivered_mg, lost_mg = round(out * injected_mg), round(lost * injected_mg)
    return Dose(
        run="r1",
        block=f"b{share:g}",
        channel="a",
        nutrient=nutrient,
        estimate=estimate,
        basis="measured",
        planned_mg=round(1.02 * injected_mg),
        injected_mg=injected_mg,
        delivered_mg=delivered_mg,
        in_lines_mg=injected_mg - delivered_mg - lost_mg,
        lost_mg=lost_mg,
        u_injected_mg=round(0.03 * injected_mg),
        u_delivered_mg=round(0.08 * delivered_mg),
    )


def _drawing(stock_l: float = 40.0, out: float = 0.9, lost: float = 0.04, **changes: Any) -> Drawing:
    """Return two blocks' doses of a channel that drew evenly; checkpoints come every ten seconds."""
    even = Drawing(
        run="r1",
        channel="a",
        nutrients_g_l=_PLANNED,
        from_ms=_BEGUN_MS,
        to_ms=_ENDED_MS,
        checkpoints=tuple((_BEGUN_MS + 10_000 * n, round(100.0 * stock_l * n)) for n in range(1, 10)),
        doses=tuple(_dose(n, stock_l, share, out, lost) for share in (0.25, 0.75) for n in _PLANNED),
        restated=(),
    )
    return dataclasses.replace(even, **changes)


def _always(**nutrients_g_l: float) -> tuple[Strength, ...]:
    return (Strength(_LONG_AGO_MS, nutrients_g_l),)


def _restate(drawing: Drawing, new: Sequence[Strength], old: Sequence[Strength] = ()) -> tuple[DoseRestated, ...]:
    return restated(drawing, old, new, _BECAUSE)


def _with(drawing: Drawing, rows: Sequence[DoseRestated]) -> Drawing:
    return dataclasses.replace(drawing, restated=(*drawing.restated, *rows))


def _figures(row: Dose | DoseRestated) -> tuple[int, ...]:
    return tuple(getattr(row, name) for name in _FIGURES)


def _newest(drawing: Drawing) -> dict[tuple[str, str, str], tuple[int, ...]]:
    """Return the figures that hold, without those that are nothing."""
    stated: list[Dose | DoseRestated] = [*drawing.doses, *drawing.restated]
    rows = {(row.block, row.nutrient, row.estimate): _figures(row) for row in stated}
    return {name: figures for name, figures in rows.items() if any(figures)}


def test_a_weaker_tank_gave_less_of_all() -> None:
    """Half the strength is half of every figure; place, plan, and who corrected what and why stand in the row."""
    drawing = _drawing()
    rows = _restate(drawing, _always(N=40.0, Ca=45.0))
    assert len(rows) == len(drawing.doses) == 4
    originals = {(dose.block, dose.nutrient): dose for dose in drawing.doses}
    for row in rows:
        original = originals[row.block, row.nutrient]
        assert _figures(row) == pytest.approx([figure / 2.0 for figure in _figures(original)], abs=1.0)
        assert (row.planned_mg, row.basis, row.estimate) == (original.planned_mg, "measured", "METER")
        assert (row.mix, row.why, row.who) == ("fill_1", "the second bag was potassium nitrate", "Mina")


def test_a_nutrient_comes_and_another_goes() -> None:
    """A wrong bag: what was not in it was never given, what nobody knew of was, and what is as it was has no row."""
    rows = {(row.block, row.nutrient): row for row in _restate(_drawing(), _always(N=80.0, K=25.0))}
    assert {nutrient for _, nutrient in rows} == {"Ca", "K"}
    assert _figures(rows["b0.25", "Ca"]) == (0, 0, 0, 0, 0, 0)
    added = rows["b0.75", "K"]
    assert (added.planned_mg, added.injected_mg) == (0, 30 * 25_000)
    assert added.delivered_mg == pytest.approx(0.9 * added.injected_mg, abs=2.0)
    assert added.u_injected_mg == pytest.approx(0.03 * added.injected_mg, abs=2.0)


def test_a_top_up_changes_the_strength_from_then_on() -> None:
    """Drawn three quarters before a top-up to a third of the strength: the emitters had the first of it.

    By hand, for 40 L: 30 L at 80 g/L and 10 L at 24 g/L; out are the first 36 L, lost the next 1.6 L, the last 2.4 L
    lie in the lines.
    """
    topped_up = (Strength(_LONG_AGO_MS, _PLANNED), Strength(_BEGUN_MS + 75_000, {"N": 24.0, "Ca": 90.0}))
    rows = _restate(_drawing(), topped_up)
    assert {row.nutrient for row in rows} == {"N"}
    injected_g, delivered_g, lost_g, in_lines_g = 2640.0, 30 * 80.0 + 6 * 24.0, 1.6 * 24.0, 2.4 * 24.0
    for row in rows:
        share = float(row.block[1:])
        expected = (injected_g * share, delivered_g * share, in_lines_g * share, lost_g * share)
        assert _figures(row)[:4] == pytest.approx([1000.0 * grams for grams in expected], abs=3.0)
        mixed_mg = 36.0 * share * 66_000.0
        assert row.u_delivered_mg**2 == pytest.approx(
            (0.08 * mixed_mg) ** 2 + (row.delivered_mg - mixed_mg) ** 2, rel=0.01
        )


@pytest.mark.parametrize(
    ("moment_ms", "part"),
    [(-1, 0.0), (0, 0.0), (15_000, 0.1), (40_000, 0.2), (60_000, 0.6), (99_000, 1.0), (200_000, 1.0)],
)
def test_a_top_up_counts_by_the_checkpoints(moment_ms: int, part: float) -> None:
    """Stock drawn unevenly: from 10 s on, with a pause from 20 to 50 s, all in after 70 s; a top-up at each place."""
    checkpoints = tuple((_BEGUN_MS + 1000 * s, ml) for s, ml in ((10, 0), (20, 8_000), (50, 8_000), (70, 40_000)))
    drawing = _drawing(checkpoints=checkpoints)
    topped_up = (Strength(_LONG_AGO_MS, _PLANNED), Strength(_BEGUN_MS + moment_ms, {"N": 0.0, "Ca": 90.0}))
    rows = [row for row in _restate(drawing, topped_up) if row.nutrient == "N"]
    injected_mg = sum(row.injected_mg for row in rows) if rows else 40 * 80_000
    assert injected_mg == pytest.approx(part * 40 * 80_000, abs=2.0)


def test_what_the_tanks_history_does_not_tell_stands() -> None:
    """Before the first entry of a log, and while nobody can tell what is in the tank, the dose is as it was stated."""
    assert _restate(_drawing(), (Strength(_ENDED_MS, {"N": 1.0}),)) == ()
    assert _restate(_drawing(), (Strength(_LONG_AGO_MS, None),)) == ()
    later = (Strength(_LONG_AGO_MS, None), Strength(_BEGUN_MS + 50_000, {"N": 0.0, "Ca": 90.0}))
    assert {row.nutrient for row in _restate(_drawing(), later)} == {"N"}


def test_a_history_that_was_the_same_while_it_ran_restates_nothing() -> None:
    """A run before the correction, and one after the wrong mix was washed out, keep their doses and their labels."""
    old = (Strength(_LONG_AGO_MS, {"N": 70.0}), Strength(_BEGUN_MS - 5, {"N": 60.0}), Strength(_ENDED_MS, {"N": 5.0}))
    new = (Strength(_LONG_AGO_MS, {"N": 10.0}), Strength(_BEGUN_MS - 5, {"N": 60.0}), Strength(_ENDED_MS, {"N": 9.0}))
    assert _restate(_drawing(), new, old) == ()


def test_what_ec_saw_is_not_restated_by_litres() -> None:
    """EC does not rest on litres times strength; the tank's draw-down does, and has the meter's correction."""
    doses = [_dose("N", 40.0, 1.0, 0.9, 0.0, estimate) for estimate in ("METER", "EC", "TANK")]
    rows = _restate(_drawing(doses=tuple(doses)), _always(N=40.0))
    assert [row.estimate for row in rows] == ["METER", "TANK"]


def test_nothing_drawn_is_nothing_restated() -> None:
    """A channel that never opened has nothing to correct."""
    drawing = _drawing(0.0)
    assert _restate(drawing, _always(N=1.0, P=5.0)) == ()


_strengths = st.dictionaries(st.sampled_from(["N", "Ca", "K", "P"]), st.floats(0.0, 400.0), max_size=4)
_histories = st.lists(
    st.tuples(st.integers(_BEGUN_MS - 20_000, _ENDED_MS + 20_000), st.none() | _strengths),
    max_size=4,
    unique_by=lambda item: item[0],
).map(lambda items: tuple(Strength(ms, held) for ms, held in sorted(items, key=lambda item: item[0])))
_drawings = st.builds(_drawing, st.floats(0.0, 5000.0), st.floats(0.0, 1.0), st.floats(0.0, 1.0)).filter(
    lambda drawing: all(dose.in_lines_mg >= 0 for dose in drawing.doses)
)


@given(_drawings, _histories)
def test_what_was_injected_is_delivered_left_or_lost(drawing: Drawing, history: tuple[Strength, ...]) -> None:
    """Invariant 7: a restated row adds up as its original does, and nothing in it is under nothing."""
    for row in _restate(drawing, history):
        assert row.injected_mg == row.delivered_mg + row.in_lines_mg + row.lost_mg
        assert min(_figures(row)) >= -1  # of three roundings
        assert min(row.u_injected_mg, row.u_delivered_mg) >= 0


@given(_drawings, _histories)
def test_stating_the_same_again_adds_nothing(drawing: Drawing, history: tuple[Strength, ...]) -> None:
    """Runs whose doses do not change get no row, however often somebody corrects."""
    once = _with(drawing, _restate(drawing, history))
    assert _restate(once, history) == ()


@given(_drawings, _histories)
def test_a_correction_taken_back_gives_the_first_figures(drawing: Drawing, history: tuple[Strength, ...]) -> None:
    """A correction that was itself wrong leaves no trace in what holds: to the milligram."""
    once = _with(drawing, _restate(drawing, history))
    twice = _with(once, _restate(once, (), history))
    assert _newest(twice) == _newest(drawing)


@given(_drawings, _histories, _histories)
def test_only_the_last_correction_counts(
    drawing: Drawing, first: tuple[Strength, ...], second: tuple[Strength, ...]
) -> None:
    """What holds does not depend on how often, or by which way, the log was corrected."""
    once = _with(drawing, _restate(drawing, first))
    assert _newest(_with(once, _restate(once, second, first))) == _newest(_with(drawing, _restate(drawing, second)))


@given(_drawings, st.integers(0, 100_000), _strengths, _strengths)
def test_a_dose_lies_between_the_strengths_drawn(
    drawing: Drawing, moment_ms: int, before: Mapping[str, float], after: Mapping[str, float]
) -> None:
    """No top-up makes more of a nutrient than the stronger of the two solutions had, or less than the weaker."""
    history = (Strength(_LONG_AGO_MS, before), Strength(_BEGUN_MS + moment_ms, after))
    for row in _restate(drawing, history):
        litres = next(d for d in drawing.doses if d.block == row.block and d.nutrient == "Ca")
        held = [strengths.get(row.nutrient, 0.0) for strengths in (before, after)]
        for name in ("injected_mg", "delivered_mg", "lost_mg"):
            stock_l = getattr(litres, name) / (1000.0 * _PLANNED["Ca"])
            assert 1000.0 * stock_l * min(held) - 2.0 <= getattr(row, name) <= 1000.0 * stock_l * max(held) + 2.0


def test_histories_differ_first_where_they_differ() -> None:
    """Only runs since then are looked at: an entry of the same strength, or a moment later, is no difference."""
    fill = Strength(1_000, {"N": 80.0})
    assert first_difference_ms((), ()) is None
    assert first_difference_ms((fill,), (fill, Strength(2_000, {"N": 80.0}))) is None
    assert first_difference_ms((), (fill,)) == 1_000
    assert first_difference_ms((fill,), (Strength(500, {"N": 80.0}), fill)) == 500
    assert first_difference_ms((fill, Strength(3_000, {"N": 1.0})), (fill, Strength(3_000, None))) == 3_000


def test_a_log_tells_strengths_by_its_moments() -> None:
    """The mix's own moment counts, to the millisecond, and a tank of which nobody can tell says so."""
    at = datetime(2026, 11, 2, 8, 0, 0, 250_000, tzinfo=UTC)
    mix = Mix(tank="a", did="drained", at=at, by="Jo", heel_l=10.0)
    held = Contents(
        tank="a",
        stock="calcium",
        batch="fill_1",
        since=at,
        litres=900.0,
        products_g_l={"calcium_nitrate_double_salt": 200.0},
        nutrients_g_l=_PLANNED,
        nitrogen_g_l={"nitrate": 80.0},
        product_g_l=200.0,
        solutes=(),
        made_with=None,
        ec_ms_cm_per_g_l=1.1,
        products_ec_ms_cm_per_g_l=1.15,
        bucket_g_l=None,
        strength_accuracy_pct=2.0,
    )
    log = (Entry("fill_1", mix, held, ""), Entry("drain_1", mix, None, ""))
    assert strengths_of(log) == (Strength(1_793_606_400_250, _PLANNED), Strength(1_793_606_400_250, None))

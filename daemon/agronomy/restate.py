"""Doses stated anew, once it is known better what was in the tank while a run drew from it.

A dose is litres of stock times the strength that the tank was taken to have. A corrected mix changes the strength and
leaves the litres, so each figure follows from the original row; the row itself stays as it is.
"""

import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from daemon.agronomy.tank import Entry
from daemon.evidence import Dose, DoseRestated

_BY_LITRES = ("METER", "TANK")
"""Estimates that are litres times strength. What EC says of another mix does not follow from its dose alone."""


@dataclass(frozen=True, slots=True)
class Strength:
    """What a litre of a tank's stock held from one moment on."""

    since_ms: int
    """Since 1970 UTC, as all moments here."""
    nutrients_g_l: Mapping[str, float] | None
    """None where the tank was empty or nobody can tell: what was stated of it stands."""


@dataclass(frozen=True, slots=True)
class Drawing:
    """What one channel drew from its tank in one run, and the doses that were stated of it."""

    run: str
    channel: str
    nutrients_g_l: Mapping[str, float]
    """Of the stock, as its doses were stated with."""
    from_ms: int
    """Nothing was drawn before."""
    to_ms: int
    """All was drawn by then."""
    checkpoints: tuple[tuple[int, int], ...]
    """(moment, mL of stock since the run began), in order."""
    doses: tuple[Dose, ...]
    restated: tuple[DoseRestated, ...]
    """Earlier restatements, oldest first."""


@dataclass(frozen=True, slots=True)
class Correction:
    """What made the doses be stated anew."""

    mix: str
    why: str
    who: str


class _Litres(NamedTuple):
    """Figures of one block as litres of stock."""

    injected: float
    delivered: float
    lost: float
    u_injected: float
    u_delivered: float


class _Figures(NamedTuple):
    """Those figures of a row that a corrected mix changes."""

    injected_mg: int
    delivered_mg: int
    in_lines_mg: int
    lost_mg: int
    u_injected_mg: int
    u_delivered_mg: int


_NOTHING = _Figures(0, 0, 0, 0, 0, 0)

_Pieces = Sequence[tuple[float, Mapping[str, float]]]
"""The stock in the order in which it was drawn: up to which part of it (0 to 1) each strength goes."""


def strengths_of(log: Iterable[Entry]) -> tuple[Strength, ...]:
    """Return the strengths that a tank's log tells of, in its order."""
    return tuple(
        Strength(
            round(entry.mix.at.timestamp() * 1000.0),
            None if entry.contents is None else entry.contents.nutrients_g_l,
        )
        for entry in log
    )


def first_difference_ms(old: Sequence[Strength], new: Sequence[Strength]) -> int | None:
    """Return the earliest moment at which two histories of a tank differ; None when they never do."""
    moments = sorted({strength.since_ms for strength in (*old, *new)})
    return next((ms for ms in moments if _strength_at(old, ms) != _strength_at(new, ms)), None)


def restated(
    drawing: Drawing, old: Sequence[Strength], new: Sequence[Strength], correction: Correction
) -> tuple[DoseRestated, ...]:
    """Return a row for each dose that is now another one than was stated last.

    `old` and `new` are the tank's strengths in order of time, without and with the correction: where they are the same
    while the channel drew, nothing is stated anew. Before the first of them the strength that was planned with holds.

    What left the emitters is what was injected first, what is in the lines came last; the difference to stock of one
    mean strength enters the uncertainty, since the pipes mix a little. A nutrient that the tank did not hold after all
    is stated as nothing, one that nobody knew of gets rows too.
    """
    groups: dict[tuple[str, str], dict[str, Dose]] = {}
    for dose in drawing.doses:
        if dose.estimate in _BY_LITRES:
            groups.setdefault((dose.block, dose.estimate), {})[dose.nutrient] = dose
    known = {place: _litres(doses, drawing.nutrients_g_l) for place, doses in groups.items()}
    total_l = sum(litres.injected for (_, estimate), litres in known.items() if estimate == "METER")
    pieces = _pieces(drawing, new, 1000.0 * total_l)
    if pieces == _pieces(drawing, old, 1000.0 * total_l):
        return ()
    newest = {(row.block, row.estimate, row.nutrient): _figures(row) for row in drawing.restated}
    later = {name for _, held in pieces for name in held} | {row.nutrient for row in drawing.restated}
    rows: list[DoseRestated] = []
    for (block, estimate), doses in groups.items():
        for nutrient in sorted({*doses, *later}):
            original = doses.get(nutrient)
            before = _figures(original) if original is not None else _NOTHING
            is_as_planned = all(
                held.get(nutrient, 0.0) == drawing.nutrients_g_l.get(nutrient, 0.0) for _, held in pieces
            )
            figures = before if is_as_planned else _restate(known[block, estimate], pieces, nutrient)
            if figures != newest.get((block, estimate, nutrient), before):
                rows.append(
                    DoseRestated(
                        run=drawing.run,
                        block=block,
                        channel=drawing.channel,
                        nutrient=nutrient,
                        estimate=estimate,
                        basis=next(iter(doses.values())).basis,
                        planned_mg=original.planned_mg if original is not None else 0,
                        **figures._asdict(),
                        mix=correction.mix,
                        why=correction.why,
                        who=correction.who,
                    )
                )
    return tuple(rows)


def _litres(doses: Mapping[str, Dose], nutrients_g_l: Mapping[str, float]) -> _Litres:
    """Return a block's doses as litres of stock, by the strongest nutrient: the milligrams are rounded."""
    nutrient = max(doses, key=lambda name: nutrients_g_l.get(name, 0.0))
    dose, mg_l = doses[nutrient], 1000.0 * nutrients_g_l.get(nutrient, 0.0)
    if mg_l <= 0.0:
        return _Litres(0.0, 0.0, 0.0, 0.0, 0.0)
    return _Litres(
        dose.injected_mg / mg_l,
        dose.delivered_mg / mg_l,
        dose.lost_mg / mg_l,
        dose.u_injected_mg / mg_l,
        dose.u_delivered_mg / mg_l,
    )


def _pieces(drawing: Drawing, strengths: Sequence[Strength], total_ml: float) -> _Pieces:
    """Return what was drawn; at the strength that the doses were stated with where the tank's history has none."""
    changes = [strength.since_ms for strength in strengths if drawing.from_ms < strength.since_ms < drawing.to_ms]
    ends = [_part_drawn(drawing, ms, total_ml) for ms in changes] + [1.0]
    held = [_strength_at(strengths, ms) for ms in (drawing.from_ms, *changes)]
    return [(end, drawing.nutrients_g_l if known is None else known) for end, known in zip(ends, held, strict=True)]


def _part_drawn(drawing: Drawing, ms: int, total_ml: float) -> float:
    """Return the part of the stock that was drawn by a moment, evenly between two checkpoints."""
    points = [(drawing.from_ms, 0.0), *drawing.checkpoints, (drawing.to_ms, total_ml)]
    place = bisect_right(points, ms, key=lambda point: point[0])
    (before_ms, before_ml), (after_ms, after_ml) = points[place - 1], points[min(place, len(points) - 1)]
    passed = _part(ms - before_ms, after_ms - before_ms)  # a clock that was set may have put them out of order
    drawn_ml = before_ml + passed * (after_ml - before_ml)
    return min(1.0, drawn_ml / total_ml) if total_ml > 0.0 else 0.0


def _strength_at(strengths: Sequence[Strength], ms: int) -> Mapping[str, float] | None:
    place = bisect_right(strengths, ms, key=lambda strength: strength.since_ms)
    return strengths[place - 1].nutrients_g_l if place else None


def _restate(litres: _Litres, pieces: _Pieces, nutrient: str) -> _Figures:
    """Return the figures of a nutrient for litres of stock; as ever, what was injected is delivered, left or lost."""
    mean_mg_l = 1000.0 * _mean_g_l(pieces, nutrient, 0.0, 1.0)
    out = _part(litres.delivered, litres.injected)
    lost = _part(litres.delivered + litres.lost, litres.injected)
    injected_mg = litres.injected * mean_mg_l
    delivered_mg = litres.delivered * 1000.0 * _mean_g_l(pieces, nutrient, 0.0, out)
    lost_mg = litres.lost * 1000.0 * _mean_g_l(pieces, nutrient, out, lost)
    return _Figures(
        injected_mg=round(injected_mg),
        delivered_mg=round(delivered_mg),
        in_lines_mg=round(injected_mg) - round(delivered_mg) - round(lost_mg),
        lost_mg=round(lost_mg),
        u_injected_mg=round(litres.u_injected * mean_mg_l),
        u_delivered_mg=round(math.hypot(litres.u_delivered * mean_mg_l, delivered_mg - litres.delivered * mean_mg_l)),
    )


def _part(some: float, whole: float) -> float:
    return min(1.0, max(0.0, some / whole)) if whole > 0.0 else 0.0


def _mean_g_l(pieces: _Pieces, nutrient: str, begin: float, end: float) -> float:
    """Return the mean strength of the stock between two parts of it; of all of it where they are the same."""
    if end <= begin:
        begin, end = 0.0, 1.0
    grams, before = 0.0, 0.0
    for upto, held in pieces:
        grams += held.get(nutrient, 0.0) * max(0.0, min(upto, end) - max(before, begin))
        before = max(before, upto)
    return grams / (end - begin)


def _figures(row: Dose | DoseRestated) -> _Figures:
    return _Figures(*(getattr(row, name) for name in _Figures._fields))

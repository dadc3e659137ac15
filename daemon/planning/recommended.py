"""Litres of stock by a recommendation: all stocks of the run together bring what is due of each nutrient."""

from collections.abc import Iterator, Mapping, Sequence

from daemon.agronomy.recommend import DueDose, due_dose
from daemon.agronomy.stages import RecommendationError
from daemon.decisions.base import Decisions
from daemon.decisions.watering import Injection
from daemon.planning.checks import Check, refused, warning
from daemon.planning.field import Field
from daemon.planning.matching import Masses, met_kg
from daemon.planning.mismatch import check_mismatch
from daemon.planning.stocks import Drawn

Pairs = Sequence[tuple[Injection, Drawn]]
"""The injections of a program, each with its stock."""
Litres = Mapping[int, float]
"""Litres of stock by the injection's place in the program."""

_TOO_MUCH = 1.1
"""Times what is due: more than that warns (common practice, no source)."""
_TOO_LITTLE = 0.05
"""Of what is due: a stock that would bring no more is left out (common practice, no source)."""
_SAME = 1e-6
"""Two stocks whose nutrients differ in proportion by less are one."""


def by_recommendation(
    decisions: Decisions, pairs: Pairs, given_l: Litres, field: Field, meet: str
) -> tuple[Litres, tuple[Check, ...]]:
    """Return the litres of those injections that go by a recommendation, and what to say of them.

    `given_l` are the litres of the others, `meet` says whose need is met (`Program.meet`). A stock is left out where
    nothing is due, or where the others bring it already. Raises PlanError when a recommendation cannot be followed, or
    two stocks stand for one dose.
    """
    places = [place for place, (injection, _) in enumerate(pairs) if injection.recommendation is not None]
    nutrients = [pairs[place][0].nutrient for place in places]
    twice = sorted({nutrient for nutrient in nutrients if nutrients.count(nutrient) > 1})
    if twice:
        reason = f"two injections are to bring the {', '.join(twice)} that is recommended. Give one of them a quantity"
        raise refused("recommended dose", reason)
    due = {place: _due(decisions, pairs[place][0], field) for place in places}
    due_kg = {
        place: {block: dose.blocks[block].kg_ha * area_ha for block, area_ha in field.areas_ha.items()}
        for place, dose in due.items()
    }
    whole_kg = {place: met_kg(masses, field.shares, meet) for place, masses in due_kg.items()}
    litres = _meet(pairs, given_l, whole_kg)
    all_l = {**given_l, **litres}
    return litres, tuple(
        check
        for place in places
        for check in (
            *_told(pairs[place][0], due[place]),
            *_none_lowest(pairs[place][0], due_kg[place], whole_kg[place]),
            *_compared(decisions, pairs, place, all_l, due_kg[place], whole_kg[place], field),
        )
    )


def _due(decisions: Decisions, injection: Injection, field: Field) -> DueDose:
    key = injection.recommendation or ""
    try:
        return due_dose(decisions, key, injection.nutrient, field.areas_ha, field.past, field.now)
    except RecommendationError as error:
        raise refused("recommended dose", str(error)) from error


def _meet(pairs: Pairs, given_l: Litres, due_kg: Mapping[int, float]) -> dict[int, float]:
    """Return the litres that meet each nutrient; a stock that would have next to nothing to bring is left out."""
    used = [place for place, kg in due_kg.items() if kg > 0.0]
    while used:
        besides_kg = [sum(_kg_l(pairs, place, other) * litres for other, litres in given_l.items()) for place in used]
        matrix = [[_kg_l(pairs, place, other) for other in used] for place in used]
        found = _solve(matrix, [due_kg[place] - kg for place, kg in zip(used, besides_kg, strict=True)])
        if found is None:
            stocks = " and ".join(pairs[place][1].contents.stock for place in used)
            reason = f"stocks {stocks} hold the same nutrients in the same proportion: nothing tells their doses apart"
            raise refused("recommended dose", f"{reason}. Give one of them a quantity")
        parts = [found[i] * _kg_l(pairs, place, place) / due_kg[place] for i, place in enumerate(used)]
        if min(parts) > _TOO_LITTLE:
            return {**dict.fromkeys(due_kg, 0.0), **dict(zip(used, found, strict=True))}
        del used[parts.index(min(parts))]
    return dict.fromkeys(due_kg, 0.0)


def _kg_l(pairs: Pairs, place: int, stock: int) -> float:
    """Return the kg in a litre of one stock of the nutrient that the injection at `place` is judged by."""
    return pairs[stock][1].contents.nutrients_g_l.get(pairs[place][0].nutrient, 0.0) / 1000.0


def _solve(matrix: list[list[float]], values: list[float]) -> list[float] | None:
    """Return the solution of some linear equations by elimination with pivots; None where there is not just one."""
    rows = [[*row, value] for row, value in zip(matrix, values, strict=True)]
    for place in range(len(rows)):
        pivot = max(range(place, len(rows)), key=lambda i: abs(rows[i][place]))
        rows[place], rows[pivot] = rows[pivot], rows[place]
        if abs(rows[place][place]) <= _SAME * max(map(max, matrix)):
            return None
        for other in range(len(rows)):
            if other != place:
                factor = rows[other][place] / rows[place][place]
                rows[other] = [a - factor * b for a, b in zip(rows[other], rows[place], strict=True)]
    return [row[-1] / row[place] for place, row in enumerate(rows)]


def _told(injection: Injection, due: DueDose) -> Iterator[Check]:
    """Yield how the dose came about, and what to know of it."""
    what = f"{due.kg_ha:.3g} kg {injection.nutrient}/ha by recommendation {injection.recommendation}"
    yield Check("recommended dose", True, f"{what}: {'; '.join(due.reasons)}", warns=not due.kg_ha)
    yield from (warning("recommended dose", text) for text in due.warnings)


def _none_lowest(injection: Injection, due_kg: Masses, whole_kg: float) -> Iterator[Check]:
    """Yield why nothing is asked for although blocks are due some: one that is due nothing would get some too."""
    none = [block for block, kg in due_kg.items() if not kg]
    if not whole_kg and len(none) < len(due_kg):
        reason = f"{', '.join(none)} is due no {injection.nutrient} and shares it with the others by flow"
        yield warning("block match", f"{reason}: by the lowest need none is asked for. Water it in another shift")


def _compared(
    decisions: Decisions, pairs: Pairs, place: int, litres: Litres, due_kg: Masses, whole_kg: float, field: Field
) -> Iterator[Check]:
    """Yield where what all stocks bring is not what is asked for: on the whole, and on each block by its flow."""
    injection, stock = pairs[place]
    brought_kg = sum(_kg_l(pairs, place, other) * stock_l for other, stock_l in litres.items())
    left_out = f": nothing of stock {stock.contents.stock} is injected" if not litres[place] else ""
    if (whole_kg and left_out) or brought_kg > _TOO_MUCH * whole_kg:
        brought_kg_ha, asked_kg_ha = brought_kg / field.area_ha, whole_kg / field.area_ha
        reason = f"the stocks bring {brought_kg_ha:.3g} kg {injection.nutrient}/ha together, and {asked_kg_ha:.3g} is "
        yield warning("recommended dose", f"{reason}due{left_out}")
        return
    yield from check_mismatch(decisions, injection, stock, brought_kg, due_kg, field)

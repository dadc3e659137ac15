"""Litres of stock by a recommendation: all stocks of the run together bring what is due of each nutrient."""

from collections.abc import Iterator, Mapping, Sequence

from daemon.agronomy.recommend import DueDose, due_dose
from daemon.agronomy.stages import RecommendationError
from daemon.decisions.base import Decisions
from daemon.decisions.watering import Injection
from daemon.planning.checks import Check, refused, warning
from daemon.planning.field import Field
from daemon.planning.stocks import Drawn

Pairs = Sequence[tuple[Injection, Drawn]]
"""The injections of a program, each with its stock."""
Litres = Mapping[int, float]
"""Litres of stock by the injection's place in the program."""

_TOO_MUCH = 1.1
"""Times what is due: more than that warns (common practice, no source)."""
_TOO_LITTLE = 0.05
"""Of what is due: a stock that would bring no more is left out (common practice, no source)."""
_MISS = 0.15
"""Of what is due: a block that gets so much more or less warns (common practice, no source)."""
_SAME = 1e-6
"""Two stocks whose nutrients differ in proportion by less are one."""


def by_recommendation(
    decisions: Decisions, pairs: Pairs, given_l: Litres, field: Field
) -> tuple[Litres, tuple[Check, ...]]:
    """Return the litres of those injections that go by a recommendation, and what to say of them.

    `given_l` are the litres of the others. A stock is left out where nothing is due, or where the others bring it
    already. Raises PlanError when a recommendation cannot be followed, or two stocks stand for one dose.
    """
    places = [place for place, (injection, _) in enumerate(pairs) if injection.recommendation is not None]
    nutrients = [pairs[place][0].nutrient for place in places]
    twice = sorted({nutrient for nutrient in nutrients if nutrients.count(nutrient) > 1})
    if twice:
        reason = f"two injections are to bring the {', '.join(twice)} that is recommended. Give one of them a quantity"
        raise refused("recommended dose", reason)
    due = {place: _due(decisions, pairs[place][0], field) for place in places}
    due_kg = {place: dose.kg_ha * field.area_ha for place, dose in due.items()}
    litres = _meet(pairs, given_l, due_kg)
    all_l = {**given_l, **litres}
    return litres, tuple(
        check
        for place in places
        for check in (
            *_told(pairs[place][0], due[place]),
            *_compared(pairs, place, all_l, due[place], field),
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


def _compared(pairs: Pairs, place: int, litres: Litres, due: DueDose, field: Field) -> Iterator[Check]:
    """Yield where what all stocks bring is not what is due: on the whole, and on a block that has its part by flow."""
    nutrient = pairs[place][0].nutrient
    brought_kg = sum(_kg_l(pairs, place, other) * stock_l for other, stock_l in litres.items())
    mean_kg_ha = brought_kg / field.area_ha
    left_out = f": nothing of stock {pairs[place][1].contents.stock} is injected" if not litres[place] else ""
    if (due.kg_ha and left_out) or mean_kg_ha > _TOO_MUCH * due.kg_ha:
        reason = f"the stocks bring {mean_kg_ha:.3g} kg {nutrient}/ha together, and {due.kg_ha:.3g} is due"
        yield warning("recommended dose", reason + left_out)
        return
    split_kg_ha = {block: brought_kg * share / field.areas_ha[block] for block, share in field.shares.items()}
    misses = [
        f"{block} gets {kg_ha:.3g} of {due.blocks[block].kg_ha:.3g}"
        for block, kg_ha in split_kg_ha.items()
        if abs(kg_ha - due.blocks[block].kg_ha) > _MISS * due.kg_ha
    ]
    if misses:
        reason = f"blocks share the {nutrient} by their flow, in kg/ha: {', '.join(misses)}"
        yield warning("recommended dose", f"{reason}. Blocks of one need belong in one shift")

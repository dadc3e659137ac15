"""Every row of the matrix, searched to closure as the guard runs it, and mutants of each that the search must kill."""

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from daemon.control.interlocks import MATRIX, Interlock, Reset
from daemon.control.states import Effect
from tests.daemon.control.plant import small
from tests.daemon.control.search.explore import ViolatedError
from tests.daemon.control.search.matrix_rows import RowSearch
from tests.figures import record

_LEAST = 1000
"""How often each antecedent must be met at least."""


@pytest.mark.proof
def test_every_row_to_closure() -> None:
    """Guards invariants 3 and 4d for each row: in force after its delay, gone by its own reset, acting as declared."""
    counts = Counter[str]()
    states = edges = 0
    for row in MATRIX:
        tally = RowSearch(small().site, row, row).run()
        assert tally.counts["acts"], f"{row.code} was never in force"
        counts += tally.counts
        states, edges = states + tally.states, edges + tally.edges
    assert edges > 100 * states > 0
    rules = {rule: count for rule, count in counts.items() if not rule.startswith("cell")}
    assert {rule: count for rule, count in rules.items() if count < _LEAST} == {}
    cells = {f"cell {row.code} x {phase.value if phase else 'none'}" for row in MATRIX for phase in row.phases}
    assert cells <= counts.keys()
    record(
        "search_matrix_rows",
        claim="each row of the matrix as the guard runs it, to closure; mutants of each row",
        test="tests/daemon/control/search/test_matrix_rows.py",
        aim="0 violations, each antecedent 1,000 times; all killed",
        reached=f"{len(MATRIX)} rows, {states:,} states, {edges:,} edges, all {len(cells)} cells, 0 violations, least "
        f"antecedent {min(rules.values()):,}; six kinds of mutants of every row killed",
    )


Mutate = Callable[[Interlock], Interlock]
_MUTANTS: dict[str, Mutate] = {
    "delay longer": lambda row: replace(row, delay_s=lambda site: 10.0 * row.delay_s(site) + 5.0),
    "latch flipped": lambda row: replace(row, latched=not row.latched),
    "effect less": lambda row: replace(row, effect=Effect(row.effect - 1)),
    "reset by an operator": lambda row: replace(row, reset=Reset.OPERATOR),
    "no phase": lambda row: replace(row, phases=frozenset()),
}


def _mutants(row: Interlock) -> Iterator[tuple[str, Interlock]]:
    for name, mutate in _MUTANTS.items():
        if name == "effect less" and row.effect is Effect.NONE:
            continue
        if name == "reset by an operator" and row.reset is not Reset.AT_MACHINE:
            continue
        yield name, mutate(row)


@pytest.mark.parametrize("row", MATRIX, ids=lambda row: row.code)
def test_mutants_of_a_row_are_killed(row: Interlock) -> None:
    """Guards the search itself: a row that is dropped, later, weaker, or reset by another is found."""
    with pytest.raises((ViolatedError, AssertionError)):
        RowSearch(small().site, row, row).run(is_dropped=True)
    if row.latched:
        search = RowSearch(small().site, row, row)
        search.seen_row = replace(search.seen_row, known=lambda s: True)
        with pytest.raises((ViolatedError, AssertionError)):
            search.run()
    for name, mutant in _mutants(row):
        try:
            RowSearch(small().site, mutant, row).run()
        except (ViolatedError, AssertionError):
            continue
        raise AssertionError(f"{row.code}: the mutant '{name}' lives")

"""The solver's process: textbook blends, random problems against SciPy, and what it says when there is no answer."""

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter
from scipy.optimize import Bounds, LinearConstraint, linprog, milp  # type: ignore[import-untyped]

from daemon.agronomy.linear import Answer, Column, Objective, Problem, Row
from daemon.agronomy.milp import solve

_QUICK = settings(derandomize=True, database=None, max_examples=80, deadline=None)
_LIMIT_S = 20.0


def _least(columns: str, costs: tuple[float, ...], *rows: Row) -> Problem:
    terms = dict(zip(columns, costs, strict=True))
    return Problem(tuple(map(Column, columns)), rows, (Objective(terms),), _LIMIT_S)


# A public exercise on a blend of two ingredients (justaaa.com, advanced-math 245137): 4 and 2 pounds, 22 dollars.
_TWO_INGREDIENTS = _least(
    "xy",
    (3.0, 5.0),
    Row({"x": 10.0, "y": 2.0}, least=20.0),
    Row({"x": 6.0, "y": 6.0}, least=36.0),
    Row({"y": 1.0}, least=2.0),
)
# Another (goprep.co, two fertilisers A and B): 30 and 210 kg, 1980 rupees.
_TWO_BAGS = _least(
    "xy",
    (10.0, 8.0),
    Row({"x": 0.12, "y": 0.04}, least=12.0),
    Row({"x": 0.05, "y": 0.05}, least=12.0),
)


@pytest.mark.parametrize(
    ("problem", "masses", "cost"), [(_TWO_INGREDIENTS, (4.0, 2.0), 22.0), (_TWO_BAGS, (30.0, 210.0), 1980.0)]
)
def test_published_blends(problem: Problem, masses: tuple[float, float], cost: float) -> None:
    """Guards the solver against two least-cost blends that others have worked out and published."""
    values = solve(problem).values
    assert (values["x"], values["y"]) == pytest.approx(masses, rel=1e-6)
    assert sum(factor * values[name] for name, factor in problem.objectives[0].terms.items()) == pytest.approx(cost)


_AMOUNTS = st.floats(0.0, 50.0).map(lambda amount: round(amount, 3))
_MATRIX = st.integers(1, 5).flatmap(
    lambda n: st.tuples(
        st.lists(st.lists(_AMOUNTS, min_size=n, max_size=n), min_size=1, max_size=4),
        st.lists(st.floats(0.1, 9.0), min_size=n, max_size=n),
        st.lists(st.floats(0.1, 9.0), min_size=n, max_size=n),
    )
)


@_QUICK
@given(matrix=_MATRIX, wanted=st.floats(1.0, 90.0))
def test_the_least_is_what_scipy_finds(
    matrix: tuple[list[list[float]], list[float], list[float]], wanted: float
) -> None:
    """Guards optimality, by both of two objectives in order, against scipy.optimize.linprog."""
    rows, first, second = matrix
    names = [f"x{i}" for i in range(len(first))]
    problem = Problem(
        tuple(Column(name, 40.0) for name in names),
        tuple(Row(dict(zip(names, row, strict=True)), least=wanted) for row in rows),
        tuple(Objective(dict(zip(names, costs, strict=True))) for costs in (first, second)),
        _LIMIT_S,
    )
    least, bounds = -np.array(rows), [(0.0, 40.0)] * len(names)
    by_first = linprog(first, A_ub=least, b_ub=[-wanted] * len(rows), bounds=bounds)
    answer = solve(problem)
    assert (answer.status == "optimal") == by_first.success
    if by_first.success:
        found = np.array([answer.values[name] for name in names])
        assert first @ found == pytest.approx(by_first.fun, rel=1e-5, abs=1e-5)
        matrix_2 = np.vstack([least, first])
        limits = [*[-wanted] * len(rows), by_first.fun * (1.0 + 1e-6) + 1e-6]
        by_second = linprog(second, A_ub=matrix_2, b_ub=limits, bounds=bounds)
        assert second @ found == pytest.approx(by_second.fun, rel=1e-4, abs=1e-4)


@_QUICK
@given(matrix=_MATRIX, wanted=st.floats(1.0, 90.0))
def test_whole_numbers_are_whole_and_least(
    matrix: tuple[list[list[float]], list[float], list[float]], wanted: float
) -> None:
    """Guards the unknowns that count (a product is in a tank or it is not) against scipy.optimize.milp."""
    rows, costs, _ = matrix
    names = [f"x{i}" for i in range(len(costs))]
    problem = Problem(
        tuple(Column(name, 7.0, is_whole=True) for name in names),
        tuple(Row(dict(zip(names, row, strict=True)), least=wanted) for row in rows),
        (Objective(dict(zip(names, costs, strict=True))),),
        _LIMIT_S,
    )
    theirs = milp(
        costs,
        constraints=LinearConstraint(np.array(rows), lb=wanted),
        bounds=Bounds(0.0, 7.0),
        integrality=np.ones(len(costs)),
    )
    answer = solve(problem)
    assert (answer.status == "optimal") == theirs.success
    if theirs.success:
        found = np.array([answer.values[name] for name in names])
        assert np.abs(found - found.round()).max() < 1e-6
        assert costs @ found == pytest.approx(theirs.fun, abs=1e-5)


def test_an_objective_gives_away_no_more_than_it_says() -> None:
    """Guards the order of objectives: the first gives up its stated part, and the second makes all of it."""
    cheap = Row({"x": 1.0, "y": 1.0}, least=10.0)
    costs = (Objective({"x": 1.0, "y": 2.0}, gives=0.01), Objective({"x": 1.0}))
    values = solve(Problem((Column("x"), Column("y")), (cheap,), costs, _LIMIT_S)).values
    assert values["x"] + 2.0 * values["y"] == pytest.approx(10.1)
    assert values["y"] == pytest.approx(0.1, abs=1e-6)


@pytest.mark.parametrize(
    ("problem", "status"),
    [
        (_least("x", (1.0,), Row({"x": 1.0}, least=2.0, most=1.0)), "infeasible"),
        (_least("x", (-1.0,)), "unbounded"),
        (replace(_TWO_BAGS, time_limit_s=0.0), "time limit reached"),
    ],
)
def test_no_answer_is_said_and_has_no_values(problem: Problem, status: str) -> None:
    """Guards the caller against masses that are no answer."""
    assert solve(problem) == Answer(status, {})


def _ended(text: bytes) -> subprocess.CompletedProcess[bytes]:
    words = (sys.executable, "-P", "-m", "daemon.agronomy.milp")
    return subprocess.run(words, input=text, capture_output=True, timeout=60, check=False)


def test_the_process_answers_in_its_last_line_and_always_the_same() -> None:
    """Guards the seam to the process, and that one problem has one answer."""
    asked = TypeAdapter(Problem).dump_json(_TWO_BAGS)
    first, second = _ended(asked), _ended(asked)
    answer = TypeAdapter(Answer).validate_json(first.stdout.splitlines()[-1])
    assert first.returncode == 0 and answer.values == pytest.approx({"x": 30.0, "y": 210.0})
    assert first.stdout == second.stdout


def test_the_process_refuses_what_is_no_problem() -> None:
    """Guards the seam: 2, nothing on standard output, and what was expected."""
    ended = _ended(b'{"columns": 3}')
    assert ended.returncode == 2 and not ended.stdout
    assert b"expected a linear problem as JSON" in ended.stderr

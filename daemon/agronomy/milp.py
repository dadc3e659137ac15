"""The process that solves one linear problem: `python -m daemon.agronomy.milp`, a Problem in, an Answer out, as JSON.

The solver is large, may think long and could crash; so it has a process of its own that ends with the answer, and
nothing imports this module. The answer is the last line: the solver prints its own name above it.
"""

import sys
from collections.abc import Mapping

from highspy import Highs, HighsModelStatus, HighsVarType, kHighsInf
from pydantic import TypeAdapter, ValidationError

from daemon.agronomy.linear import Answer, Problem

_TOLERANCE = 1e-7
"""By which a row may be missed or a whole number be off."""
_GIVES = 1e-6
"""What an objective gives away at least, however small it is: rounding would leave those after it nothing else."""
_OPTIONS = {
    "output_flag": False,
    "threads": 1,
    "random_seed": 0,
    "mip_rel_gap": 0.0,
    "mip_abs_gap": 1e-9,
    "mip_feasibility_tolerance": _TOLERANCE,
    "primal_feasibility_tolerance": _TOLERANCE,
}
"""One thread and one seed: the same problem has the same answer."""


def solve(problem: Problem) -> Answer:
    """Return the answer that is best by the first objective, among those the best by the second, and so on."""
    solver: Highs = Highs()  # type: ignore[no-untyped-call]
    for option, value in (*_OPTIONS.items(), ("time_limit", problem.time_limit_s)):
        solver.setOptionValue(option, value)  # the time limit counts the runs of all objectives together
    number = {column.name: i for i, column in enumerate(problem.columns)}

    def add_row(terms: Mapping[str, float], least: float | None, most: float | None) -> None:
        least, most = -kHighsInf if least is None else least, kHighsInf if most is None else most
        solver.addRow(least, most, len(terms), [number[name] for name in terms], list(terms.values()))

    for i, column in enumerate(problem.columns):
        solver.addVar(0.0, kHighsInf if column.most is None else column.most)
        if column.is_whole:
            solver.changeColIntegrality(i, HighsVarType.kInteger)
    for row in problem.rows:
        add_row(row.terms, row.least, row.most)
    for objective in problem.objectives:
        for name, i in number.items():
            solver.changeColCost(i, objective.terms.get(name, 0.0))
        solver.run()
        status = solver.getModelStatus()
        if status != HighsModelStatus.kOptimal:
            return Answer(solver.modelStatusToString(status).lower(), {})
        best = solver.getObjectiveValue()
        add_row(objective.terms, None, best + max(_GIVES, objective.gives * abs(best)))
    return Answer("optimal", dict(zip(number, solver.getSolution().col_value, strict=True)))


def main() -> int:
    """Solve the problem on standard input; 2 where it is none."""
    try:
        problem = TypeAdapter(Problem).validate_json(sys.stdin.buffer.read())
    except ValidationError as error:
        sys.stderr.write(f"expected a linear problem as JSON; got {error}\n")
        return 2
    sys.stdout.write(TypeAdapter(Answer).dump_json(solve(problem)).decode() + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())

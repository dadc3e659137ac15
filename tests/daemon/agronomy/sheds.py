"""Sheds and tanks as tests of the solver write them, and the solver in this process."""

from daemon.agronomy import milp
from daemon.agronomy.blend import Blend, Got, solution
from daemon.agronomy.linear import Answer, Problem
from daemon.agronomy.products import substance_of
from daemon.agronomy.shed import Bag, Question, Tank
from daemon.agronomy.solver import problem

CALCIUM_NITRATE = "calcium_nitrate_tetrahydrate"
EPSOM = "magnesium_sulphate_heptahydrate"
WIDE = Tank("a", 5000.0, 10.0)
"""So large that nothing of what a test asks for is near to its solubility."""


def bag(name: str, kg: float | None = None, price: float | None = 1.0) -> Bag:
    """Return a bag of a built-in salt."""
    return Bag(substance_of(name, {}), kg, price)


def solve_here(asked: Problem, _timeout_s: float = 0.0) -> Answer:
    """Solve a problem in this process: quicker than in one of its own."""
    answer = milp.solve(asked)
    assert answer.status == "optimal"
    return answer


def first_attempt(question: Question) -> Blend:
    """Return the blend of a question whose tanks drop nothing that only shows once they are filled."""
    asked = problem(question)
    return solution(question, asked, solve_here(asked))


def masses(blend: Blend) -> dict[str, float]:
    """Return the kilograms of each product in all tanks together."""
    total: dict[str, float] = {}
    for filling in blend.fillings:
        for name, kg in filling.kg.items():
            total[name] = total.get(name, 0.0) + kg
    return total


def got(blend: Blend, item: str) -> Got:
    """Return what there is of one nutrient."""
    return next(each for each in blend.got if each.item == item)

"""The solver as a child process: one for each attempt at a blend, ended with it or when it takes too long.

Nothing here imports the solver: this process stays small, and a crash or a long think is the child's alone.
"""

import subprocess
import sys

from pydantic import TypeAdapter, ValidationError

from daemon.agronomy.blend import Blend, solution
from daemon.agronomy.cuts import Cuts, cuts_after
from daemon.agronomy.linear import Answer, Problem
from daemon.agronomy.shed import Question
from daemon.agronomy.solver import problem

TIMEOUT_S = 30.0
"""For one attempt; the solver itself gives up before."""
_ATTEMPTS = 8
_WORTH = 1e-3
"""By how much an attempt must be better than the best before it for another to be worth while: of the targets, or of
the cost or salt (common practice, no source)."""
_COMMAND = (
    sys.executable,
    "-P",  # a folder named like one of our packages where the command runs must not shadow it
    "-m",
    "daemon.agronomy.milp",
)


class SolvingError(Exception):
    """The solver did not give an answer. Says what it said, and what to do."""

    code = "solving"


def blend(question: Question, timeout_s: float = TIMEOUT_S) -> Blend:
    """Return the best blend that a few attempts find, each with what would fall out of the tanks before it cut off.

    Where none of them stays dissolved, the last one, whose tanks say so. Raises BlendError for a question that cannot
    be, SolvingError when an attempt takes longer than `timeout_s` or fails.
    """
    best: Blend | None = None
    cuts: Cuts = ()
    for _ in range(_ATTEMPTS):
        attempt = problem(question, cuts)
        found = solution(question, attempt, solve(attempt, timeout_s))
        if best is not None and not _is_better(found, best):
            break
        if found.fits:
            best = found
        cuts = cuts_after(question, found.fillings, cuts)
        if not cuts:
            break
    return best or found


def _is_better(found: Blend, best: Blend) -> bool:
    """Return whether the tanks of a new blend hold, and it is worth more than the best so far."""
    if not found.fits:
        return False
    less = best.short - found.short
    return less > _WORTH or (less > -_WORTH and found.burden < (1.0 - _WORTH) * best.burden)


def solve(asked: Problem, timeout_s: float) -> Answer:
    """Return the optimal answer from a process of its own. Raises SolvingError."""
    size = f"{len(asked.columns)} unknowns"
    fewer = "leave out of the shed what is not meant for this charge"
    try:
        done = subprocess.run(
            _COMMAND, input=TypeAdapter(Problem).dump_json(asked), capture_output=True, timeout=timeout_s, check=False
        )
    except subprocess.TimeoutExpired as error:
        raise SolvingError(f"the solver was ended after {timeout_s:g} s over {size}; {fewer}") from error
    said = done.stderr.decode("utf-8", "replace").strip()
    if done.returncode:
        last = said.splitlines()[-1] if said else "without a word"
        raise SolvingError(f"the solver ended with {done.returncode}: {last}")
    try:
        answer = TypeAdapter(Answer).validate_json(done.stdout.strip().rpartition(b"\n")[2])
    except ValidationError as error:
        raise SolvingError(f"the solver's answer cannot be read: {done.stdout[-200:]!r}") from error
    if answer.status != "optimal":
        raise SolvingError(f"the solver found no answer over {size}: {answer.status}; {fewer}")
    return answer

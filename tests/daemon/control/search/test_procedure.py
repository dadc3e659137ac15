"""The procedure behind senses and guard, searched breadth first over verdicts, commands and facts; mutants it kills."""

from collections.abc import Callable
from typing import Any
from unittest import mock

import pytest

from daemon.control import decide as module
from daemon.control import lines, requests
from daemon.control.gate import gate
from daemon.control.image import ChannelOutput, Outputs
from daemon.control.water import water
from daemon.messages import Verb
from tests.daemon.control.search.explore import Tally
from tests.daemon.control.search.procedure import TABLE, ProcedureSearch
from tests.figures import record

_LEAST, _LEAST_OF_ALL = 200, 1000
"""How often each antecedent must be met at least, on the first edges and on all."""
_EDGES, _FEW_EDGES, _MUTANTS_EDGES = 400_000, 15_000, 150_000


def test_the_first_edges() -> None:
    """Guards invariants 1 to 6, 9, 11, 13, 15 and 16 near the start, in the default run."""
    tally = ProcedureSearch().run(_FEW_EDGES)
    assert tally.edges >= _FEW_EDGES


@pytest.mark.proof
@pytest.mark.timeout(700)
def test_most_edges() -> None:
    """Guards the same on the first of all edges, each rule with its antecedent met and each table row taken."""
    _assert_met(ProcedureSearch().run(_EDGES), _LEAST)


@pytest.mark.long
@pytest.mark.timeout(10_800)
def test_to_closure() -> None:
    """Guards the same on every edge that there is: the search ends because nothing is left to go on from."""
    tally = ProcedureSearch().run()
    rules = _assert_met(tally, _LEAST_OF_ALL)
    assert tally.waiting == 0
    record(
        "search_procedure",
        claim="procedure, phases, pump and valves, injection and gate over verdicts, facts and commands",
        test="tests/daemon/control/search/test_procedure.py",
        aim="1,000,000 edges to closure, 0 violations, each antecedent 1,000 times",
        reached=f"closed: {tally.states:,} states, {tally.edges:,} edges, 0 violations, all {len(TABLE)} rows of the "
        f"table, least antecedent {min(rules.values()):,} of {len(rules)}; {_EDGES:,} edges in CI, where "
        f"{len(_MUTANTS)} mutants are killed",
        limit="analogue values abstracted; two blocks, one channel, one shift; a flush is one part, so no debt is ever "
        "half paid here",
    )


def _assert_met(tally: Tally, least: int) -> dict[str, int]:
    """Each rule's antecedent was met so often, and each row of the table taken; returns the rules' counts."""
    rules = {name: count for name, count in tally.counts.items() if not name.startswith("table ")}
    taken = {name for name, count in tally.counts.items() if name.startswith("table ") and count}
    assert {name: count for name, count in rules.items() if count < least} == {}
    assert TABLE - taken == set()
    return rules


Mutant = Callable[[], Any]


def _open_gate() -> Any:
    """1: an injector that is wanted is on."""

    def opened(site: Any, unit: Any, run: Any, *rest: Any) -> Outputs:
        outputs = gate(site, unit, run, *rest)
        wants = rest[4]
        return Outputs(
            outputs.pump,
            outputs.pump_speed,
            outputs.blocks,
            {**outputs.channels, **{name: ChannelOutput(True, want.run, want.drive) for name, want in wants.items()}},
            outputs.backwash,
        )

    return mock.patch.object(module, "gate", opened)


def _owes_nothing() -> Any:
    """2: what is loaded is not owed."""
    return mock.patch.object(lines, "owe", lambda run, memory, opening: (memory, []))


def _refuses_to_stop() -> Any:
    """11: a stop is not heard."""

    def deaf(unit: Any, asked: Any, facts: Any, request: Any) -> Any:
        return asked if request.verb is Verb.STOP_EVERYTHING else real(unit, asked, facts, request)

    real = requests._ask
    return mock.patch.object(requests, "_ask", deaf)


def _pump_first() -> Any:
    """13: the pump does not wait for its valves."""

    def early(*given: Any) -> Any:
        memory, want = water(*given)
        return memory, want._replace(pump=want.pump or bool(given[2]))

    return mock.patch.object(module, "water", early)


def _pays_at_once() -> Any:
    """2: the first litre pays a whole debt."""
    real = lines.pay

    def pay(*given: Any) -> Any:
        after, rows = real(*given)
        return after._replace(owed=()), rows

    return mock.patch.object(lines, "pay", pay)


_MUTANTS = (_open_gate, _owes_nothing, _refuses_to_stop, _pump_first, _pays_at_once)


@pytest.mark.proof
@pytest.mark.parametrize("mutant", _MUTANTS, ids=lambda mutant: mutant.__name__.strip("_"))
def test_a_mutant_is_killed(mutant: Mutant) -> None:
    """Guards the search itself: what is broken on purpose is found."""
    with mutant(), pytest.raises(AssertionError):
        ProcedureSearch().run(_MUTANTS_EDGES)

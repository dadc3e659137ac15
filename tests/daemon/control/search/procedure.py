"""Factor (b): the real `decide` without its senses and guard, over verdicts, commands and facts, to closure.

Whatever the senses may find and the guard may judge is an input of the search: facts and a verdict. All that `decide`
is composed of behind them runs as it is: admit, account, procedure and phases, injection, water, leases, gate, record.

Abstraction: a plant of two blocks whose times are one or two scans, and recipes whose phases are one or two parts of
water and stock, so that volumes are {0, part, done}. Timers and litres are held at the last end that anything compares
them with; what only the guard or the record reads (times of run and phase, totals, restarts) is left out, as are the
trim, the level and the pipes' content, and of a run at its end all that only one under way goes by. Pump starts are
aged by the hour. Debts of ended runs have one name, and there may be stock for all of them. One input departs from a
plant that answers as it should, with every verdict and every command; verdicts meet all commands.
"""

import math
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Final
from unittest import mock

from daemon.control import decide as module
from daemon.control import lines, phases, states
from daemon.control.decide import Decision, State, decide
from daemon.control.image import SAFE, Now
from daemon.control.recovery import Past, recover
from daemon.control.requests import Request
from daemon.control.sense import Sense, sense
from daemon.control.states import ACTIVE, ALLOWED, ProcedureState, Unit, UnitMode
from daemon.evidence import FlushOwed
from daemon.messages import Verb
from tests.daemon.control.images import injectors
from tests.daemon.control.plant import Rig
from tests.daemon.control.search.explore import Tally, explore, frozen
from tests.daemon.control.search.procedure_inputs import Input, Inputs
from tests.daemon.control.search.procedure_rules import Ghost, Node, Rules
from tests.daemon.control.search.procedure_states import Abstraction
from tests.daemon.control.search.quick_plant import quick, recipe

_P = ProcedureState
_LONGEST_WALK = 100


def _is_at_rest(state: State) -> bool:
    return state.unit.procedure not in ACTIVE and state.outputs == SAFE


def _is_injecting(state: State) -> bool:
    return bool(injectors(state.outputs)) and bool(state.lines.owed)


def _marked(state: State, ghost: Ghost) -> Node:
    """Return the node with every debt of an ended run counted as loaded: there may be stock, and none is forgotten."""
    known = {segment for segment, whose, _ in ghost.loaded if whose == "old"}
    more = [(o.segment, "old", 0.0) for o in state.lines.owed if o.run == "old" and o.segment not in known]
    return Node(state, ghost._replace(loaded=tuple(sorted([*ghost.loaded, *more]))))


class ProcedureSearch:
    """The search. Rules are counted in `counts` as their antecedent is met."""

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()
        self.plant = quick()
        self.recipes = {"creek": recipe(self.plant, "creek", 2), "ridge": recipe(self.plant, "ridge", 1)}
        rig = Rig(self.plant)
        self.image, self.now = rig.see(), Now(1.0, rig.at_s)
        senses, still = sense(self.plant, Sense(), self.image, SAFE, self.now)
        self._inputs = Inputs(self.plant, self.recipes, still)
        self._rules = Rules(self.plant, self.counts)
        self._rounded = Abstraction(self.plant, senses).rounded
        self._stopping: dict[object, set[object]] = {}
        self._taken: Counter[tuple[ProcedureState, ProcedureState]] = Counter()

    def run(self, enough_edges: float = math.inf) -> Tally:
        """Search to closure, or until so many edges were followed. Raises ViolatedError, NotClosedError."""
        modes = [State(unit=Unit(mode=mode)) for mode in UnitMode]
        with self._without_senses():
            starts = [Node(self._rounded(state), Ghost()) for state in modes]
            starts += self._walked(starts[0])
            tally = explore(starts, self._key, self._edges, enough_edges=enough_edges)
        self._acyclic()
        for (was, to), count in self._taken.items():
            self.counts[f"table {was.value} > {to.value}"] += count
        return Tally(tally.states, tally.edges, self.counts, tally.waiting)

    def _walked(self, rest: Node) -> Iterator[Node]:
        """Yield what some runs come through, so that a search that is cut short has been everywhere.

        One of creek to its end, one of creek with a crash while it injects, two of ridge alike, and one of creek beside
        what ridge owes.
        """
        start, daemons = self._inputs.commands[1], self._inputs.commands[2]
        automatic = (Request("mode", Verb.MODE, mode=UnitMode.AUTOMATIC),)
        node = rest
        for requests, until in (
            (start, _is_at_rest),
            (start, _is_injecting),
            (automatic, _is_at_rest),
            (daemons, _is_at_rest),
            (daemons, _is_injecting),
            (automatic, _is_at_rest),
        ):
            walked = [*self._steps(node, requests, until)]
            yield from walked
            node = walked[-1]
            if until is _is_injecting:
                _, node = next(self._crashes(node))
                yield node
        yield from self._steps(node, start, _is_at_rest)

    def _steps(self, node: Node, requests: tuple[Request, ...], until: Callable[[State], bool]) -> Iterator[Node]:
        for _ in range(_LONGEST_WALK):
            given = Input("walk", self._inputs.well(node.state, 1.0), self._inputs.verdicts[0], requests)
            decision = self.decide(node.state, given)
            node, requests = _marked(self._rounded(decision.state), self._rules.judged(node, given, decision)), ()
            yield node
            if until(node.state):
                return
        raise AssertionError("the walk does not end")

    def _without_senses(self) -> ExitStack:
        def transition(unit: Unit, to: ProcedureState) -> Unit:
            self._taken[unit.procedure, to] += 1
            return real(unit, to)

        real = states.transition
        patches = ExitStack()
        patches.enter_context(
            mock.patch.multiple(
                module,
                sense=lambda plant, memory, image, last, now: (memory, self._facts),
                guard=lambda *given, **more: (given[0], self._verdict),
            )
        )
        patches.enter_context(mock.patch.object(phases, "transition", transition))
        patches.enter_context(mock.patch.object(lines, "flow_on", lambda memory, *rest, **more: memory))
        return patches

    def decide(self, state: State, given: Input) -> Decision:
        """Do one scan of the real `decide` under what is given."""
        self._facts, self._verdict = given.facts, given.verdict
        now = self.now._replace(dt_s=given.facts.dt_s)
        return decide(self.plant, state, self.image, given.requests, now)

    def _edges(self, node: Node) -> Iterator[tuple[object, Node]]:
        for given in self._inputs.of(node.state):
            decision = self.decide(node.state, given)
            ghost = self._rules.judged(node, given, decision)
            after = _marked(self._rounded(decision.state), ghost)
            self._note_stopping(node, given, after)
            yield given, after
        yield from self._crashes(node)

    def _crashes(self, node: Node) -> Iterator[tuple[object, Node]]:
        """A crash is an edge: what is durable comes back, and nothing else. Young rows may or may not be on disk."""
        state, ghost = node
        owed = tuple(FlushOwed(o.segment, o.stock, o.run, round(1000 * o.full_l)) for o in state.lines.owed)
        loaded = {segment for segment, _, _ in ghost.loaded}
        for rows in {owed, tuple(row for row in owed if row.segment in loaded)}:
            back, _ = recover(self.plant, Past(owed=rows), self.image)
            assert back.outputs == SAFE and back.unit.procedure is _P.IDLE, "6: a boot begins with the safe set"
            self.counts["6 crash"] += 1
            self.counts["6 crash while loaded"] += bool(ghost.loaded)
            fresh = Ghost(loaded=tuple((segment, "old", 0.0) for segment, _, _ in ghost.loaded))
            self._rules.owes(fresh, back, "after a crash")
            yield "crash", _marked(self._rounded(back), fresh)

    def _note_stopping(self, node: Node, given: Input, after: Node) -> None:
        if node.state.unit.procedure is after.state.unit.procedure is _P.STOPPING and given.facts.dt_s > 0.0:
            here, there = self._key(node), self._key(after)
            self._stopping.setdefault(here, set()).add(there)

    def _acyclic(self) -> None:
        """Invariant 11: STOPPING comes to its end whatever else happens, for no way through it returns to itself."""
        done: set[object] = set()
        for start in self._stopping:
            way: list[tuple[object, Iterator[object]]] = [(start, iter(self._stopping[start]))]
            on_way = {start}
            while way:
                here, rest = way[-1]
                there = next(rest, None)
                if there is None:
                    way.pop()
                    on_way.discard(here)
                    done.add(here)
                    continue
                self.counts["11 step of STOPPING"] += 1
                assert there not in on_way, f"11: STOPPING returns to {there}"
                if there not in done:
                    way.append((there, iter(self._stopping.get(there, ()))))
                    on_way.add(there)

    def _key(self, node: Node) -> object:
        state = node.state
        parts = (state.unit, state.run, state.queue, state.water, state.lines.owed, state.leases, state.outputs)
        return frozen((*parts, node.ghost))


TABLE: Final = frozenset(f"table {was.value} > {to.value}" for was, tos in ALLOWED.items() for to in tos)
"""Every row of the table of transitions."""

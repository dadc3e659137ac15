"""Factor (b): the real `decide` without its senses and guard, over verdicts, commands and facts, to closure.

Whatever the senses may find and the guard may judge is an input of the search: facts and a verdict. All that `decide`
is composed of behind them runs as it is: admit, account, procedure and phases, injection, water, leases, gate, record.

Abstraction: a plant of two blocks whose times are one or two scans, and recipes whose phases are one or two parts of
water and stock, so that volumes are {0, part, done}. Timers and litres are held at the last end that anything compares
them with; what only the guard or the record reads (times of run and phase, totals) is left out, as are the trim and
the pipes' content. Pump starts are aged by the hour. Debts of ended runs have one name. One input departs from a
plant that answers as it should, with every verdict and every command; verdicts meet all commands.
"""

import math
import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, NamedTuple
from unittest import mock

from daemon.control import decide as module
from daemon.control import lines, phases, states
from daemon.control.alarms import Alarms
from daemon.control.decide import Decision, State, decide
from daemon.control.guard import Verdict
from daemon.control.image import SAFE, Now, Outputs
from daemon.control.interlocks import MATRIX, Interlock
from daemon.control.lines import Owed
from daemon.control.recovery import Past, recover
from daemon.control.requests import Request
from daemon.control.run import Run, begin
from daemon.control.sense import Facts, Sense, sense
from daemon.control.sense_channel import ChannelFacts
from daemon.control.states import ACTIVE, ALLOWED, WATERING, Effect, Phase, ProcedureState, Unit, UnitMode
from daemon.evidence import FlushOwed
from daemon.messages import DAEMON, Verb
from daemon.recipe import BlockPlan, ChannelPlan, LinePath, Recipe
from daemon.site import Plant
from tests.daemon.control.images import injectors, on
from tests.daemon.control.plant import SMALL, WIDE, Rig, make_plant, site_text
from tests.daemon.control.search.explore import Tally, explore, frozen

_P = ProcedureState
PART_L: Final = 100.0
"""Water of one scan."""
STOCK_L: Final = 10.0
"""Stock of one scan."""
_MAIN_L = 50.0
_FLUSH_L = 2.0 * PART_L
_DURABLE = 1_000_000
_LONGEST_WALK = 100
_TIMES = {
    "checkpoint_s = 10.0": "checkpoint_s = 1.0",
    "start_s = 10.0": "start_s = 1.0",
    "run_down_s = 10.0": "run_down_s = 1.0",
    "min_off_s = 20.0": "min_off_s = 1.0",
    "max_starts_per_hour = 6": "max_starts_per_hour = 600",
    "travel_s = 8.0": "travel_s = 1.0",
    "travel_s = 4.0": "travel_s = 1.0",
    "settle_s = 5.0": "settle_s = 1.0",
    "overlap_s = 10.0": "overlap_s = 1.0",
    "hold_max_s = 60.0": "hold_max_s = 1.0",
}


def _is_at_rest(state: State) -> bool:
    return state.unit.procedure not in ACTIVE and state.outputs == SAFE


def _is_injecting(state: State) -> bool:
    return bool(injectors(state.outputs)) and bool(state.lines.owed)


def quick() -> Plant:
    """Return the plant of two blocks with times of one or two scans."""
    text = site_text(SMALL) + WIDE
    for old, new in _TIMES.items():
        text = text.replace(old, new)
    return make_plant(text)


def recipe(plant: Plant, block: str) -> Recipe:
    """Return a shift of one block and channel a: a part of pre-wet, two of stock, two of flush, five in all."""
    path = LinePath(_MAIN_L, 10.0, 40.0, PART_L, 10.0)
    return Recipe(
        run=f"run-{block}",
        shift=block,
        flow_m3_h=plant.site.block[block].flow_m3_h,
        main_l=_MAIN_L,
        prewet_l=PART_L,
        inject_l=2.0 * PART_L,
        flush_l=_FLUSH_L,
        water_l=5.0 * PART_L,
        blocks=(BlockPlan(block, 1.0, 1.0, 0.0, False, path, {"a": {"N": 1_000_000}}),),
        channels=(ChannelPlan("a", "calcium", "a_1", 2.0 * STOCK_L, 0.007, "", 0.0, 0.0, {"N": 50.0}, 2.0, 0.0),),
    )


class Ghost(NamedTuple):
    """The specification's own memory."""

    loaded: tuple[tuple[str, str, float], ...] = ()
    """Segment, run, and water through it since that run's last injected litre."""
    severity: Effect = Effect.NONE
    """Worst effect since the run began."""
    off_s: float = 0.0
    open_s: float = 0.0
    """How long the blocks that are open have been so."""
    waits_for: str = ""
    """What ends a dry hold: nothing else may. person or cause."""


class Node(NamedTuple):
    """State and ghost."""

    state: State
    ghost: Ghost


class Input(NamedTuple):
    """What one scan brings."""

    name: str
    facts: Facts
    verdict: Verdict
    requests: tuple[Request, ...] = ()

    def __repr__(self) -> str:
        verbs = "+".join(request.verb.value for request in self.requests)
        causes = ", ".join(self.verdict.causes)
        return f"{self.name}; {self.verdict.effect.name} {causes}; {verbs}; dt {self.facts.dt_s:g}"


def named_codes() -> frozenset[str]:
    """Return the causes that the procedure and its commands ask for by name."""
    folder = Path(phases.__file__).parent
    text = "".join((folder / name).read_text("utf-8") for name in ("phases.py", "requests.py", "decide.py", "gate.py"))
    return frozenset(row.code for row in MATRIX if re.search(rf'"{re.escape(row.code)}"', text))


def verdict_of(*rows: Interlock) -> Verdict:
    """Return the verdict with these rows alone in force."""
    releasing = [row for row in rows if row.effect is Effect.RELEASE]
    return Verdict(
        max((row.effect for row in rows), default=Effect.NONE),
        tuple(row.code for row in rows),
        (),
        (),
        any(row.effect > Effect.RELEASE and not row.of_shift for row in rows),
        bool(releasing) and all(row.resumes for row in releasing),
    )


def verdicts(*, every_row: bool) -> list[Verdict]:
    """Return one verdict of each class, or of every row, and the pairs that a dry hold may meet."""
    by_name = named_codes()
    found: dict[object, Verdict] = {None: verdict_of()}
    for row in MATRIX:
        verdict = verdict_of(row)
        kind = (
            verdict.effect,
            verdict.is_of_plant,
            verdict.resumes,
            row.code if every_row or row.code in by_name else "",
        )
        found.setdefault(kind, verdict)
    for effect in Effect:  # a class that no row makes today is searched all the same
        known = {verdict.effect for verdict in found.values()}
        if effect not in known:
            found[effect] = Verdict(effect, (), (), (), effect > Effect.RELEASE, False)
    releasing = [row for row in MATRIX if row.effect is Effect.RELEASE]
    for row in releasing:
        for other in MATRIX:
            if other.effect < Effect.RELEASE and other.code in by_name:
                found[row.code, other.code] = verdict_of(row, other)
    return [*found.values()]


@dataclass
class ProcedureSearch:
    """The search. Rules are counted in `counts` as their antecedent is met."""

    every_row: bool = False
    is_queued: bool = False
    """A second shift may follow the first."""

    def __post_init__(self) -> None:
        self.counts: Counter[str] = Counter()
        self.plant = quick()
        self.recipes = {block: recipe(self.plant, block) for block in ("creek", "ridge")}
        rig = Rig(self.plant)
        self.image, self.now = rig.see(), Now(1.0, rig.at_s)
        self._sense, self._still = sense(self.plant, Sense(), self.image, SAFE, self.now)
        self._verdicts = verdicts(every_row=self.every_row)
        self._commands = [*self._all_commands()]
        self._stopping: dict[object, set[object]] = {}
        self._taken: Counter[tuple[ProcedureState, ProcedureState]] = Counter()

    # What goes in.

    def _all_commands(self) -> Iterator[tuple[Request, ...]]:
        one, two = self.recipes["creek"], self.recipes["ridge"]
        start = Request("start", Verb.START, (one,))
        both = Request("both", Verb.START, (one, two))
        timetable = Request("timetable", Verb.START, (two,), role=DAEMON)
        hold, fertiliser = Request("hold", Verb.HOLD), Request("less", Verb.STOP_FERTILISER)
        stop, reset = Request("stop", Verb.STOP_EVERYTHING), Request("reset", Verb.RESET)
        modes = [Request(f"mode {mode.value}", Verb.MODE, mode=mode) for mode in UnitMode]
        yield from ((), (both if self.is_queued else start,), (timetable,), (hold,), (fertiliser,), (stop,), (reset,))
        yield from ((mode,) for mode in modes)
        yield from ((start, stop), (stop, hold), (hold, fertiliser), (reset, start), (start, hold))
        yield from ((Request("release", Verb.RELEASE),), (Request("seen", Verb.ACKNOWLEDGE),))

    def inputs(self, state: State) -> Iterator[Input]:
        """Yield every input of a scan in `state`."""
        well = self._well(state, 1.0)
        none = self._verdicts[0]
        for verdict in self._verdicts:
            for requests in self._commands:
                yield Input("well", well, verdict, requests)
        for name, facts in self._departures(state, well):
            for verdict in self._verdicts if self.every_row else [v for v in self._verdicts if self._fits(name, v)]:
                yield Input(name, facts, verdict)
            yield Input(name, facts, none, self._commands[1])
            yield Input(name, facts, none, self._commands[5])

    def _fits(self, name: str, verdict: Verdict) -> bool:
        """Return whether it is worth meeting in the quick search: a pause, and what a reading must bring about."""
        must = {"hand": Effect.RELEASE, "emergency stop": Effect.ZERO}.get(name)
        return verdict.effect in (Effect.NONE, Effect.PAUSE) if must is None else verdict.effect is must

    def _well(self, state: State, dt_s: float) -> Facts:
        """Return the facts of a plant that answers to the last outputs as it should."""
        outputs, still = state.outputs, self._still
        is_flowing = outputs.pump and bool(outputs.blocks)
        flow = sum(self.plant.site.block[name].flow_m3_h for name in outputs.blocks) if is_flowing else 0.0
        moved = dt_s > 0.0
        channels = {
            name: channel._replace(
                meter_good=True,
                content_good=True,
                content_l=800.0,
                moved_l=STOCK_L if moved and name in injectors(outputs) else 0.0,
            )
            for name, channel in still.channels.items()
        }
        return still._replace(
            dt_s=dt_s,
            flow_good=True,
            flow_m3_h=flow,
            flow_proven=is_flowing,
            water_good=True,
            water_moved_l=PART_L if is_flowing and moved else 0.0,
            pressure_good=True,
            pressure_kpa=300.0 if is_flowing else 0.0,
            pump_running=outputs.pump,
            emergency_stop_healthy=True,
            selector_auto=True,
            outputs_seen=True,
            outputs_match=True,
            watchdog_armed=True,
            is_filter_quiet=True,
            displaces=True,
            commit_late_s=0.0,
            ledger_writable=True,
            durable=_DURABLE,
            channels=channels,
            counter_resets=(),
        )

    def _departures(self, state: State, well: Facts) -> Iterator[tuple[str, Facts]]:
        yield "no time", self._well(state, 0.0)
        yield "hand", well._replace(selector_auto=False)
        yield "selector unknown", well._replace(selector_auto=None)
        yield "emergency stop", well._replace(emergency_stop_healthy=False)
        yield "circuit unknown", well._replace(emergency_stop_healthy=None)
        yield "outputs unseen", well._replace(outputs_seen=False)
        yield "outputs differ", well._replace(outputs_match=False)
        yield "watchdog off", well._replace(watchdog_armed=False)
        yield "flow not proven", well._replace(flow_proven=False, flow_good=False, flow_m3_h=0.0)
        yield "half the flow", well._replace(flow_m3_h=0.5 * well.flow_m3_h)
        yield "no water", well._replace(water_moved_l=0.0)
        yield "water bad", well._replace(water_good=False, water_moved_l=0.0)
        yield "pressure low", well._replace(pressure_kpa=100.0)
        yield "pressure bad", well._replace(pressure_good=False, pressure_kpa=0.0)
        yield "pump stands", well._replace(pump_running=False)
        yield "filter", well._replace(is_filter_quiet=False, displaces=False)
        yield "record late", well._replace(commit_late_s=99.0)
        yield "record off", well._replace(ledger_writable=False)
        yield "not durable", well._replace(durable=0)
        a = well.channels["a"]
        for name, channel in {
            "injector meter bad": a._replace(meter_good=False, moved_l=0.0),
            "tank low": a._replace(content_l=1.0),
            "tank bad": a._replace(content_good=False, content_l=0.0),
            "injector silent": a._replace(moved_l=0.0),
            **self._too_much(state, a),
        }.items():
            yield name, well._replace(channels={**well.channels, "a": channel})

    def _too_much(self, state: State, a: ChannelFacts) -> dict[str, ChannelFacts]:
        """Yield all of the plan at once with the injector on, and some with it off and the procedure at rest."""
        if injectors(state.outputs):
            return {"all stock at once": a._replace(moved_l=4.0 * STOCK_L)}
        return {"siphon": a._replace(moved_l=STOCK_L, idle_l_h=99.0)} if state.unit.procedure not in ACTIVE else {}

    # The search.

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
        """Yield what three runs come through, so that a search that is cut short has been everywhere.

        One of creek to its end, one of creek with a crash while it injects, and one of ridge after it.
        """
        start, daemons = self._commands[1], self._commands[2]
        automatic = (Request("mode", Verb.MODE, mode=UnitMode.AUTOMATIC),)
        node = rest
        for requests, until in ((start, _is_at_rest), (start, _is_injecting), (automatic, _is_at_rest)):
            walked = [*self._steps(node, requests, until)]
            yield from walked
            node = walked[-1]
            if until is _is_injecting:
                _, node = next(self._crashes(node))
                yield node
        yield from self._steps(node, daemons, _is_at_rest)

    def _steps(self, node: Node, requests: tuple[Request, ...], until: Callable[[State], bool]) -> Iterator[Node]:
        for _ in range(_LONGEST_WALK):
            given = Input("walk", self._well(node.state, 1.0), self._verdicts[0], requests)
            decision = self.decide(node.state, given)
            node, requests = Node(self._rounded(decision.state), self._judged(node, given, decision)), ()
            yield node
            if until(node.state):
                return
        raise AssertionError("the walk does not end")

    def _without_senses(self) -> Any:
        def transition(unit: Unit, to: ProcedureState) -> Unit:
            self._taken[unit.procedure, to] += 1
            return real(unit, to)

        real = states.transition
        stack = mock.patch.multiple(
            module,
            sense=lambda plant, memory, image, last, now: (memory, self._facts),
            guard=lambda *given, **more: (given[0], self._verdict),
        )
        stack2 = mock.patch.object(phases, "transition", transition)
        stack3 = mock.patch.object(lines, "flow_on", lambda memory, *rest, **more: memory)
        return _All(stack, stack2, stack3)

    def decide(self, state: State, given: Input) -> Decision:
        """Do one scan of the real `decide` under what is given."""
        self._facts, self._verdict = given.facts, given.verdict
        now = self.now._replace(dt_s=given.facts.dt_s)
        return decide(self.plant, state, self.image, given.requests, now)

    def _edges(self, node: Node) -> Iterator[tuple[object, Node]]:
        for given in self.inputs(node.state):
            decision = self.decide(node.state, given)
            ghost = self._judged(node, given, decision)
            after = Node(self._rounded(decision.state), ghost)
            self._note_stopping(node, given, after)
            yield given, after
        yield from self._crashes(node)

    def _crashes(self, node: Node) -> Iterator[tuple[object, Node]]:
        """A crash is an edge: what is durable comes back, and nothing else. Young rows may or may not be on disk."""
        state, ghost = node
        owed = tuple(FlushOwed(o.segment, o.stock, o.run, round(1000 * o.full_l)) for o in state.lines.owed)
        for rows in {owed, () if not ghost.loaded else owed}:
            back, _ = recover(self.plant, Past(owed=rows), self.image)
            assert back.outputs == SAFE and back.unit.procedure is _P.IDLE, "6: a boot begins with the safe set"
            self.counts["6 crash"] += 1
            self.counts["6 crash while loaded"] += bool(ghost.loaded)
            fresh = Ghost(loaded=tuple((segment, "old", 0.0) for segment, _, _ in ghost.loaded))
            self._owes(fresh, back, "after a crash")
            yield "crash", Node(self._rounded(back), fresh)

    # What must hold.

    def _judged(self, node: Node, given: Input, decision: Decision) -> Ghost:
        """Hold one scan against the specification; return the ghost after it."""
        state, after, ghost = node.state, decision.state, node.ghost
        facts, effect = given.facts, given.verdict.effect
        last, outputs = state.outputs, decision.outputs
        was, now = state.unit.procedure, after.unit.procedure
        is_new = after.run is not None and (state.run is None or was not in ACTIVE or now not in ACTIVE)
        is_new = is_new or (
            after.run is not None and state.run is not None and after.run.recipe is not state.run.recipe
        )
        asked = {request.verb: request for request in given.requests}
        accepted = {answer.id for answer in decision.answers if answer.accepted}
        began = [request for request in given.requests if request.verb is Verb.START and request.id in accepted]
        self.counts["scans"] += 1
        self._injects(state, ghost, given, decision)
        self._pump(ghost, facts, last, outputs)
        self._stops(was, now, asked, accepted, outputs)
        self._starts(state, given, decision, began)

        # 15: severity is monotone until the run has ended.
        # A run may go on after a pause, and after a hold that a person or the cause itself ends.
        lasting = Effect.NONE if effect in (Effect.PAUSE, Effect.TWO, Effect.RELEASE) else effect
        severity = (
            Effect.NONE if was not in ACTIVE or is_new else max(ghost.severity, lasting)
        )  # the last run's is past
        if was in ACTIVE and not is_new:
            self.counts["15 severe"] += severity >= Effect.WATER_ONLY
            if severity >= Effect.WATER_ONLY:
                assert not injectors(outputs), f"15: injecting after {severity.name}"
            if severity >= Effect.ONE:
                self.counts["15 stopping"] += 1
                assert now not in WATERING, f"15: {now.value} after {severity.name}"
            if severity is Effect.ZERO:
                self.counts["15 zero"] += 1
                assert now in {_P.ABORTING, _P.ABORTED, _P.STOPPED, _P.IDLE}
        if effect is Effect.ZERO:
            self.counts["ZERO takes energy"] += 1
            assert not outputs.pump and not any(c.run or c.valve for c in outputs.channels.values())
        if effect is Effect.RELEASE:
            self.counts["RELEASE lets go"] += 1
            assert not on(outputs), f"{on(outputs)} on while the outputs are released"
        if effect >= Effect.PAUSE:
            self.counts["1 any cause in force"] += 1
            assert not injectors(outputs)
        waits_for = self._dry(state, ghost, given, decision, began)
        if now not in ACTIVE:
            severity = Effect.NONE
        loaded = self._loaded(node, facts, decision)
        open_s = ghost.open_s + facts.dt_s if last.blocks and outputs.blocks >= last.blocks else 0.0
        ghost_after = Ghost(
            loaded,
            severity,
            0.0 if outputs.pump or last.pump else min(1.0, ghost.off_s + facts.dt_s),
            min(1.0, open_s),
            waits_for,
        )
        self._owes(ghost_after, after, "after a scan")
        if now is _P.COMPLETE and was is not _P.COMPLETE:
            self.counts["2 complete"] += 1
            assert not after.lines.owed or state.run is None or not self._on_path(state.run.recipe, loaded)
        return ghost_after

    def _injects(self, state: State, ghost: Ghost, given: Input, decision: Decision) -> None:
        """Invariants 1, 2, 4b, 5 and 14 over an open injector."""
        facts, last, outputs, run = given.facts, state.outputs, decision.outputs, decision.state.run
        opened = injectors(outputs)
        rising = on(outputs) - on(last)
        if rising:
            self.counts["4b something comes on"] += 1
            assert facts.emergency_stop_healthy is True and facts.selector_auto is True and facts.outputs_seen
        if not opened:
            return
        self.counts["1 injecting"] += 1
        self.counts["4b injector comes on"] += bool(opened - injectors(last))
        assert run is not None and decision.state.unit.procedure is _P.RUNNING
        assert decision.state.unit.phase is Phase.INJECT and not run.given_up
        channel, main = facts.channels["a"], self.plant.site.main
        rules = {
            "selector": facts.selector_auto is True,
            "emergency stop": facts.emergency_stop_healthy is True,
            "flow": facts.flow_good and facts.flow_proven and facts.water_good,
            "pressure": facts.pressure_good and facts.pressure_kpa >= main.min_pressure_kpa,
            "module": facts.outputs_seen and facts.outputs_match and facts.watchdog_armed,
            "pump": facts.pump_running is True and last.pump and outputs.pump,
            "filter": facts.is_filter_quiet,
            "record": facts.ledger_writable and facts.commit_late_s <= self.plant.site.limits.commit_age_s,
            "durable": facts.durable > 0,
            "tank": channel.meter_good and channel.content_good and channel.content_l >= 40.0,
            "the shift's valves alone": last.blocks == run.blocks == outputs.blocks,
        }
        assert all(rules.values()), f"1: injecting without {[name for name, holds in rules.items() if not holds]}"
        others = [item for item in ghost.loaded if item[1] != run.recipe.run]
        self.counts["2 injecting beside a foreign debt"] += bool(others)
        assert not self._on_path(run.recipe, others), f"2: injecting onto {others}"
        assert all(
            o.run == run.recipe.run for o in decision.state.lines.owed if self._is_on_path(run.recipe, o.segment)
        )

    def _pump(self, ghost: Ghost, facts: Facts, last: Outputs, outputs: Outputs) -> None:
        """Invariants 13 and 16, and the order of pump and valves."""
        if not outputs.pump:
            return
        self.counts["13 pump on"] += 1
        assert outputs.blocks, "13: the pump runs against closed valves"
        if last.pump:
            return
        self.counts["16 pump starts"] += 1
        assert last.blocks and ghost.open_s + facts.dt_s >= 1.0, "13: the pump starts against closed valves"
        assert ghost.off_s + facts.dt_s >= 1.0, "16: the pump was not rested"

    def _stops(
        self,
        was: ProcedureState,
        now: ProcedureState,
        asked: Mapping[Verb, Request],
        accepted: set[str],
        outputs: Outputs,
    ) -> None:
        """Invariant 11: Stop is taken in every state and acts in the same scan."""
        if Verb.STOP_EVERYTHING not in asked:
            return
        self.counts["11 stop"] += 1
        self.counts["11 stop while watering"] += was in WATERING
        assert asked[Verb.STOP_EVERYTHING].id in accepted, "11: a stop was refused"
        assert not injectors(outputs), "11: injecting after a stop"
        assert now not in WATERING, f"11: {now.value} after a stop"

    def _starts(self, state: State, given: Input, decision: Decision, began: list[Request]) -> None:
        """Nothing begins but by an accepted START or as the next shift; modes bind who may start."""
        was, now = state.unit, decision.state.unit
        self.counts["3 not active"] += was.procedure not in ACTIVE
        if now.procedure in ACTIVE and was.procedure not in ACTIVE:
            self.counts["3 started"] += 1
            assert began, "3: something started by itself"
        for request in began:
            self.counts["mode: start accepted"] += 1
            assert was.mode in (UnitMode.AUTOMATIC, UnitMode.SEMI_AUTOMATIC)
            assert request.is_person or was.mode is UnitMode.AUTOMATIC, "the timetable started outside AUTOMATIC"
        if now.mode is not was.mode:
            self.counts["mode: changed"] += 1
            assert any(request.verb is Verb.MODE and request.mode is now.mode for request in given.requests)
            assert was.procedure not in ACTIVE, "the mode changed while active"

    def _dry(self, state: State, ghost: Ghost, given: Input, decision: Decision, began: list[Request]) -> str:
        """Nothing starts by itself after Hand or Off: only a person, or the cause's own end where the row says so."""
        if decision.state.unit.procedure not in WATERING:
            return ""
        waits_for = ghost.waits_for
        is_person = any(request.is_person for request in began)
        if waits_for and given.verdict.effect < Effect.RELEASE and (is_person or waits_for == "cause"):
            waits_for = ""
        if given.verdict.effect is Effect.RELEASE and state.unit.procedure in WATERING:
            self.counts["7 released while watering"] += 1
            is_self_ending = given.verdict.resumes and ghost.waits_for != "person"
            waits_for = "cause" if is_self_ending else "person"
        if waits_for == "person":
            self.counts["7 waits for a person"] += 1
            assert not decision.outputs.pump and not injectors(decision.outputs), "7: it went on without a person"
        return waits_for

    def _loaded(self, node: Node, facts: Facts, decision: Decision) -> tuple[tuple[str, str, float], ...]:
        """Follow the ghost of the stock: born with an open injector, gone with the flush that the design asks for."""
        last, run = node.state.outputs, decision.state.run
        passed = facts.water_moved_l if last.pump and facts.displaces and not injectors(last) else 0.0
        left = []
        for segment, whose, litres in node.ghost.loaded:
            litres += passed if segment == lines.MAIN or segment in last.blocks else 0.0
            full_l = _FLUSH_L if segment != lines.MAIN else _MAIN_L * self.plant.site.limits.flush_factor
            if litres < full_l:
                left.append((segment, whose, litres))
        if injectors(decision.outputs) and run is not None:
            own = {lines.MAIN, *run.blocks}
            left = [item for item in left if item[0] not in own] + [(name, run.recipe.run, 0.0) for name in sorted(own)]
        if decision.state.unit.procedure not in ACTIVE:
            left = [(segment, "old", litres) for segment, _, litres in left]
        elif run is not None:
            left = [(s, whose if whose == run.recipe.run else "old", litres) for s, whose, litres in left]
        return tuple(sorted(left))

    def _owes(self, ghost: Ghost, state: State, when: str) -> None:
        """Invariant 2: what is loaded is owed."""
        owed = {item.segment for item in state.lines.owed}
        for segment, _, _ in ghost.loaded:
            self.counts["2 loaded"] += 1
            assert segment in owed, f"2: {segment} is loaded and nothing is owed there {when}"

    def _is_on_path(self, of: Recipe, segment: str) -> bool:
        return segment == lines.MAIN or any(block.block == segment for block in of.blocks)

    def _on_path(self, of: Recipe, loaded: Any) -> list[str]:
        return [item[0] for item in loaded if self._is_on_path(of, item[0])]

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

    # The abstraction.

    def _key(self, node: Node) -> object:
        state = node.state
        parts = (state.unit, state.run, state.queue, state.water, state.lines.owed, state.leases, state.outputs)
        return frozen((*parts, node.ghost))

    def _rounded(self, state: State) -> State:
        """Return the state's representative."""
        run = state.run
        is_active = state.unit.procedure in ACTIVE
        if run is not None:
            run = self._rounded_run(state.unit, run) if is_active else begin(run.recipe)._replace(end="ended")
        owed = self._merged(state)
        water = state.water
        return replace(
            state,
            unit=_one_mode(state.unit),
            run=run,
            sense=self._sense,
            water=water._replace(valves_s=min(1.0, water.valves_s), off_s=min(1.0, water.off_s), starts_s=()),
            lines=lines.Lines(pipes=state.lines.pipes if is_active else {}, owed=owed),
            alarms=Alarms(),
            emitted=1,
        )

    def _merged(self, state: State) -> tuple[Owed, ...]:
        """Return the debts with those of ended runs under one name: of two of a kind the one that is owed more of."""
        run = state.run if state.unit.procedure in ACTIVE else None
        most: dict[tuple[str, str, str], Owed] = {}
        for item in state.lines.owed:
            whose = item.run if run is not None and item.run == run.recipe.run else "old"
            stock = "old" if whose == "old" else item.stock
            known, left_l = most.get((item.segment, stock, whose)), PART_L * -(-item.left_l // PART_L)
            if known is None or known.left_l < left_l:
                most[item.segment, stock, whose] = item._replace(
                    run=whose, stock=stock, full_l=_FLUSH_L, left_l=min(_FLUSH_L, left_l), age_s=0.0
                )
        return tuple(sorted(most.values()))

    def _rounded_run(self, unit: Unit, run: Run) -> Run:
        limits = self.plant.site.limits
        ends = {
            "run_s": 0.0,
            "phase_s": 0.0,
            "phase_stock_l": 0.0,
            "fill_l": 0.0,
            "backwash_l": 0.0,
            "paused_s": 0.0,
            "held_s": 2.0,
            "injecting_l": 0.0,
            "settled_s": limits.settle_s,
            "checkpoint_s": 0.0,
            "water_l": run.recipe.water_l,
            "phase_water_l": 2.0 * PART_L,
            "since_injected_l": _FLUSH_L,
        }
        if unit.phase is not Phase.FILL and unit.procedure not in (_P.HELD, _P.RESTARTING):
            run = run._replace(settled_s=0.0, settled_kpa=0.0)  # begun anew with the next filling
        held: Run = _held(run, ends)
        return held._replace(
            channels={
                name: _held(c, {"injected_l": 3.0 * STOCK_L, "since_l": 0.0, "rate_l_h": 0.0, "on_s": 0.0})
                for name, c in run.channels.items()
            },
            intents=dict.fromkeys(run.intents, 1),
            end="ending" if run.end else "",
            given_up="given up" if run.given_up else "",
            restarts=min(3, run.restarts),
        )


def _one_mode(unit: Unit) -> Unit:
    """Return the unit in AUTOMATIC while it is active: who may start it is over, and from rest all modes are met."""
    return replace(unit, mode=UnitMode.AUTOMATIC) if unit.procedure in ACTIVE else unit


def _held(record: Any, ends: Mapping[str, float]) -> Any:
    """Return the record with litres and times held at their ends; a time without one of its own at 3 s."""
    values = {}
    for name, value in record._asdict().items():
        if name in ends or (name.endswith("_s") and isinstance(value, float)):
            values[name] = min(value, ends.get(name, 3.0))
    return record._replace(**values)


class _All:
    """Several patches as one."""

    def __init__(self, *parts: Any) -> None:
        self._parts = parts

    def __enter__(self) -> None:
        for part in self._parts:
            part.__enter__()

    def __exit__(self, *why: Any) -> None:
        for part in reversed(self._parts):
            part.__exit__(*why)


TABLE: Final = frozenset(f"table {was.value} > {to.value}" for was, tos in ALLOWED.items() for to in tos)
"""Every row of the table of transitions."""

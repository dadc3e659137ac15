"""What must hold on every edge of the procedure's search: the invariants, with a memory of their own."""

from collections import Counter
from collections.abc import Mapping
from typing import Any, NamedTuple

from daemon.control import lines
from daemon.control.decide import Decision, State
from daemon.control.image import Outputs
from daemon.control.requests import Request
from daemon.control.sense import Facts
from daemon.control.states import ACTIVE, WATERING, Effect, Phase, ProcedureState, UnitMode
from daemon.messages import Verb
from daemon.recipe import Recipe
from daemon.site import Plant
from tests.daemon.control.images import injectors, on
from tests.daemon.control.search.procedure_inputs import Input
from tests.daemon.control.search.quick_plant import FLUSH_L, MAIN_L

_P = ProcedureState


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


class Rules:
    """Holds scans against the specification, and counts in `counts` how often each rule's antecedent is met."""

    def __init__(self, plant: Plant, counts: Counter[str]) -> None:
        self.plant = plant
        self.counts = counts

    def judged(self, node: Node, given: Input, decision: Decision) -> Ghost:
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
        elif now not in WATERING:  # whatever stopped it: it is stopping
            severity = max(severity, Effect.ZERO if now is _P.ABORTING else Effect.ONE)
        elif after.run is not None and after.run.given_up:  # whoever gave it up: it has water only
            severity = max(severity, Effect.WATER_ONLY)
        loaded = self._loaded(node, facts, decision)
        open_s = ghost.open_s + facts.dt_s if last.blocks and outputs.blocks >= last.blocks else 0.0
        ghost_after = Ghost(
            loaded,
            severity,
            # No longer than the pump's own timer says: that one also begins anew in Hand.
            0.0 if outputs.pump or last.pump else min(1.0, ghost.off_s + facts.dt_s, after.water.off_s),
            min(1.0, open_s),
            waits_for,
        )
        self.owes(ghost_after, after, "after a scan")
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
            full_l = FLUSH_L if segment != lines.MAIN else MAIN_L * self.plant.site.limits.flush_factor
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

    def owes(self, ghost: Ghost, state: State, when: str) -> None:
        """Invariant 2: what is loaded is owed."""
        owed = {item.segment for item in state.lines.owed}
        for segment, _, _ in ghost.loaded:
            self.counts["2 loaded"] += 1
            assert segment in owed, f"2: {segment} is loaded and nothing is owed there {when}"

    def _is_on_path(self, of: Recipe, segment: str) -> bool:
        return segment == lines.MAIN or any(block.block == segment for block in of.blocks)

    def _on_path(self, of: Recipe, loaded: Any) -> list[str]:
        return [item[0] for item in loaded if self._is_on_path(of, item[0])]

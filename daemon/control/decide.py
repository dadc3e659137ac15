"""`decide`: one scan of the controller as one pure function, composed of small reducers.

Order: sense, guard, admit, account for what moved, procedure and phases, injection, water, gate, record. The guard is
judged with the last scan's phase, which the readings saw; the gate comes last and only removes.
"""

from dataclasses import dataclass
from typing import NamedTuple

from daemon.control import lines as account
from daemon.control.gate import gate
from daemon.control.guard import Guard, Verdict, guard
from daemon.control.image import SAFE, Image, Now, Outputs
from daemon.control.injection import Want, inject
from daemon.control.interlocks import Situation
from daemon.control.lines import Lines
from daemon.control.phases import Step, proceed, settled
from daemon.control.record import Recorder
from daemon.control.requests import Request, admit, wants_reset
from daemon.control.run import ChannelRun, Run
from daemon.control.sense import ChannelFacts, Facts, Sense, sense
from daemon.control.states import ACTIVE, WATERING, Phase, ProcedureState, Unit
from daemon.control.water import Water, water
from daemon.evidence import Evidence
from daemon.messages import Answer
from daemon.site import Plant


@dataclass(frozen=True, slots=True)
class State:
    """All that `decide` remembers. No absolute time, no configuration, no text but a run's own."""

    unit: Unit = Unit()
    run: Run | None = None
    """The run under way, or the last one until the next begins."""
    sense: Sense = Sense()
    guard: Guard = Guard()
    water: Water = Water()
    lines: Lines = Lines()
    outputs: Outputs = SAFE
    """Commanded by the last scan."""
    emitted: int = 0
    """Rows of evidence emitted since the start."""


class Decision(NamedTuple):
    """What one scan decided."""

    state: State
    outputs: Outputs
    entries: tuple[Evidence, ...]
    answers: tuple[Answer, ...]
    facts: Facts
    verdict: Verdict


def decide(plant: Plant, state: State, image: Image, requests: tuple[Request, ...], now: Now) -> Decision:
    """Return the next state, the outputs, the rows for the record and the answers to `requests`.

    Pure: the same arguments give the same decision.
    """
    site = plant.site
    senses, facts = sense(plant, state.sense, image, state.outputs, now)
    situation = Situation(site, facts, state.unit, state.outputs, state.run, _needed(state.run, facts))
    guards, verdict = guard(state.guard, situation, wants_reset(state.unit, requests))
    asked, answers = admit(state.unit, state.run, facts, verdict, requests)
    record = Recorder()
    record.alarms(verdict)

    run, lines = _tick(plant, state, facts, record)
    owed_l = account.owed_on_path(run.recipe, lines) if run is not None else 0.0
    step = proceed(site, state.unit, run, asked, verdict, facts, state.outputs, owed_l)
    if step.began and step.run is not None:
        lines = account.lay(site, step.run.recipe, lines)
        record.began(plant, step.run)
    if step.left is not None:
        record.phase_ended(*step.left)

    run, wants = inject(site, step.unit, step.run, verdict, facts, state.outputs)
    if run is not None and run.intent == 0 and _asks_to_open(step.unit, run, wants, state.outputs):
        lines, rows = account.owe(run, lines)
        record.intent(run, rows)
        run = run._replace(intent=state.emitted + record.count, has_injected=True, checkpoint_s=site.site.checkpoint_s)
    blocks = (
        frozenset(block.block for block in run.recipe.blocks) if run is not None and _wants_water(step) else frozenset()
    )
    is_cut = step.unit.procedure is ProcedureState.ABORTING
    pump_and_valves, water_want = water(site, state.water, blocks, is_cut, facts, state.outputs)
    outputs = gate(site, step.unit, run, verdict, facts, state.outputs, water_want, wants)

    if run is not None:
        run = _close_intent(run, state.outputs, outputs)
        run = record.checkpoint(site, step.unit, run, image)
        if step.ended:
            record.ended(site, step.unit, run, lines)
    return Decision(
        State(step.unit, run, senses, guards, pump_and_valves, lines, outputs, state.emitted + record.count),
        outputs,
        record.rows(),
        answers,
        facts,
        verdict,
    )


def _needed(run: Run | None, facts: Facts) -> tuple[tuple[str, ChannelFacts], ...]:
    if run is None:
        return ()
    return tuple([(name, facts.channels[name]) for name, channel in run.channels.items() if not channel.done])


def _tick(plant: Plant, state: State, facts: Facts, record: Recorder) -> tuple[Run | None, Lines]:
    """Account for what moved since the last scan, under the state that it moved in."""
    run, unit, lines = state.run, state.unit, state.lines
    for name in facts.counter_resets:
        record.event("counter-reset", {"counter": name})
    if run is None or unit.procedure not in ACTIVE:
        lines, rows = account.outside_run(lines, facts)
        record.add(rows)
        return run, lines
    is_injecting = any(channel.run for channel in state.outputs.channels.values())
    is_filling = unit.phase is Phase.FILL
    moved_l = sum(channel.moved_l for channel in facts.channels.values())
    if not is_filling:
        lines = account.flow_on(lines, facts)
        lines, rows = account.pay(run, lines, facts, is_injecting or run.intent > 0)
        record.add(rows)
    settled_s, settled_kpa = run.settled_s, run.settled_kpa
    if is_filling or unit.procedure is ProcedureState.RESTARTING:
        settled_s, settled_kpa = settled(plant.site, run, facts, state.outputs)
    water_l = 0.0 if is_filling else facts.water_moved_l
    return (
        run._replace(
            channels=_metered(run, facts) if moved_l else run.channels,
            run_s=run.run_s + facts.dt_s,
            phase_s=run.phase_s + facts.dt_s if unit.procedure is ProcedureState.RUNNING else run.phase_s,
            phase_water_l=run.phase_water_l + facts.water_moved_l,
            phase_stock_l=run.phase_stock_l + moved_l,
            settled_s=settled_s,
            settled_kpa=settled_kpa,
            water_l=run.water_l + water_l,
            fill_l=run.fill_l + facts.water_moved_l - water_l,
            since_injected_l=0.0 if is_injecting or moved_l > 0.0 else run.since_injected_l + water_l,
            held_s=run.held_s + facts.dt_s if unit.procedure in _HELD else run.held_s,
            checkpoint_s=run.checkpoint_s + facts.dt_s,
        ),
        lines,
    )


_HELD = (ProcedureState.HELD, ProcedureState.RESTARTING)


def _metered(run: Run, facts: Facts) -> dict[str, ChannelRun]:
    """Return the channels with what their meters counted; all of it counts, whatever the injectors were told."""
    return {
        name: ChannelRun(c.injected_l + facts.channels[name].moved_l, c.rate_l_h, c.trim, c.on_s, c.done)
        for name, c in run.channels.items()
    }


def _wants_water(step: Step) -> bool:
    return step.unit.procedure in WATERING and step.run is not None and not step.run.end


def _asks_to_open(unit: Unit, run: Run, wants: dict[str, Want], last: Outputs) -> bool:
    """Return whether a channel wants its valve open with its injector still off, and not because it is closing."""
    if unit.phase is not Phase.INJECT or run.given_up:
        return False
    closing = {name for name, channel in last.channels.items() if channel.run}
    return any(want.valve and not want.run and name not in closing for name, want in wants.items())


def _close_intent(run: Run, last: Outputs, outputs: Outputs) -> Run:
    """Use an intent up: an injector that goes off before it is done needs a new one before it comes on again."""
    for name, before in last.channels.items():
        is_on = name in outputs.channels and outputs.channels[name].run
        if before.run and run.intent and not is_on and not run.channels[name].done:
            return run._replace(intent=0)
    return run

"""`decide`: one scan of the controller as one pure function, composed of small reducers.

Order: sense, guard, admit, leases, account for what moved, procedure and phases, injection, water, gate, record,
alarms. The guard is judged with the last scan's phase, which the readings saw; of what acts the gate comes last, and it
only removes.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

from daemon.control import lines as pipes
from daemon.control.account import book
from daemon.control.alarms import Alarms, alarms
from daemon.control.backwash import Wash, wash
from daemon.control.forcing import forced_wants, forced_water
from daemon.control.gate import gate
from daemon.control.guard import Guard, Verdict, guard
from daemon.control.image import SAFE, ChannelOutput, Image, Now, Outputs
from daemon.control.injection import Want, inject
from daemon.control.interlocks import Situation
from daemon.control.lease import NOTHING, Lease, bypassed, merged
from daemon.control.leases import follow_leases, waiting_for
from daemon.control.lines import Lines
from daemon.control.phases import Step, proceed, started
from daemon.control.record import Recorder
from daemon.control.requests import Request, admit, wants_reset, wants_technicians_reset
from daemon.control.run import Run
from daemon.control.sense import Facts, Sense, sense
from daemon.control.sense_channel import ChannelFacts
from daemon.control.states import ACTIVE, WATERING, Phase, ProcedureState, Unit
from daemon.control.water import Water, water
from daemon.control.weather import against, kept, unread
from daemon.evidence import Evidence
from daemon.messages import Answer
from daemon.recipe import Recipe
from daemon.site import Plant

_SHUT: Final = ChannelOutput()


@dataclass(frozen=True, slots=True)
class State:
    """All that `decide` remembers. No absolute time, no configuration, no text but a run's own."""

    unit: Unit = Unit()
    run: Run | None = None
    """The run under way, or the last one until the next begins."""
    queue: tuple[Recipe, ...] = ()
    """The shifts that come after it."""
    sense: Sense = Sense()
    guard: Guard = Guard()
    water: Water = Water()
    wash: Wash = Wash()
    lines: Lines = Lines()
    leases: tuple[Lease, ...] = ()
    """Outputs that are forced and interlocks that are bypassed."""
    alarms: Alarms = Alarms()
    """Only shown: nothing else reads them."""
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
    owed_l = pipes.whole_on_path(state.run.recipe, state.lines) if state.run is not None else 0.0
    situation = Situation(
        site,
        facts,
        state.unit,
        state.outputs,
        state.run,
        state.wash,
        _needed(state.run, facts),
        owed_l,
        max((item.left_l for item in state.lines.owed if item.segment == pipes.MAIN), default=0.0),
        state.lines.owed_s,
        state.water.off_s,
    )
    guards, verdict = guard(
        state.guard,
        situation,
        wants_reset(state.unit, requests),
        bypassed(state.leases),
        technician_reset=wants_technicians_reset(state.unit, requests),
    )
    asked, answers = admit(state.unit, state.run, facts, verdict, requests)
    record = Recorder()
    record.alarms(verdict)
    leases, rows = follow_leases(site, state.leases, asked, verdict, facts, state.emitted + record.count)
    record.add(rows)

    is_forced = merged(state.leases) is not NOTHING
    run, lines = book(site, state.unit, state.run, state.lines, state.outputs, facts, record, is_forced=is_forced)
    owed_l = pipes.owed_on_path(run.recipe, lines) if run is not None else 0.0
    queue = state.queue
    is_followed = any(not against(recipe, facts) for recipe in queue)
    step = proceed(site, state.unit, run, asked, verdict, facts, state.outputs, owed_l, is_followed)
    if step.left is not None:
        record.phase_ended(*step.left)
    if step.is_unclear and step.run is not None:
        record.unclear(step.run)
    for recipe, why in asked.dropped:
        record.dropped(plant, recipe, why)
    if step.unit.mode is not state.unit.mode:
        record.event("mode", {"mode": step.unit.mode.value})
    if step.began:
        queue = asked.start[1:]
    if step.ended and step.run is not None:
        record.ended(site, step.unit, step.run, lines)
        lines = pipes.filled(step.run, lines)
        step, queue = _follow_on(plant, step, queue, facts, record)
    if step.ended or facts.counter_resets:
        record.counts(senses, lines, step.run if step.unit.procedure in ACTIVE else None)
    if step.began and step.run is not None:
        record.unread(step.run.recipe, unread(step.run.recipe, facts))
        lines = pipes.lay(site, step.run.recipe, lines)
        record.began(plant, step.run)

    run, wants = inject(site, step.unit, step.run, verdict, facts, state.outputs)
    opening = _opening(step.unit, run, wants, state.outputs)
    if run is not None and opening:
        lines, rows = pipes.owe(run, lines, opening)
        record.intent(run, opening, rows)
        intents = {**run.intents, **dict.fromkeys(opening, state.emitted + record.count)}
        run = run._replace(intents=intents, has_injected=True, checkpoint_s=site.site.checkpoint_s)
    blocks = run.blocks if run is not None and _wants_water(step) else frozenset()
    is_cut = step.unit.procedure is ProcedureState.ABORTING
    forced = merged(leases)
    fed, opened = forced_water(site, step.unit, blocks, verdict, forced)
    pump_and_valves, water_want = water(site, state.water, fed, is_cut, facts, state.outputs, opened)
    by_force = forced_wants(step.unit, forced, state.outputs)
    if by_force:  # their flush is owed, and that on disk, before they open
        loaded_l, path = dict.fromkeys(by_force, math.inf), water_want.blocks | state.outputs.blocks
        lines, rows = pipes.owe_segments(site, lines, loaded_l, path)
        record.add(rows)
        leases = waiting_for(leases, state.emitted + record.count) if rows else leases
        forced, wants = merged(leases), wants | by_force
    washing, backwash = wash(site, state.wash, step.unit, run, facts, state.outputs)
    outputs = gate(site, step.unit, run, verdict, facts, state.outputs, water_want, wants, backwash, forced)

    if run is not None:
        run = _close_intent(run, state.outputs, outputs, wants)
        run = record.checkpoint(site, step.unit, run, senses)
    shown, rows = alarms(state.alarms, verdict, asked, facts.dt_s)
    record.add(rows)
    emitted = state.emitted + record.count
    return Decision(
        State(step.unit, run, queue, senses, guards, pump_and_valves, washing, lines, leases, shown, outputs, emitted),
        outputs,
        record.rows(),
        answers,
        facts,
        verdict,
    )


def _follow_on(
    plant: Plant, step: Step, queue: tuple[Recipe, ...], facts: Facts, record: Recorder
) -> tuple[Step, tuple[Recipe, ...]]:
    """Begin the next shift that the weather lets begin, when this one is complete or failed by a fault of its own.

    After any other end the rest of the night does not run.
    """
    if not queue or step.run is None:
        return step, queue
    has_failed_alone = step.unit.procedure is ProcedureState.STOPPED and not step.run.is_last
    if step.unit.procedure is ProcedureState.COMPLETE or has_failed_alone:
        dropped, queue = kept(queue, facts)
    else:
        why = f"the shift before it was stopped: {step.run.end}"
        dropped, queue = tuple([(recipe, why) for recipe in queue]), ()
    for recipe, why in dropped:
        record.dropped(plant, recipe, why)
    return (started(step.unit, queue[0]), queue[1:]) if queue else (step, ())


def _needed(run: Run | None, facts: Facts) -> tuple[tuple[str, ChannelFacts], ...]:
    if run is None:
        return ()
    return tuple([(name, facts.channels[name]) for name, channel in run.channels.items() if not channel.done])


def _wants_water(step: Step) -> bool:
    run = step.run
    return step.unit.procedure in WATERING and run is not None and not run.end and not run.is_dry


def _opening(unit: Unit, run: Run | None, wants: Mapping[str, Want], last: Outputs) -> frozenset[str]:
    """Return the channels that want to open without an intent: their valve, with their injector still off."""
    if run is None or unit.phase is not Phase.INJECT or run.given_up:
        return frozenset()
    barred = {name for name, channel in last.channels.items() if channel.run} | run.intents.keys()
    return frozenset([name for name, want in wants.items() if want.valve and not want.run and name not in barred])


def _close_intent(run: Run, last: Outputs, outputs: Outputs, wants: Mapping[str, Want]) -> Run:
    """Use intents up: an injector that goes off before it is done needs a new one before it comes on again.

    One that is paced by its on-time rests under the same intent, for as long as its valve stays open.
    """
    if not run.intents:
        return run
    used = set()
    for name, before in last.channels.items():
        after = outputs.channels.get(name, _SHUT)
        is_resting = after.valve and name in wants and wants[name].is_resting
        went_off = before.run and not after.run and not is_resting
        if name in run.intents and (went_off or (before.valve and not after.valve)) and not run.channels[name].done:
            used.add(name)
    return run._replace(intents={name: row for name, row in run.intents.items() if name not in used}) if used else run

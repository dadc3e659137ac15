"""`decide`: one scan of the controller as one pure function, composed of small reducers.

Order: sense, guard, admit, account for what moved, procedure and phases, injection, water, gate, record. The guard is
judged with the last scan's phase, which the readings saw; the gate comes last and only removes.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

from daemon.control import lines as account
from daemon.control.backwash import Wash, wash
from daemon.control.flush import follow
from daemon.control.gate import gate
from daemon.control.guard import Guard, Verdict, guard
from daemon.control.image import SAFE, ChannelOutput, Image, Now, Outputs
from daemon.control.injection import Want, inject, stock_of
from daemon.control.interlocks import Situation
from daemon.control.lines import Lines
from daemon.control.phases import Step, flow_fit, proceed, settled, started
from daemon.control.record import Recorder
from daemon.control.requests import Request, admit, wants_reset
from daemon.control.run import ChannelRun, Run
from daemon.control.sense import ChannelFacts, Facts, Sense, sense
from daemon.control.states import ACTIVE, WATERING, Phase, ProcedureState, Unit
from daemon.control.water import Water, water
from daemon.control.weather import against, kept, unread
from daemon.evidence import Evidence
from daemon.messages import Answer
from daemon.recipe import Recipe
from daemon.site import Plant, Site

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
    owed_l = account.whole_on_path(state.run.recipe, state.lines) if state.run is not None else 0.0
    needed = _needed(state.run, facts)
    situation = Situation(site, facts, state.unit, state.outputs, state.run, state.wash, needed, owed_l)
    guards, verdict = guard(state.guard, situation, wants_reset(state.unit, requests))
    asked, answers = admit(state.unit, state.run, facts, verdict, requests)
    record = Recorder()
    record.alarms(verdict)

    run, lines = _tick(plant, state, facts, record)
    owed_l = account.owed_on_path(run.recipe, lines) if run is not None else 0.0
    queue = state.queue
    is_followed = any(not against(recipe, facts) for recipe in queue)
    step = proceed(site, state.unit, run, asked, verdict, facts, state.outputs, owed_l, is_followed)
    if step.left is not None:
        record.phase_ended(*step.left)
    if step.is_unclear and step.run is not None:
        record.unclear(step.run)
    for recipe, why in asked.dropped:
        record.dropped(plant, recipe, why)
    if step.began:
        queue = asked.start[1:]
    if step.ended and step.run is not None:
        record.ended(site, step.unit, step.run, lines)
        lines = account.filled(step.run, lines)
        step, queue = _follow_on(plant, step, queue, facts, record)
    if step.began and step.run is not None:
        record.unread(step.run.recipe, unread(step.run.recipe, facts))
        lines = account.lay(site, step.run.recipe, lines)
        record.began(plant, step.run)

    run, wants = inject(site, step.unit, step.run, verdict, facts, state.outputs)
    opening = _opening(step.unit, run, wants, state.outputs)
    if run is not None and opening:
        lines, rows = account.owe(run, lines, opening)
        record.intent(run, opening, rows)
        intents = {**run.intents, **dict.fromkeys(opening, state.emitted + record.count)}
        run = run._replace(intents=intents, has_injected=True, checkpoint_s=site.site.checkpoint_s)
    blocks = run.blocks if run is not None and _wants_water(step) else frozenset()
    is_cut = step.unit.procedure is ProcedureState.ABORTING
    pump_and_valves, water_want = water(site, state.water, blocks, is_cut, facts, state.outputs)
    washing, backwash = wash(site, state.wash, step.unit, run, facts, state.outputs)
    outputs = gate(site, step.unit, run, verdict, facts, state.outputs, water_want, wants, backwash)

    if run is not None:
        run = _close_intent(run, state.outputs, outputs, wants)
        run = record.checkpoint(site, step.unit, run, image)
    emitted = state.emitted + record.count
    return Decision(
        State(step.unit, run, queue, senses, guards, pump_and_valves, washing, lines, outputs, emitted),
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


def _tick(plant: Plant, state: State, facts: Facts, record: Recorder) -> tuple[Run | None, Lines]:
    """Account for what moved since the last scan, under the state that it moved in."""
    run, unit, lines = state.run, state.unit, state.lines
    for name in facts.counter_resets:
        record.event("counter-reset", {"counter": name})
    if run is None or unit.procedure not in ACTIVE:
        lines, rows = account.outside_run(lines, facts)
        record.add(rows)
        return run, lines
    is_filling = unit.phase is Phase.FILL
    moved_l = {name: channel.moved_l for name, channel in facts.channels.items()}
    for name, channel in run.channels.items():
        if moved_l[name]:
            moved_l[name] = stock_of(plant.site, name, channel.injected_l, moved_l[name])
    stock_l = sum(moved_l[name] for name in run.channels)
    lines, rows = _astray(plant.site, run, facts, lines, moved_l)
    record.add(rows)
    loading = _loading(state, run, moved_l) | run.loaded
    if not is_filling:
        fit = flow_fit(plant.site, run, facts)
        lines = account.flow_on(lines, facts, moved_l, fit)
        lines, rows = account.pay(run, lines, facts, loading, fit)
        record.add(rows)
    settled_s, settled_kpa = run.settled_s, run.settled_kpa
    if is_filling or unit.procedure is ProcedureState.RESTARTING:
        settled_s, settled_kpa = settled(plant.site, run, facts, state.outputs)
    moved_water_l = facts.water_moved_l
    fill_l = moved_water_l if is_filling else 0.0
    water_l = moved_water_l if facts.displaces and not is_filling else 0.0
    is_on_its_way = not is_filling or (state.outputs.pump and state.outputs.blocks == run.blocks)
    is_timed = unit.procedure is ProcedureState.RUNNING and is_on_its_way
    return (
        run._replace(
            channels=_metered(run, moved_l, water_l, loading) if stock_l or run.has_injected else run.channels,
            run_s=run.run_s + facts.dt_s,
            phase_s=run.phase_s + facts.dt_s if is_timed else run.phase_s,
            phase_water_l=run.phase_water_l + (fill_l or water_l),
            phase_stock_l=run.phase_stock_l + stock_l,
            settled_s=settled_s,
            settled_kpa=settled_kpa,
            water_l=run.water_l + water_l,
            fill_l=run.fill_l + fill_l,
            backwash_l=run.backwash_l + moved_water_l - fill_l - water_l,
            since_injected_l=0.0 if loading else run.since_injected_l + water_l,
            loaded=frozenset() if facts.water_good else loading,
            held_s=run.held_s + facts.dt_s if unit.procedure in _HELD else run.held_s,
            checkpoint_s=run.checkpoint_s + facts.dt_s,
            rise=follow(run.rise, unit.phase, facts) if run.recipe.flush_ec_ms_cm > 0.0 else run.rise,
        ),
        lines,
    )


def _astray(
    site: Site, run: Run, facts: Facts, lines: Lines, moved_l: Mapping[str, float]
) -> tuple[Lines, tuple[Evidence, ...]]:
    """Account for stock that nobody let in: the flush of what siphons, and what comes by a channel not of this run."""
    siphoning = frozenset(
        name for name in run.channels if moved_l[name] and facts.channels[name].idle_l_h > site.limits.siphon_l_h
    )
    rows: tuple[Evidence, ...] = ()
    if siphoning:
        lines, rows = account.owe(run, lines, siphoning)
    foreign_l = {name: litres for name, litres in moved_l.items() if litres and name not in run.channels}
    if foreign_l:
        lines, booked = account.unscheduled(lines, foreign_l, "moved while another channel's run was under way")
        rows += booked
    return lines, rows


def _loading(state: State, run: Run, moved_l: Mapping[str, float]) -> frozenset[str]:
    """Return the channels whose stock enters the main, or is about to: from the intent on."""
    loading = {name for name, litres in moved_l.items() if litres > 0.0}
    loading |= {name for name, channel in state.outputs.channels.items() if channel.run}
    loading |= {name for name in run.intents if not run.channels[name].done}
    return frozenset(loading)


_HELD = (ProcedureState.HELD, ProcedureState.RESTARTING)


def _metered(run: Run, stock_l: Mapping[str, float], water_l: float, loading: frozenset[str]) -> dict[str, ChannelRun]:
    """Return the channels with what their meters counted; all of it counts, whatever the injectors were told."""
    return {
        name: channel._replace(
            injected_l=channel.injected_l + stock_l[name],
            since_l=0.0 if name in loading else channel.since_l + water_l,
        )
        for name, channel in run.channels.items()
    }


def _wants_water(step: Step) -> bool:
    return step.unit.procedure in WATERING and step.run is not None and not step.run.end


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

"""The invariants of the design as predicates over raw images, outputs and rows, written apart from `decide`.

A `Watch` hangs on a rig and looks at every scan. It keeps its own memory (ghosts, a reset automaton, row numbers) and
counts how often each rule's antecedent was met: a rule that was never tried proves nothing.
"""

import math
from collections import Counter

from daemon.control.decide import Decision, decide
from daemon.control.image import ChannelOutput, Image, Now
from daemon.control.interlocks import MATRIX, Reset
from daemon.control.lease import FORCE
from daemon.control.requests import Request
from daemon.control.states import ACTIVE, WATERING, Effect, Phase, ProcedureState
from daemon.equipment import DisplacementTank, DutyPump
from daemon.evidence import InjectionIntent, RunEnded, RunStarted
from daemon.messages import Verb
from daemon.site import Site
from drivers.reading import Quality
from tests.daemon.control.ghosts import Pipes
from tests.daemon.control.images import (
    FLOW_SCANS,
    Seen,
    exchanged,
    injectors,
    is_kept_out,
    is_on,
    may_inject,
    named,
    on,
    usable,
)
from tests.daemon.control.plant import Rig, changed

__all__ = ["Watch", "injectors"]

_AT_MACHINE = frozenset(row.code for row in MATRIX if row.reset is Reset.AT_MACHINE)
_PERMIT_NOTHING = frozenset({"background_ec_ms_cm", "line_ec_ms_cm", "filter_difference_kpa", "reset_button"})
"""Readings that no injector waits for."""
_OF_SHIFT = frozenset({"shift-too-long", "valve-shut"})
"""What ends a shift and says nothing against the next one."""
_ENDS = frozenset(row.code for row in MATRIX if row.effect >= Effect.ONE)
_SHUT = ChannelOutput()
_HAIR = 1e-9


class Watch:
    """Looks at every scan of a rig."""

    def __init__(self, counts: Counter[str] | None = None, every: int = 5) -> None:
        """Count into `counts`. The scan is decided a second time, to compare, once in `every` scans."""
        self.counts: Counter[str] = counts if counts is not None else Counter()
        self._every = every
        self._seen = Seen()
        self._pipes = Pipes(self.counts)
        self._rows = 0
        self._intents: dict[tuple[str, str], int] = {}
        """Number of the row that announced a run's channel, until it is used up."""
        self._is_last = False
        """Something that bars the shifts after this run was seen in it, or somebody stopped everything."""
        self._pressed_s = math.nan
        self._on_s: dict[str, float] = {}
        """How long each output that is on has been commanded on."""
        self._starts_s: list[float] = []
        self._off_at_s = math.nan
        self._through_l: dict[str, tuple[str, float, float]] = {}
        """A channel's run, what its injector has let through in it, and what all had left the tank by the last scan."""

    def __call__(self, rig: Rig, image: Image, decision: Decision, requests: tuple[Request, ...], now: Now) -> None:
        """Judge one scan; `rig` still holds what the last one left."""
        self._seen.look(rig.plant, image, rig.held, now)
        self.counts["scans"] += 1
        self.counts[f"state {decision.state.unit.procedure.value}"] += 1
        self.counts["filter washing"] += self._seen.is_washing
        self.counts["filter washing in INJECT"] += self._seen.is_washing and decision.state.unit.phase is Phase.INJECT
        held_on = on(rig.held)
        self._on_s = {name: self._on_s.get(name, 0.0) + now.dt_s for name in held_on}
        self.records(rig, decision)
        self.injection(rig, image, decision)
        self.order(rig, image, decision, now)
        self.water(rig, image, decision, now)
        self.washing(rig, decision)
        self._pipes.look(rig, self._seen, decision)
        self.alone(rig, image, decision, requests, now)
        self.begins(rig, image, decision, requests, now)
        self.queue(rig, image, decision, now)
        self.latches(rig, image, decision, now)
        self.worse(rig, image, decision, requests, now)
        self.stop(decision, requests)
        self.dose(rig, decision, now)
        if self.counts["scans"] % self._every == 0:
            self.timeless(rig, image, decision, requests, now)

    def records(self, rig: Rig, decision: Decision) -> None:
        """Rows are counted without a gap, and each intent's number is remembered."""
        for row in decision.entries:
            self._rows += 1
            if isinstance(row, InjectionIntent):
                self._intents[row.run, row.channel] = self._rows
        assert decision.state.emitted - rig.state.emitted == len(decision.entries)

    def injection(self, rig: Rig, image: Image, decision: Decision) -> None:
        """Invariant 1, and the intent on disk before the injector opens."""
        run = decision.state.run
        off = _held_off(decision)
        self.counts["forced off while injecting"] += bool(off and injectors(rig.held))
        for channel in injectors(decision.outputs):
            assert run is not None
            path = {"pump", f"injector.{channel}", *(f"valve.{block}" for block in run.blocks)}
            assert off.isdisjoint(path), f"injector {channel} is on while {off & path} is held off"
            assert decision.state.unit.procedure is ProcedureState.RUNNING
            assert decision.state.unit.phase is Phase.INJECT
            against = may_inject(rig.plant, run.recipe, self._seen, rig.held, channel)
            assert not against, f"injector {channel} is on without: {against}"
            self.counts["injector on"] += 1
            intent = self._intents.get((run.recipe.run, channel), 0)
            assert 0 < intent <= image.ledger.durable, "the injector is on and its intent is not on disk"
        for channel, before in rig.held.channels.items():
            after = decision.outputs.channels.get(channel, _SHUT)
            is_paced = isinstance(rig.plant.site.injector[channel], DutyPump)
            is_resting = is_paced and after.valve and not after.run  # it waits for its next on-time
            self.counts["injector rests"] += before.run and is_resting
            is_shut = (before.run and not after.run and not is_resting) or (before.valve and not after.valve)
            if run is not None and is_shut and not (channel in run.channels and run.channels[channel].done):
                self._intents.pop((run.recipe.run, channel), None)  # used up: coming on again needs a new one

    def order(self, rig: Rig, image: Image, decision: Decision, now: Now) -> None:
        """Outputs come and go in their order; a category ZERO takes all energy at once, and only that may break it."""
        before, after = rig.held, decision.outputs
        rising, falling = on(after) - on(before), on(before) - on(after)
        is_zero = decision.verdict.effect in (Effect.RELEASE, Effect.ZERO)
        is_local = image.emergency_stop_healthy.value == 0.0 or image.selector_auto.value == 0.0
        for name in falling:
            kind, _, which = name.partition(".")
            is_released = is_local or decision.verdict.effect is Effect.RELEASE
            if kind == "valve" and not is_released and (before.pump or after.pump):
                self.hand_over(rig, decision, which)
            if kind == "injection_valve" and not is_zero:
                assert f"injector.{which}" not in on(before), "the valve closes on a running injector"
            if kind == "pump" and not is_zero:
                assert not any(n.startswith("inject") for n in on(before)), "the pump goes before the injection is shut"
        for channel in injectors(after):
            self.counts["injector opened"] += f"injector.{channel}" in rising
            assert f"injection_valve.{channel}" in on(before), "the injector opens before its valve"
            assert after.channels[channel].valve and before.pump and after.pump

    def hand_over(self, rig: Rig, decision: Decision, closing: str) -> None:
        """A valve closes on a running pump at a change of shift alone, behind valves that have long been open."""
        run, site = decision.state.run, rig.plant.site
        assert run is not None and not run.end and decision.state.unit.procedure in WATERING
        own = {block.block for block in run.recipe.blocks}
        assert closing not in own, "a valve closes on a running pump"
        assert rig.held.pump and decision.outputs.pump and own <= decision.outputs.blocks
        for block in own:
            open_s = self._on_s.get(f"valve.{block}", 0.0)
            assert open_s >= site.block[block].travel_s + site.limits.overlap_s - _HAIR, f"{block} is not open yet"
        self.counts["handed over"] += 1

    def water(self, rig: Rig, image: Image, decision: Decision, now: Now) -> None:
        """The pump runs behind open valves, is rested between starts, over all shifts, and stops for a reason."""
        before, after, site = rig.held, decision.outputs, rig.plant.site
        if math.isnan(self._off_at_s):
            self._off_at_s = now.at_s - now.dt_s  # the start counts as a stop
        if after.pump:
            self.counts["pump on"] += 1
            assert after.blocks, "the pump runs against closed valves"
        run = decision.state.run
        if run is not None and not (run.end or run.is_dry) and decision.state.unit.phase not in (None, Phase.FILL):
            own = {block.block for block in run.recipe.blocks}
            is_held_off = after.blocks < own and bool(_held_off(decision))
            assert after.blocks == own or is_held_off, "a phase goes by its litres while they also run elsewhere"
        if after.pump and not before.pump:
            self.counts["pump started"] += 1
            assert before.blocks, "the pump starts against closed valves"
            assert before.blocks <= after.blocks
            for block in before.blocks:
                assert self._on_s[f"valve.{block}"] >= site.block[block].travel_s - _HAIR
            self._starts_s = [at for at in self._starts_s if now.at_s - at < 3600.0] + [now.at_s]
            if site.pump is not None:
                assert now.at_s - self._off_at_s >= site.pump.min_off_s - _HAIR
                assert len(self._starts_s) <= site.pump.max_starts_per_hour
                self.counts["last start of the hour"] += len(self._starts_s) == site.pump.max_starts_per_hour
        if before.pump and not after.pump:
            self._off_at_s = now.at_s
            is_local = image.emergency_stop_healthy.value == 0.0 or image.selector_auto.value == 0.0
            is_over = run is None or bool(run.end) or run.is_dry
            assert is_local or is_over or _held_off(decision), "the pump stops in the middle of a run"

    def washing(self, rig: Rig, decision: Decision) -> None:
        """Our backwash begins with proven flow and all injection shut behind it, lasts its time and no longer."""
        before, after, washer = rig.held, decision.outputs, rig.plant.site.filter
        if not after.backwash:
            return
        self.counts["our backwash"] += 1
        assert washer is not None and after.pump and before.pump and not injectors(after)
        assert self._on_s.get("backwash", 0.0) < washer.backwash_s
        if not before.backwash or rig.plant.site.main.comes_before("meter", "filter"):
            assert self._seen.has_flow, "a backwash without a proven flow"
        if not before.backwash:
            self.counts["our backwash began"] += 1
            assert not any(name.startswith("inject") for name in on(before)), "a backwash before the injection is shut"

    def alone(self, rig: Rig, image: Image, decision: Decision, requests: tuple[Request, ...], now: Now) -> None:
        """A shift fails alone only where the shed is seen to be well; a stop or any other end bars what follows."""
        site, run = rig.plant.site, rig.state.run
        if rig.state.unit.procedure not in ACTIVE or run is None:
            self._is_last = False
            return
        ending = _ENDS.intersection(decision.verdict.causes)
        is_stopped = any(request.verb is Verb.STOP_EVERYTHING for request in requests)
        self._is_last = self._is_last or is_stopped or bool(ending - _OF_SHIFT)
        if not _OF_SHIFT.intersection(decision.verdict.raised):
            return
        self.counts["failed alone"] += 1
        main, flow = site.main, image.flow_m3_h
        assert rig.held.pump and self._seen.is_quiet
        assert usable(image.pressure_kpa, now, main.pressure.stale_s)
        assert main.min_pressure_kpa <= image.pressure_kpa.value <= main.max_pressure_kpa
        assert usable(image.water_l, now, main.water.stale_s)
        if main.flow is not None and flow is not None:
            assert usable(flow, now, main.flow.stale_s)
            assert flow.value <= run.recipe.flow_m3_h * (1.0 + main.flow_band_pct / 100.0)

    def begins(self, rig: Rig, image: Image, decision: Decision, requests: tuple[Request, ...], now: Now) -> None:
        """A start from rest begins with the first shift that the weather lets begin; the others before it are told."""
        answered = {answer.id: answer.accepted for answer in decision.answers}
        starts = [request for request in requests if request.verb is Verb.START and answered[request.id]]
        if rig.state.unit.procedure in ACTIVE or not starts:
            return
        recipes = starts[0].recipes
        out = [recipe.run for recipe in recipes if is_kept_out(recipe, image, now)]
        may = [recipe for recipe in recipes if recipe.run not in out]
        assert decision.state.run is not None and decision.state.run.recipe is may[0]
        told = [row.run for row in decision.entries if isinstance(row, RunEnded)]
        assert recipes[: recipes.index(may[0])] == tuple(r for r in recipes if r.run in told)
        self.counts["begun past the weather"] += bool(told)

    def queue(self, rig: Rig, image: Image, decision: Decision, now: Now) -> None:
        """A shift of the queue begins as the one before it is COMPLETE or failed alone; else none of them runs.

        What the weather keeps out does not run either, and the next one is tried.
        """
        before, after = rig.state, decision.state
        if before.unit.procedure not in ACTIVE or before.run is None or after.run is None:
            return
        ended = [row for row in decision.entries if isinstance(row, RunEnded)]
        began = [row.run for row in decision.entries if isinstance(row, RunStarted)]
        if not ended:
            assert not began and after.queue == before.queue and after.run.recipe is before.run.recipe
            return
        assert ended[0].run == before.run.recipe.run
        out = [is_kept_out(recipe, image, now) for recipe in before.queue]
        is_complete = ended[0].state == ProcedureState.COMPLETE.value
        has_failed_alone = ended[0].state == ProcedureState.STOPPED.value and not self._is_last
        self.counts["queued shift kept out"] += any(out) and (is_complete or has_failed_alone)
        if not before.queue:
            assert not began and after.unit.procedure not in ACTIVE
        elif (is_complete or has_failed_alone) and not all(out):
            self.counts["shift followed"] += 1
            self.counts["shift followed a failed one"] += has_failed_alone
            assert has_failed_alone or (before.unit.procedure in WATERING and before.unit.phase is Phase.FLUSH)
            assert after.unit == changed(before.unit, procedure=ProcedureState.RUNNING, phase=Phase.FILL)
            first = out.index(False)
            assert after.run.recipe is before.queue[first] and after.queue == before.queue[first + 1 :]
            assert began == [recipe.run for recipe in before.queue[: first + 1]] and len(ended) == first + 1
            assert [row.run for row in ended[1:]] == began[:-1]
            order = [type(row) for row in decision.entries if isinstance(row, RunEnded | RunStarted)]
            assert order == [RunEnded, *[RunStarted, RunEnded] * first, RunStarted], "in the order of events"
        else:
            self.counts["queue dropped"] += 1
            assert after.unit.procedure not in ACTIVE and after.queue == ()
            assert began == [recipe.run for recipe in before.queue] == [row.run for row in ended[1:]]
            assert all(row.outcome == "NOT_RUN" for row in ended[1:])

    def latches(self, rig: Rig, image: Image, decision: Decision, now: Now) -> None:
        """Invariant 3: a latch at the machine goes by its button alone with the cause gone; until then nothing runs."""
        accepted = False
        if not usable(image.reset_button, now):
            self._pressed_s = math.nan
        elif image.reset_button.value == 1.0:
            self._pressed_s += now.dt_s
        else:
            accepted, self._pressed_s = 1.5 <= self._pressed_s <= 10.5, 0.0
        for code in _AT_MACHINE & rig.state.guard.active:
            self.counts[f"latched {code}"] += 1
            if code in decision.state.guard.active:
                continue
            self.counts[f"reset {code}"] += 1
            assert accepted, f"{code} was cleared without the button at the machine"
            if code == "emergency-stop":
                assert is_on(image.emergency_stop_healthy, now), "reset with an emergency stop that is not healthy"
        if "emergency-stop" in decision.state.guard.active:
            assert not on(decision.outputs) & {"pump"} and not injectors(decision.outputs)
            assert decision.state.unit.procedure not in ACTIVE - {ProcedureState.ABORTING}

    def worse(self, rig: Rig, image: Image, decision: Decision, requests: tuple[Request, ...], now: Now) -> None:
        """Invariant 4: a reading gone BAD turns nothing on, and nothing comes on with its permits unknown."""
        rising = on(decision.outputs) - on(rig.held)
        if rising:
            permits = [image.emergency_stop_healthy, image.selector_auto, *image.outputs.values()]
            assert all(usable(reading, now) for reading in permits), f"{rising} came on blindly"
        if len(self._seen.images) < FLOW_SCANS:
            return
        seen, before = named(image), named(self._seen.images[-2][0])
        gone = [
            name
            for name, reading in seen.items()
            if reading.quality is Quality.BAD
            and before[name].quality is Quality.GOOD
            and not name.startswith("weather.")  # which only advises: what it does not say inhibits nothing
        ]
        if not gone:
            return
        self.counts["reading gone BAD"] += 1
        for channel in injectors(decision.outputs) - injectors(rig.held):
            others = {f"{kind}.{name}" for kind in ("stock", "content") for name in image.channels if name != channel}
            assert set(gone) <= others | _PERMIT_NOTHING
        better = exchanged(image, {name: changed(before[name], at_s=now.at_s) for name in gone})
        would = decide(rig.plant, rig.state, better, requests, now).outputs
        assert rising <= on(would) - on(rig.held), f"{gone} went BAD and that turned on {rising - on(would)}"

    def stop(self, decision: Decision, requests: tuple[Request, ...]) -> None:
        """Invariant 11, and every command has one answer with a reason."""
        assert sorted(answer.id for answer in decision.answers) == sorted(request.id for request in requests)
        assert all(answer.reason for answer in decision.answers)
        for request in requests:
            if request.verb is not Verb.STOP_EVERYTHING:
                continue
            self.counts["stop everything"] += 1
            assert decision.answers[0].accepted
            assert not injectors(decision.outputs)
            going = ACTIVE - {ProcedureState.STOPPING, ProcedureState.ABORTING}
            assert decision.state.unit.procedure not in going

    def dose(self, rig: Rig, decision: Decision, now: Now) -> None:
        """Invariant 8: what left the tank under a run's command, and not by siphoning, passes neither plan nor cap."""
        run = decision.state.run
        if run is None or decision.state.unit.procedure not in ACTIVE:
            return
        for plan in run.recipe.channels:
            now_l = rig.stock_l[plan.channel]
            name, through_l, last_l = self._through_l.get(plan.channel, ("", 0.0, now_l))
            moved_l = now_l - last_l - rig.siphon_l_h / 3600.0 * now.dt_s
            through_l = through_l + moved_l if name == run.recipe.run else 0.0
            self._through_l[plan.channel] = run.recipe.run, through_l, now_l
            given_l = _stock_l(rig.plant.site, plan.channel, through_l)
            self.counts["dose checked"] += given_l > 0.9 * plan.stock_l
            assert given_l <= rig.plant.site.limits.over_dose_pct / 100.0 * plan.stock_l
            if plan.most_l is not None:
                self.counts["dose checked for a hard cap"] += given_l > 0.9 * plan.most_l
                assert given_l <= plan.most_l

    def timeless(self, rig: Rig, image: Image, decision: Decision, requests: tuple[Request, ...], now: Now) -> None:
        """Invariant 10: the same scan at another hour decides the same, to the last row."""
        self.counts["decided twice"] += 1
        shift_s = 86_400.0 * 365.0
        seen = named(image)
        moved = exchanged(image, {name: changed(seen[name], at_s=seen[name].at_s + shift_s) for name in seen})
        again = decide(rig.plant, rig.state, moved, requests, changed(now, at_s=now.at_s + shift_s))
        assert again.outputs == decision.outputs
        assert again.entries == decision.entries
        assert repr(again.state) == repr(decision.state)


def _stock_l(site: Site, channel: str, through_l: float) -> float:
    """Return the stock in what came from a tank: all of it, but for the water that washes a displacement tank out."""
    injector = site.injector[channel]
    if not isinstance(injector, DisplacementTank):
        return through_l
    volume_l = site.tank[injector.tank].volume_l
    return volume_l * (1.0 - math.exp(-through_l / volume_l))


def _held_off(decision: Decision) -> set[str]:
    """Return the outputs that somebody holds off by a lease."""
    return {lease.target for lease in decision.state.leases if lease.kind == FORCE and not lease.is_on}

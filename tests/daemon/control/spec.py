"""The invariants of the design as predicates over raw images, outputs and rows, written apart from `decide`.

A `Watch` hangs on a rig and looks at every scan. It keeps its own memory (a ghost bit, a reset automaton, row numbers)
and counts how often each rule's antecedent was met: a rule that was never tried proves nothing.
"""

import math
from collections import Counter, deque
from typing import Any

from daemon.control.decide import Decision, decide
from daemon.control.image import Image, Now, Outputs
from daemon.control.interlocks import MATRIX, Reset
from daemon.control.requests import Request
from daemon.control.states import ACTIVE, Effect, Phase, ProcedureState
from daemon.evidence import InjectionIntent
from daemon.messages import Verb
from daemon.recipe import Recipe
from daemon.site import Plant
from drivers.reading import Quality, Reading
from tests.daemon.control.plant import Rig, changed

FLOW_SCANS = 2
SWITCH_STALE_S = 5.0
_AT_MACHINE = frozenset(row.code for row in MATRIX if row.reset is Reset.AT_MACHINE)


def on(outputs: Outputs) -> frozenset[str]:
    """Return the names of all outputs that are on."""
    names = {f"valve.{block}" for block in outputs.blocks} | ({"pump"} if outputs.pump else set())
    for name, channel in outputs.channels.items():
        names |= {f"injection_valve.{name}"} if channel.valve else set()
        names |= {f"injector.{name}"} if channel.run else set()
    return frozenset(names)


def injectors(outputs: Outputs) -> frozenset[str]:
    """Return the channels whose injector is energised."""
    return frozenset(name for name, channel in outputs.channels.items() if channel.run or channel.drive > 0.0)


def usable(reading: Reading, now: Now, stale_s: float = SWITCH_STALE_S) -> bool:
    """Return whether a reading may prove anything: GOOD, a number, and not stale."""
    return (
        reading.quality is Quality.GOOD and not math.isnan(reading.value) and now.at_s - reading.at_s <= stale_s + 1e-9
    )


def is_on(reading: Reading, now: Now) -> bool:
    """Return whether a switch is proven on."""
    return usable(reading, now) and reading.value == 1.0


def named(image: Image) -> dict[str, Reading]:
    """Return an image's readings by name."""
    found = {name: getattr(image, name) for name in Image.__annotations__ if isinstance(getattr(image, name), Reading)}
    for name, channel in image.channels.items():
        found |= {f"stock.{name}": channel.stock_l, f"content.{name}": channel.content_l}
    return found | {f"output.{role}": reading for role, reading in image.outputs.items()}


def may_inject(plant: Plant, recipe: Recipe, images: deque[tuple[Image, Now]], held: Outputs, channel: str) -> str:
    """Return what invariant 1 finds against an open injector in this scan, or nothing.

    `images` are the last ones, the newest last; `held` is what the output module holds while they were read.
    """
    site = plant.site
    (image, now) = images[-1]
    flows = [
        usable(seen.flow_m3_h, then, site.main.flow.stale_s) and seen.flow_m3_h.value >= site.main.min_flow_m3_h
        for seen, then in images
    ]
    blocks = frozenset(block.block for block in recipe.blocks)
    open_valves = {name for name in site.block if is_on(image.outputs[f"valve.{name}"], now)}
    wanted = on(held)
    tank = site.tank[site.injector[channel].tank]
    seen = image.channels[channel]
    rules = {
        "main flow proven": len(flows) >= FLOW_SCANS and all(flows[-FLOW_SCANS:]),
        "selector in Auto": is_on(image.selector_auto, now),
        "emergency stop healthy": is_on(image.emergency_stop_healthy, now),
        "pressure above minimum": usable(image.pressure_kpa, now, site.main.pressure.stale_s)
        and image.pressure_kpa.value >= site.main.min_pressure_kpa,
        "the shift's valves open and no other": open_valves == blocks == held.blocks,
        "output module as written": all(
            usable(reading, now) and (reading.value == 1.0) == (role in wanted)
            for role, reading in image.outputs.items()
        ),
        "last commit young": image.ledger.writable and image.ledger.pending_s <= site.limits.commit_age_s,
        "pump running": held.pump and is_on(image.pump_running, now),
        "watchdog armed": usable(image.output_watchdog_s, now)
        and 0.0 < image.output_watchdog_s.value <= site.safety.max_watchdog_s,
        "totaliser read": usable(image.water_l, now, site.main.water.stale_s),
        "injector meter read": usable(seen.stock_l, now, site.injector[channel].meter.stale_s),
        "tank above low level": usable(seen.content_l, now, tank.content.stale_s)
        and seen.content_l.value >= tank.low_l,
    }
    return ", ".join(rule for rule, holds in rules.items() if not holds)


class Watch:
    """Looks at every scan of a rig."""

    def __init__(self, counts: Counter[str] | None = None, every: int = 5) -> None:
        """Count into `counts`. The scan is decided a second time, to compare, once in `every` scans."""
        self.counts: Counter[str] = counts if counts is not None else Counter()
        self._every = every
        self._images: deque[tuple[Image, Now]] = deque(maxlen=FLOW_SCANS)
        self._rows = 0
        self._intents: dict[str, int] = {}
        self._ghost_l: dict[str, float] = {}
        """Water since the last injected litre, by run, while the specified flush is not met."""
        self._last_water_l = 0.0
        self._pressed_s = math.nan
        self._open_s: dict[str, float] = {}
        self._starts_s: list[float] = []
        self._off_at_s = math.nan
        self._given_l: dict[str, tuple[str, float]] = {}
        self._begun: set[str] = set()

    def __call__(self, rig: Rig, image: Image, decision: Decision, requests: tuple[Request, ...], now: Now) -> None:
        """Judge one scan; `rig` still holds what the last one left."""
        self._images.append((image, now))
        self.counts["scans"] += 1
        run = decision.state.run
        self.counts[f"state {decision.state.unit.procedure.value}"] += 1
        self.records(rig, decision)
        self.injection(rig, image, decision, now)
        self.order(rig, image, decision, now)
        self.owed(rig, decision)
        self.latches(rig, image, decision, now)
        self.worse(rig, image, decision, requests, now)
        self.stop(decision, requests)
        self.dose(rig, decision)
        if self.counts["scans"] % self._every == 0:
            self.timeless(rig, image, decision, requests, now)
        if run is not None and decision.outputs.pump:
            self.counts["pump on"] += 1

    def records(self, rig: Rig, decision: Decision) -> None:
        """Rows are counted without a gap, and each intent's number is remembered."""
        for row in decision.entries:
            self._rows += 1
            if isinstance(row, InjectionIntent):
                self._intents[row.channel] = self._rows
        assert decision.state.emitted - rig.state.emitted == len(decision.entries)

    def injection(self, rig: Rig, image: Image, decision: Decision, now: Now) -> None:
        """Invariant 1, and the intent on disk before the injector opens."""
        run = decision.state.run
        for channel in injectors(decision.outputs):
            assert run is not None
            assert decision.state.unit.procedure is ProcedureState.RUNNING
            assert decision.state.unit.phase is Phase.INJECT
            against = may_inject(rig.plant, run.recipe, self._images, rig.held, channel)
            assert not against, f"injector {channel} is on without: {against}"
            self.counts["injector on"] += 1
            intent = self._intents.get(channel, 0)
            assert 0 < intent <= image.ledger.durable, "the injector is on and its intent is not on disk"
        for channel in injectors(rig.held) - injectors(decision.outputs):
            if not (run is not None and run.channels[channel].done):
                self._intents.pop(channel, None)  # used up: coming on again needs a new one

    def order(self, rig: Rig, image: Image, decision: Decision, now: Now) -> None:
        """Outputs come and go in their order; a category ZERO takes all energy at once, and only that may break it."""
        before, after = rig.held, decision.outputs
        rising, falling = on(after) - on(before), on(before) - on(after)
        is_zero = decision.verdict.effect is Effect.ZERO
        for block in rig.plant.site.block:
            was_open = block in before.blocks
            self._open_s[block] = self._open_s.get(block, 0.0) + now.dt_s if was_open else 0.0
        if math.isnan(self._off_at_s):
            self._off_at_s = now.at_s - now.dt_s  # the start counts as a stop
        if "pump" in rising:
            self.counts["pump started"] += 1
            assert before.blocks, "the pump starts against closed valves"
            assert before.blocks <= after.blocks
            for block in before.blocks:
                assert self._open_s[block] >= rig.plant.site.block[block].travel_s - 1e-9
            assert now.at_s - self._off_at_s >= rig.plant.site.pump.min_off_s - 1e-9
            self._starts_s = [at for at in self._starts_s if now.at_s - at < 3600.0] + [now.at_s]
            assert len(self._starts_s) <= rig.plant.site.pump.max_starts_per_hour
        if "pump" in falling:
            self._off_at_s = now.at_s
        if after.pump:
            assert after.blocks, "the pump runs against closed valves"
        is_local = image.emergency_stop_healthy.value == 0.0 or image.selector_auto.value == 0.0
        for name in falling:
            kind, _, which = name.partition(".")
            if kind == "valve" and not is_local:
                assert not before.pump and not after.pump, "a valve closes on a running pump"
            if kind == "injection_valve" and not is_zero:
                assert f"injector.{which}" not in on(before), "the valve closes on a running injector"
            if kind == "pump" and not is_zero:
                assert not any(n.startswith("inject") for n in on(before)), "the pump goes before the injection is shut"
        for channel in injectors(after):
            self.counts["injector opened"] += f"injector.{channel}" in rising
            assert f"injection_valve.{channel}" in on(before), "the injector opens before its valve"
            assert after.channels[channel].valve and before.pump and after.pump

    def owed(self, rig: Rig, decision: Decision) -> None:
        """Invariant 2: what was injected since its last specified flush is owed, and bars another run's injection."""
        run = decision.state.run
        water_l = rig.water_l - self._last_water_l
        self._last_water_l = rig.water_l
        for name in list(self._ghost_l):
            self._ghost_l[name] += water_l
        if run is None:
            return
        # Meters count whole pulses, and a scan's litres are seen at its end: three counts less prove the same flush.
        slack_l = 3.0 * (rig.plant.site.main.water.per_count or 1.0)
        flushed_l = run.recipe.flush_l - slack_l
        self._ghost_l = {name: so_far_l for name, so_far_l in self._ghost_l.items() if so_far_l < flushed_l}
        if injectors(decision.outputs) or injectors(rig.held):
            others = set(self._ghost_l) - {run.recipe.run}
            assert not others, f"the injector is on while {others} are not flushed"
            self._ghost_l[run.recipe.run] = 0.0
        for name in self._ghost_l:
            self.counts["flush owed"] += 1
            self.counts["flush owed by another run"] += name != run.recipe.run
            assert any(owed.run == name for owed in decision.state.lines.owed), f"{name} is not flushed and not owed"
        if decision.state.unit.procedure is ProcedureState.COMPLETE:
            assert not self._ghost_l
            assert not decision.state.lines.owed

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
        if len(self._images) < FLOW_SCANS:
            return
        seen, before = named(image), named(self._images[-2][0])
        gone = [
            name
            for name, reading in seen.items()
            if reading.quality is Quality.BAD and before[name].quality is Quality.GOOD
        ]
        if not gone:
            return
        self.counts["reading gone BAD"] += 1
        assert injectors(decision.outputs) <= injectors(rig.held)
        better = _with(image, {name: changed(before[name], at_s=now.at_s) for name in gone})
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

    def dose(self, rig: Rig, decision: Decision) -> None:
        """Invariant 8: what really left the tank under a run's command never passes the cap."""
        run = decision.state.run
        if run is None:
            return
        for plan in run.recipe.channels:
            name, before_l = self._given_l.get(plan.channel, ("", 0.0))
            if name != run.recipe.run:
                before_l = rig.stock_l[plan.channel]
                self._given_l[plan.channel] = (run.recipe.run, before_l)
            given_l = rig.stock_l[plan.channel] - before_l
            self.counts["dose checked"] += given_l > 0.9 * plan.stock_l
            if not rig.siphon_l_h:
                assert given_l <= rig.plant.site.limits.over_dose_pct / 100.0 * plan.stock_l

    def timeless(self, rig: Rig, image: Image, decision: Decision, requests: tuple[Request, ...], now: Now) -> None:
        """Invariant 10: the same scan at another hour decides the same, to the last row."""
        self.counts["decided twice"] += 1
        shift_s = 86_400.0 * 365.0
        seen = named(image)
        moved = _with(image, {name: changed(seen[name], at_s=seen[name].at_s + shift_s) for name in seen})
        again = decide(rig.plant, rig.state, moved, requests, changed(now, at_s=now.at_s + shift_s))
        assert again.outputs == decision.outputs
        assert again.entries == decision.entries
        assert repr(again.state) == repr(decision.state)


def _with(image: Image, readings: dict[str, Reading]) -> Image:
    """Return the image with some readings exchanged, by their names."""
    plain: dict[str, Any] = {name: reading for name, reading in readings.items() if "." not in name}
    channels = {
        name: changed(
            channel,
            stock_l=readings.get(f"stock.{name}", channel.stock_l),
            content_l=readings.get(f"content.{name}", channel.content_l),
        )
        for name, channel in image.channels.items()
    }
    outputs = {role: readings.get(f"output.{role}", reading) for role, reading in image.outputs.items()}
    return changed(image, channels=channels, outputs=outputs, **plain)

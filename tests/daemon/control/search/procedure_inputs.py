"""What one scan of the procedure's search may bring: verdicts, commands, and facts beside a plant that answers.

Whatever the senses may find and the guard may judge is an input of the search.
"""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final, NamedTuple

from daemon.control import phases
from daemon.control.decide import State
from daemon.control.guard import Verdict
from daemon.control.interlocks import MATRIX, Interlock
from daemon.control.requests import Request
from daemon.control.sense import Facts
from daemon.control.sense_channel import ChannelFacts
from daemon.control.states import ACTIVE, Effect, UnitMode
from daemon.messages import DAEMON, Verb
from daemon.recipe import Recipe
from daemon.site import Plant
from tests.daemon.control.images import injectors
from tests.daemon.control.search.quick_plant import PART_L, STOCK_L

_DURABLE: Final = 1_000_000


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


def verdicts() -> list[Verdict]:
    """Return one verdict of each class, and the pairs that a dry hold may meet."""
    by_name = named_codes()
    found: dict[object, Verdict] = {None: verdict_of()}
    for row in MATRIX:
        verdict = verdict_of(row)
        kind = (
            verdict.effect,
            verdict.is_of_plant,
            verdict.resumes,
            row.code if row.code in by_name else "",
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


class Inputs:
    """All inputs of a plant and its shifts, `still` being the facts at rest."""

    def __init__(self, plant: Plant, recipes: dict[str, Recipe], still: Facts) -> None:
        self.plant = plant
        self.recipes = recipes
        self._still = still
        self.verdicts = verdicts()
        self.commands = [*self._all_commands()]

    def _all_commands(self) -> Iterator[tuple[Request, ...]]:
        one, two = self.recipes["creek"], self.recipes["ridge"]
        start = Request("start", Verb.START, (one,))
        timetable = Request("timetable", Verb.START, (two,), role=DAEMON)
        hold, fertiliser = Request("hold", Verb.HOLD), Request("less", Verb.STOP_FERTILISER)
        stop, reset = Request("stop", Verb.STOP_EVERYTHING), Request("reset", Verb.RESET)
        modes = [Request(f"mode {mode.value}", Verb.MODE, mode=mode) for mode in UnitMode]
        yield from ((), (start,), (timetable,), (hold,), (fertiliser,), (stop,), (reset,))
        yield from ((mode,) for mode in modes)
        yield from ((start, stop), (stop, hold), (hold, fertiliser), (reset, start), (start, hold))
        yield from ((Request("release", Verb.RELEASE),), (Request("seen", Verb.ACKNOWLEDGE),))

    def of(self, state: State) -> Iterator[Input]:
        """Yield every input of a scan in `state`."""
        well = self.well(state, 1.0)
        none = self.verdicts[0]
        for verdict in self.verdicts:
            for requests in self.commands:
                yield Input("well", well, verdict, requests)
        for name, facts in self._departures(state, well):
            for verdict in [v for v in self.verdicts if self._fits(name, v)]:
                yield Input(name, facts, verdict)
            yield Input(name, facts, none, self.commands[1])
            yield Input(name, facts, none, self.commands[5])

    def _fits(self, name: str, verdict: Verdict) -> bool:
        """Return whether it is worth meeting in the quick search: a pause, and what a reading must bring about."""
        must = {"hand": Effect.RELEASE, "emergency stop": Effect.ZERO}.get(name)
        return verdict.effect in (Effect.NONE, Effect.PAUSE) if must is None else verdict.effect is must

    def well(self, state: State, dt_s: float) -> Facts:
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
        yield "no time", self.well(state, 0.0)
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

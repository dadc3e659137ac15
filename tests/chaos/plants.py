"""A plant of two buses on which one tiny run follows the other, each with a fault in one of its phases.

Built on tests/night/spoilt.py: real Modbus TCP, a proxy before each bus, stepped time. The truth comes over the
simulator's pipe, never over Modbus.
"""

import contextlib
import math
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

from daemon.clock import SteppedClock
from daemon.control.cause import Reset
from daemon.control.interlocks import MATRIX
from daemon.control.run import Run
from daemon.control.states import ENDED, Phase, ProcedureState
from daemon.evidence import AlarmRaised, Dose, Event, Evidence, RunEnded, Unscheduled
from daemon.ledger.durable import open_state
from daemon.ledger.reading import evidence, reading
from daemon.ledger.reports import verify_file
from daemon.runtime.hold import Hold
from daemon.runtime.notify import Notifier
from daemon.runtime.scan import Scanned
from daemon.runtime.service import Service
from drivers.profile import load_profiles
from tests.night.spoilt import SpoiltPlant, is_active, is_injecting, spoilt_plant

SCAN_S = 1.1
"""A scan, and the simulator's step."""
WATCHDOG_S = 5.0
"""The relay module's own time-out, as the simulator has it."""
TINY_PIPES = {
    "pipes = [{ length_m = 420.0": "pipes = [{ length_m = 10.0",
    "submain = { length_m = 150.0": "submain = { length_m = 5.0",
    "lateral = { length_m = 100.0": "lateral = { length_m = 1.0",
    "min_off_s = 300.0": "min_off_s = 3.0",
    "max_starts_per_hour = 6": "max_starts_per_hour = 600",
    "run_down_s = 10.0": "run_down_s = 3.0",
    "travel_s = 8.0": "travel_s = 3.0",
    "settle_s = 20.0": "settle_s = 4.0",
    "fill_max_s = 900.0": "fill_max_s = 60.0",
    "pause_max_s = 300.0": "pause_max_s = 25.0",
    "flush_factor = 1.5": "flush_factor = 2.0",
    "checkpoint_s = 10.0": "checkpoint_s = 3.0",
}
TINY_NIGHT = {
    "dose_kg_ha = 3.0": "dose_kg_ha = 0.03",
    "water_m3 = 84.0": "water_m3 = 1.35",
    "inject_m3 = 42.0": "inject_m3 = 0.3",
}
"""Some 200 scans a run: 0.1 m3 of pipes and a transit of 0.3 m3."""
READS_CLOCK = {"max_watchdog_s = 10.0": 'max_watchdog_s = 10.0\noutput_uptime_s = "relays.uptime_s"'}
"""The relay block's own clock is read as well."""
LONGEST = 900
"""Scans of a run, the longest phase limit of one that is disturbed among them."""
_AT_REST = 8
_FOUND_AGAIN = 12
"""Scans after which every link has tried again: the longest pause is ten seconds."""
_PRESSES = 8
"""A siphon is known to be over only after two of its meter's windows of a minute."""
_FOR_A_VISIT = frozenset(row.code for row in MATRIX if row.latched and row.reset is Reset.AT_MACHINE)
_SOME_STOCK_L = 0.2
_CLOSE_S = 5.0
_PULSE_L = 10.0
_COUNT_L = 0.01

Act = Callable[[], Awaitable[None]]


@dataclass(slots=True)
class Seen:
    """One run, from its fault on; times in plant seconds since it began."""

    phase: Phase
    states: list[ProcedureState] = field(default_factory=list)
    """Every state, once for each time it was come to."""
    phases: list[Phase | None] = field(default_factory=list)
    alarms: set[str] = field(default_factory=set)
    rows: list[Evidence] = field(default_factory=list)
    commanded_off_s: float = math.inf
    off_s: float = math.inf
    """When the injector had no energy any more, for the first time."""
    on_again_s: float = math.inf
    """When it had some again."""
    owed: frozenset[str] = frozenset()
    """Segments that owe a flush in the end."""

    @property
    def ended(self) -> RunEnded:
        """The row of the run's end."""
        (row,) = (row for row in self.rows if isinstance(row, RunEnded))
        return row

    @property
    def state(self) -> ProcedureState:
        """How it ended."""
        return self.states[-1]


class ChaosPlant:
    """A started daemon on its plant, and what a test does to them."""

    def __init__(self, spoilt: SpoiltPlant) -> None:
        self.spoilt = spoilt
        self.plans_l: list[float] = []
        """Stock planned for each run."""

    async def scan(self) -> Scanned:
        """Do one scan."""
        return await self.spoilt.scan()

    async def scans(self, count: int) -> Scanned:
        """Do so many."""
        for _ in range(count):
            scanned = await self.scan()
        return scanned

    async def truth(self) -> dict[str, Any]:
        """Return the plant's own account."""
        return await self.spoilt.truth()

    async def fall(self) -> None:
        """Let the daemon fall: it writes nothing more to the plant, and what it had said is on disk."""
        service = self.spoilt.service
        if service._server is not None:
            await service._server.close()
        service.hold._lock.close()
        await service.field.close()
        service.ledger.close(_CLOSE_S)

    async def rise(self) -> None:
        """Start another daemon on the record of the one that fell, at the same plant and clock."""
        old = self.spoilt.service
        new = Service(Hold(old.plant, load_profiles(), old.folder, old.clock), Notifier(None, None), lambda text: None)
        self.spoilt.service = new
        assert await new.start()
        await self.scan()

    async def sleep(self, seconds: float) -> None:
        """Let time pass in which no scan is done: the plant and its clock go on."""
        clock = self.spoilt.service.clock
        await clock.wait_until_s(clock.monotonic_s() + seconds)

    def turn_clock(self, seconds: float) -> None:
        """Let the wall's time jump, as a time service does; durations know nothing of it."""
        clock = self.spoilt.service.clock
        assert isinstance(clock, SteppedClock)
        clock._start += timedelta(seconds=seconds)

    async def fault(self, name: str, *, on: bool = True, **parameters: Any) -> None:
        """Begin or end a fault of the plant."""
        await self.spoilt.simulator.ask("fault", name=name, on=on, **parameters)

    async def begin(self, phase: Phase) -> Scanned:
        """Start the program, and scan until it is well into `phase`: in INJECT with stock on its way."""
        await self.spoilt.start_run()
        return await self.until(phase)

    async def until(self, phase: Phase) -> Scanned:
        """Scan until the run is well into `phase`."""
        for _ in range(LONGEST):
            scanned = await self.scan()
            state = scanned.decision.state
            assert is_active(scanned), (phase, state.unit, scanned.decision.verdict.causes)
            if state.unit.phase is phase and state.run is not None and state.unit.procedure is ProcedureState.RUNNING:
                if phase is not Phase.INJECT:
                    return scanned
                if is_injecting(scanned) and state.run.injected_l > _SOME_STOCK_L:
                    return scanned
        raise AssertionError(f"never in {phase}: {scanned.decision.state.unit}")

    async def faulty_run(
        self, phase: Phase, fault: Act, *, for_scans: int = LONGEST, mend: Act | None = None, at_rest: int = _AT_REST
    ) -> Seen:
        """Run with a fault that begins in `phase` and is mended after so many scans, or when all is over.

        Holds what every run must hold: it ends lawfully with everything off, nothing starts by itself, and what is not
        flushed clean is owed.
        """
        run = (await self.begin(phase)).decision.state.run
        assert run is not None
        self.plans_l.append(sum(channel.stock_l for channel in run.recipe.channels))
        seen, began_s = Seen(phase), (await self.truth())["time_s"]
        await fault()
        is_faulty, rest = True, 0
        for number in range(LONGEST):
            if is_faulty and number == for_scans and mend is not None:
                await mend()
                is_faulty = False
            scanned = await self.scan()
            await self._look(seen, scanned, began_s)
            rest = rest + 1 if not is_active(scanned) else 0
            assert rest in (0, 1) or seen.states[-1] in ENDED, seen.states
            if rest > at_rest:
                break
        assert seen.states[-1] in ENDED, (seen.states, scanned.decision.verdict.causes)
        self.spoilt.calm()
        if mend is not None and is_faulty:
            await mend()
        await self.make_well(seen)
        await self._assert_at_rest(seen)
        return seen

    async def to_the_end(self, *, any_end: bool = False) -> Run:
        """Scan until the run has ended, COMPLETE or, where `any_end` allows, as it may; return it."""
        for _ in range(LONGEST):
            scanned = await self.scan()
            if not is_active(scanned):
                break
        run, procedure = scanned.decision.state.run, scanned.decision.state.unit.procedure
        assert run is not None
        assert procedure is ProcedureState.COMPLETE or (any_end and procedure in ENDED), scanned.decision.verdict
        self.plans_l.append(sum(channel.stock_l for channel in run.recipe.channels))
        return run

    async def _look(self, seen: Seen, scanned: Scanned, began_s: float) -> None:
        truth, unit = await self.truth(), scanned.decision.state.unit
        since_s = truth["time_s"] - began_s
        if not seen.states or seen.states[-1] is not unit.procedure:
            seen.states.append(unit.procedure)
        if not seen.phases or seen.phases[-1] is not unit.phase:
            seen.phases.append(unit.phase)
        seen.rows += scanned.decision.entries
        seen.alarms |= {row.code for row in scanned.decision.entries if isinstance(row, AlarmRaised)}
        if not is_injecting(scanned):
            seen.commanded_off_s = min(seen.commanded_off_s, since_s)
        if not truth["contactors"]["injector.a"]:
            seen.off_s = min(seen.off_s, since_s)
        elif seen.off_s < math.inf:
            seen.on_again_s = min(seen.on_again_s, since_s)

    async def make_well(self, seen: Seen | None = None) -> None:
        """Let every link be found again, and press the reset at the machine until nothing is latched any more."""
        for _ in range(_PRESSES):
            at_s = (await self.truth())["time_s"] + 8.0 * SCAN_S
            await self.fault("reset_pressed", on=True, at_s=at_s, for_s=4.0)
            for _ in range(_FOUND_AGAIN + 6):
                scanned = await self.scan()
                assert not is_active(scanned), "it started by itself"
                if seen is not None:
                    seen.rows += scanned.decision.entries
            if _FOR_A_VISIT.isdisjoint(scanned.decision.verdict.causes):
                return
        raise AssertionError(f"still latched: {scanned.decision.verdict.causes}")

    async def _assert_at_rest(self, seen: Seen) -> None:
        """Everything is off in the plant; pipes that owe no flush hold none of the stock; mass is conserved."""
        truth = await self.truth()
        assert not any((*truth["outputs"].values(), *truth["contactors"].values())), truth["outputs"]
        assert truth["residual"] <= 1e-9
        seen.owed = frozenset(owed.segment for owed in self.spoilt.service.scanner.state.lines.owed)
        held_kg = {"main": truth["trunk_kg"], "creek": truth["blocks"]["creek"]["in_pipes_kg"]}
        for segment in held_kg.keys() - seen.owed:
            held = sum(held_kg[segment].values())
            assert held <= 0.02 * sum(truth["injected_kg"].values()), (segment, held_kg, truth["injected_kg"])

    async def rows(self) -> list[Any]:
        """Return the record's rows of ends, of what was unscheduled, doses, alarms and events, when all is on disk."""
        assert self.spoilt.service.is_on_record()
        kinds = (RunEnded, Unscheduled, Dose, AlarmRaised, Event)
        with reading(self.spoilt.service.ledger.path) as connection:
            return [found.row for kind in kinds for found in evidence(connection, kind)]

    async def assert_record(self, *, counts: bool = True) -> None:
        """Hold the whole record to invariants 7 and 8. Without `counts` the meters' sums are left out.

        The chain is whole, what is owed is on disk as in memory, all water and stock that the meters counted is in the
        runs or unscheduled, every dose row adds up, and no run got more than a tenth over its plan.
        """
        service, truth, rows = self.spoilt.service, await self.truth(), await self.rows()
        path = service.ledger.path
        assert verify_file(path).broken_seq is None
        in_memory = {(owed.segment, owed.stock) for owed in service.scanner.state.lines.owed}
        assert {(row.row.segment, row.row.stock) for row in open_state(path).owed} == in_memory
        doses = [row for row in rows if isinstance(row, Dose)]
        assert all(row.injected_mg == row.delivered_mg + row.in_lines_mg + row.lost_mg for row in doses)
        ended = [row for row in rows if isinstance(row, RunEnded)]
        unscheduled = [row for row in rows if isinstance(row, Unscheduled)]
        open_l = service.scanner.state.lines.unscheduled_l
        if counts:
            water_l = sum(row.water_ml for row in ended) / 1000.0 + _unscheduled_l("main", unscheduled, open_l)
            assert abs(water_l - 1000.0 * truth["water_m3"]) <= 2.0 * _PULSE_L, (water_l, truth["water_m3"])
        drawn_l = truth["stock_injected_l"]["a"]
        if not drawn_l:
            return
        runs_l: dict[str, float] = {}
        n_mg_l = truth["injected_kg"]["N"] * 1e6 / drawn_l
        for row in doses:
            if row.nutrient == "N" and row.estimate == "METER":
                runs_l[row.run] = runs_l.get(row.run, 0.0) + row.injected_mg / n_mg_l
        if counts:
            stock_l = sum(runs_l.values()) + _unscheduled_l("a", unscheduled, open_l)
            slack_l = 0.01 * stock_l + 2.0 * _COUNT_L * (1 + len(ended))
            assert abs(stock_l - drawn_l) <= slack_l, (stock_l, drawn_l)
        most_l = 1.1 * max(self.plans_l, default=math.inf) + _COUNT_L
        assert all(given_l <= most_l for given_l in runs_l.values()), (runs_l, most_l)


def _unscheduled_l(channel: str, rows: list[Unscheduled], open_l: Mapping[str, float]) -> float:
    return sum(row.volume_ml for row in rows if row.channel == channel) / 1000.0 + open_l.get(channel, 0.0)


@contextlib.asynccontextmanager
async def chaos_plant(
    folder: Path,
    site: Mapping[str, str] = TINY_PIPES,
    decisions: Mapping[str, str] = TINY_NIGHT,
    *,
    counts: bool = True,
) -> AsyncIterator[ChaosPlant]:
    """Start the plant and its daemon; the record is held to the invariants in the end, the meters' sums by `counts`."""
    async with spoilt_plant(folder, site, decisions) as spoilt:
        spoilt.compares = False
        plant, first = ChaosPlant(spoilt), spoilt.service
        try:
            yield plant
            await plant.assert_record(counts=counts)
        finally:
            if spoilt.service is not first:
                await spoilt.service.stop()


async def nothing() -> None:
    """Do nothing: a run without a fault."""

"""The daemon: what starts and stops in which order. The plant is taken first, and its outputs are safe from then on."""

import asyncio
import contextlib
import gc
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeVar

from daemon.as_measured import as_measured
from daemon.clock import real_seconds
from daemon.control.image import LedgerHealth
from daemon.control.record import canonical
from daemon.control.recovery import recover
from daemon.control.states import ACTIVE, ProcedureState
from daemon.decisions.base import Decisions
from daemon.evidence import Event, RunEnded
from daemon.folder import HISTORY, LEDGER, SOCKET
from daemon.ledger.errors import LedgerError
from daemon.local_socket.server import LocalServer
from daemon.messages import DAEMON, Answer, Command, Snapshot, Verb
from daemon.planning.checks import PlanError
from daemon.runtime.decided import Decided
from daemon.runtime.flushing import plan_flushes
from daemon.runtime.hold import Hold
from daemon.runtime.notify import Notifier
from daemon.runtime.recovering import past_of, told
from daemon.runtime.scan import Scanned, Scanner
from daemon.runtime.snapshot import make_snapshot
from daemon.runtime.start import Asked, Planned, asked_by, not_begun, plan_start, warnings_of

if TYPE_CHECKING:
    from daemon.ledger.accounts import PastReader
    from daemon.ledger.history import History
    from daemon.ledger.writer import Ledger
    from daemon.runtime.commissioning import Commissioning
    from daemon.runtime.nights import Nights

_Part = TypeVar("_Part")

_MAY_WAIT_ROWS = 50
_STOP_SCANS = 90
_CLOSE_S = 10.0
_RECORD_S = 5.0
"""Real seconds that a plan waits for the record; on a disk that takes nothing there is water and no dose anyway."""


class Service:
    """One plant's daemon: `start`, then `step` for each scan, then `stop`, whatever happened."""

    def __init__(
        self,
        hold: Hold,
        notifier: Notifier,
        say: Callable[[str], None],
        *,
        by_scheduler: bool | None = None,
    ) -> None:
        """Prepare; nothing is opened. `say` gets lines for people.

        APScheduler carries the timetable where the clock is the real one, or `by_scheduler` says so.
        """
        self.hold = hold
        self.plant = hold.plant
        self.folder = hold.folder
        self.clock = hold.clock
        self.field = hold.field
        self._notifier = notifier
        self._say = say
        self._committed = asyncio.Event()
        self._snapshot: tuple[tuple[object, ...], Snapshot | None] = ((), None)
        self._history_due_s = 0.0
        self._flushing: asyncio.Task[None] | None = None
        self._ended: list[str] = []
        self._restating: asyncio.Task[None] | None = None
        self._beside: set[asyncio.Future[Any]] = set()
        self._nights: Nights | None = None
        self._by_scheduler = self.clock.kind == "real" if by_scheduler is None else by_scheduler
        self._ledger: Ledger | None = None
        self._history: History | None = None
        self._scanner: Scanner | None = None
        self._decided: Decided | None = None
        self._server: LocalServer | None = None
        self._commissioning: Commissioning | None = None
        self._fitted: Decisions = {}
        """The decisions that the scan's plant is measured by: it changes while nothing runs."""

    @property
    def simulated(self) -> bool:
        """Whether the plant is the simulator."""
        return self.hold.simulated

    @property
    def ledger(self) -> "Ledger":
        """The record, once started."""
        return _started(self._ledger)

    @property
    def scanner(self) -> Scanner:
        """The scan, once started."""
        return _started(self._scanner)

    @property
    def commissioning(self) -> "Commissioning":
        """The technician's steps, once started."""
        return _started(self._commissioning)

    @property
    def decided(self) -> Decided:
        """What people decided, once started."""
        return _started(self._decided)

    async def start(self, stop: asyncio.Event | None = None) -> bool:
        """Take the plant unless it was taken, open the record, and close what an unclean end left open.

        Returns False when `stop` was set while the plant did not answer yet. Raises StartError, PlantBusy, LedgerError.
        """
        if not await self.hold.take(self._say, stop):
            return False
        from daemon.ledger.durable import open_state
        from daemon.ledger.history import History
        from daemon.ledger.reports import last_runs
        from daemon.ledger.writer import open_ledger

        loop = asyncio.get_running_loop()
        path = self.folder / LEDGER
        self._ledger = await asyncio.to_thread(
            open_ledger,
            path,
            simulated=self.simulated,
            stamp=self.clock.stamp(),
            now=real_seconds,
            notify=lambda: _wake(loop, self._committed),
            site_digest=self.plant.digest,
        )
        self._history = History(self.folder / HISTORY, self.plant.site.keeping)
        self._decided = Decided(self.plant, self.ledger, self.clock)
        unread = self.decided.load(path)
        durable = open_state(path)
        self._ended = [newest.started.row.run for newest in last_runs(path, 1)]  # a kill may have come in between
        readings = await self.field.read()
        image = self.field.image(readings, LedgerHealth(0, 0.0, True))
        past = past_of(durable, self.clock.stamp(), is_lost=self._ledger.born and not self.simulated)
        state, rows = recover(self.plant, past, image)
        self._scanner = Scanner(self.plant, self.field, self.ledger, self.clock, state)
        missed = not_begun(durable)
        events = [Event("not-run", canonical({"programs": missed, "why": "the controller stopped"}))] if missed else []
        ticket = self.ledger.submit((*rows, *events, Event("start", "{}")), self.clock.stamp())
        answered = {a.row.command: Answer(a.row.command, a.row.accepted, a.row.reason) for a in durable.answered}
        self.scanner.begin(ticket, answered)
        from daemon.runtime.commissioning import Commissioning

        self._commissioning = Commissioning(self)
        self._server = LocalServer(
            self.folder / SOCKET, self.command, self.decided.answer, self._commissioning.answer, self.snapshot
        )
        await self._server.start()
        gc.freeze()  # what the start made lives as long as the daemon: the collector need not look at it again
        from daemon.runtime.nights import Nights

        self._nights = Nights(self, self._say, by_scheduler=self._by_scheduler)
        if missed:
            self._say(f"These were to come after a run that was cut off and did not run: {', '.join(missed)}.")
        for text in (*told(durable, past), *unread):
            self._say(text)
        return True

    async def step(self) -> Scanned:
        """Do one scan and wait for the next one's time."""
        while self.clock.kind == "stepped" and self._beside:
            await asyncio.wait(self._beside)  # stepped time stands still meanwhile, so that no night is changed
            await asyncio.sleep(0)
        if self.decided.newest is not self._fitted and self.scanner.state.unit.procedure not in ACTIVE:
            self._fitted = self.decided.newest
            self.scanner.fit(as_measured(self.plant, self._fitted))
        scanned = await self.scanner.once()
        if self._nights is not None:
            self._nights.saw(scanned)
        if self._commissioning is not None:
            if scanned.number == 1:
                self._commissioning.resume()
            self._commissioning.saw(scanned)
        if self._server is not None:
            self._server.published()
        self._keep_history(scanned)
        self._ended += [row.run for row in scanned.decision.entries if isinstance(row, RunEnded)]
        if self._ended and self.scanner.is_all_durable() and (self._restating is None or self._restating.done()):
            runs, self._ended = self._ended, []
            self._restating = asyncio.create_task(self._restate(runs))
        if scanned.number == 1:
            self._notifier.ready()
        self._notifier.alive(real_seconds())  # the scan lives; a dead bus or sensor is decide's business, not systemd's
        await self.scanner.pause()
        if self.clock.kind == "stepped" and not self.scanner.is_all_durable():
            await self._settle(_MAY_WAIT_ROWS if self.scanner.is_intent_durable() else 0)
        return scanned

    def is_on_record(self) -> bool:
        """Wait a little for the disk; return whether it has all that was said. Not for the scan's thread."""
        return self.ledger.wait_durable(self.ledger.health().submitted, _RECORD_S)

    async def _restate(self, runs: Sequence[str]) -> None:
        """Have the doses of runs that ended stated anew where a tank was changed since they were planned."""
        for run in runs:
            try:
                count = await self.decided.restate(run)
            except LedgerError as error:
                self._say(f"The doses of run {run} could not be restated: {error}")
            else:
                if count:
                    self._say(f"A tank was changed while run {run} went on or waited: {count} doses restated.")

    async def _settle(self, may_wait_rows: int) -> None:
        """Wait until no more than so many rows wait for the disk, or the ledger fails.

        Stepped time stands still meanwhile, so that a slow disk changes no night: an injector opens in the scan after
        its intent was recorded, and time does not run away from the record.
        """
        while (health := self.ledger.health()).writable and health.durable + may_wait_rows < health.submitted:
            self._committed.clear()
            if self.ledger.durable == health.durable:
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._committed.wait(), 1.0)

    async def command(self, command: Command) -> Answer:
        """Answer a control command after the scan that decided it. A START is planned first, off the scan."""
        if command.verb is not Verb.START or self.scanner.state.unit.procedure is ProcedureState.HELD:
            return await self.scanner.ask(command)
        try:
            planned = await self.off_scan(lambda: self._plan_command(command, self.decided.newest))
        except (PlanError, LedgerError) as error:
            return Answer(command.id, False, str(error))
        if planned.refusals:
            return Answer(command.id, False, "; ".join(map(str, planned.refusals.values())))
        return await self._start(command, planned)

    async def start_as_far_as(self, command: Command, asked: Sequence[Asked]) -> Answer:
        """Start what can be planned of what is asked, and record why the rest does not run."""
        try:
            planned = await self.off_scan(lambda: self._plan(asked, self.decided.newest, command.id))
        except LedgerError as error:
            return Answer(command.id, False, str(error))
        for program, why in planned.refusals.items():
            self._say(f"Program {program} does not run: {why}")
            failed = [check.what for check in why.checks if not check.passed]
            detail = canonical({"programs": [program], "failed": failed, "why": str(why)})
            self.ledger.submit((Event("not-run", detail),), self.clock.stamp())
        if not planned.plans:
            return Answer(command.id, False, "none of its programs can run")
        return await self._start(command, planned)

    async def _start(self, command: Command, planned: Planned) -> Answer:
        answer = await self.scanner.ask(command, tuple(plan.recipe for plan in planned.plans))
        warnings = warnings_of(planned.plans) if answer.accepted else ""
        return replace(answer, reason=f"{answer.reason} {warnings}") if warnings else answer

    def _plan_command(self, command: Command, decisions: Decisions) -> Planned:
        """Return the plans of whatever a START asks for. Raises PlanError, LedgerError."""
        from daemon.runtime.left_over import rest_asked

        arguments = command.arguments
        if "flush" in arguments:
            owed = self.scanner.state.lines.owed
            return plan_flushes(self.plant.site, decisions, owed, arguments, command.id, self.clock.stamp().utc)
        if "rest" in arguments:
            self.is_on_record()
            return self._plan((rest_asked(self.ledger.path, str(arguments["rest"])),), decisions, command.id)
        asked, decisions = asked_by(arguments, decisions)
        return self._plan(asked, decisions, command.id)

    def _plan(self, asked: Sequence[Asked], decisions: Decisions, command_id: str) -> Planned:
        """Return the plans of a START, by the record as it is now. Reads the file: not for the scan's thread."""
        from daemon.commissioning.status import bars_of
        from daemon.planning.look_back import look_back_to
        from daemon.runtime.tonight import done_of

        self.is_on_record()  # else the run before this one counts as far as its checkpoints have it
        now = self.clock.stamp().utc
        past = self.past.past(look_back_to(decisions, now))
        bars = bars_of(self.plant.site, done_of(self.ledger.path), now)
        return plan_start(as_measured(self.plant, decisions), decisions, asked, command_id, now, past, bars)

    @cached_property
    def past(self) -> "PastReader":
        """What the blocks have had, read once. Reads the file: not for the scan's thread."""
        from daemon.ledger.accounts import PastReader

        return PastReader(self.ledger.path)

    async def off_scan(self, work: Callable[[], _Part]) -> _Part:
        """Do something that blocks in a thread of its own; stepped time stands still meanwhile."""
        doing = asyncio.ensure_future(asyncio.to_thread(work))
        self._beside.add(doing)
        doing.add_done_callback(self._beside.discard)
        return await doing

    def snapshot(self) -> Snapshot | None:
        """Return the newest snapshot, made once for each scan and each change of an attempt, when somebody looks."""
        newest, commissioning = self.scanner.newest, self.commissioning
        mark = (newest, *commissioning.mark)
        if newest is not None and not _same(mark, self._snapshot[0]):
            tonight = self._nights.summary if self._nights is not None else {}
            healths = self.field.health(), self.field.device_health()
            lateness, step = (self.scanner.late_s, self.scanner.missed), commissioning.view
            made = make_snapshot(self.plant, newest, self.simulated, *healths, tonight, *lateness, step)
            self._snapshot = (mark, made)
        return self._snapshot[1]

    def _keep_history(self, scanned: Scanned) -> None:
        now_s = self.clock.monotonic_s()
        if now_s < self._history_due_s:
            return
        self._history_due_s = now_s + self.plant.site.site.history_s
        image = scanned.image
        values = {
            name: reading.value
            for name, reading in (
                ("flow_m3_h", image.flow_m3_h),
                ("pressure_kpa", image.pressure_kpa),
                ("background_ec_ms_cm", image.background_ec_ms_cm),
                ("line_ec_ms_cm", image.line_ec_ms_cm),
                ("filter_difference_kpa", image.filter_difference_kpa),
            )
            if reading is not None
        }
        for name, channel in image.channels.items():
            values[f"injector.{name}.stock_l"] = channel.stock_l.value
            values[f"tank.{name}.content_l"] = channel.content_l.value
        for name, reading in image.far_ec_ms_cm.items():
            values[f"block.{name}.far_ec_ms_cm"] = reading.value
        history = _started(self._history)
        if history.append(scanned.stamp.ms, values) and (self._flushing is None or self._flushing.done()):
            self._flushing = asyncio.create_task(asyncio.to_thread(history.flush))

    async def stop(self) -> None:
        """Stop in order: the procedure in safe order, safe outputs, the record, the socket, the links, the lock.

        Without the plant's lock nothing is written: another daemon may be driving it.
        """
        if not self.hold.locked:
            await self.hold.let_go()
            return
        self._notifier.stopping()
        async with contextlib.AsyncExitStack() as closing:  # last in, first out; a step that fails holds up no other
            closing.push_async_callback(self.hold.let_go)
            closing.push_async_callback(self._close_record)
            if self._server is not None:
                closing.push_async_callback(self._server.close)
            closing.push_async_callback(self.field.safe)
            if self._scanner is not None:
                closing.push_async_callback(self._stop_procedure)
            if self._commissioning is not None:
                closing.push_async_callback(self._commissioning.end)
            if self._nights is not None:
                nights, self._nights = self._nights, None
                closing.push_async_callback(nights.end)

    async def _close_record(self) -> None:
        if self._flushing is not None:
            await self._flushing
        if self._restating is not None:
            await self._restating
        if self._ended:
            is_on_record = await asyncio.to_thread(self.is_on_record)
            await self._restate(self._ended if is_on_record else ())
        if self._ledger is not None:
            self._ledger.submit((Event("stop", "{}"),), self.clock.stamp())
            await asyncio.to_thread(self._ledger.close, _CLOSE_S)
        if self._history is not None:
            await asyncio.to_thread(self._history.close)

    async def _stop_procedure(self) -> None:
        """Bring the plant to rest by the scan itself, in a bounded number of scans."""
        if self.scanner.is_at_rest():
            return
        command = Command(f"stop-{self.clock.stamp().ms}", "daemon", DAEMON, Verb.STOP_EVERYTHING, {})
        asked = asyncio.ensure_future(self.scanner.ask(command))
        await asyncio.sleep(0)
        try:
            for _ in range(_STOP_SCANS):
                await self.step()
                if self.scanner.is_at_rest():
                    return
        finally:
            asked.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await asked


def _same(one: tuple[object, ...], other: tuple[object, ...]) -> bool:
    """Return whether two marks are of the very same things: to compare what they hold would cost more than it saves."""
    return len(one) == len(other) and all(mine is yours for mine, yours in zip(one, other, strict=True))


def _started(part: _Part | None) -> _Part:
    if part is None:
        raise RuntimeError("the service has not started")
    return part


def _wake(loop: asyncio.AbstractEventLoop, event: asyncio.Event) -> None:
    """Set `event` from the ledger's thread."""
    loop.call_soon_threadsafe(event.set)

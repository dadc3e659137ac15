"""The one scan: read, decide, write, queue the commit, wait. The same in the shed, the demo and the tests."""

import asyncio
import contextlib
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.clock import Clock, UtcStamp
from daemon.control.decide import Decision, State, decide
from daemon.control.image import SAFE, Image, LedgerHealth, Now
from daemon.control.record import canonical
from daemon.control.states import ACTIVE
from daemon.evidence import CommandAnswered
from daemon.messages import Answer, Command
from daemon.recipe import Recipe
from daemon.runtime.asking import request_of
from daemon.runtime.field import Field
from daemon.site import Plant

if TYPE_CHECKING:
    from daemon.ledger.writer import Ledger  # heavy: the safe outputs are written before it is imported

_REMEMBERED = 1000
"""Answers kept so that a command that comes twice is done once."""


@dataclass(slots=True)
class _Asked:
    command: Command
    recipes: tuple[Recipe, ...]
    answer: "asyncio.Future[Answer]"


@dataclass(frozen=True, slots=True)
class Scanned:
    """The newest complete scan."""

    number: int
    decision: Decision
    image: Image
    stamp: UtcStamp


class Scanner:
    """Owns the state of `decide`, and is the only caller of it in the daemon."""

    def __init__(self, plant: Plant, field: Field, ledger: "Ledger", clock: Clock, state: State) -> None:
        self._plant = plant
        self._field = field
        self._ledger = ledger
        self._clock = clock
        self._state = state
        self._last_s = clock.monotonic_s()
        self._next_s = self._last_s
        self._asked: list[_Asked] = []
        self._answered: dict[str, Answer] = {}
        self._awaited: deque[tuple[int, int]] = deque()
        self._durable = 0
        self._wake = asyncio.Event()
        self.missed = 0
        """Scans that began more than one scan time late."""
        self.late_s = 0.0
        """How much later than its time the newest scan began; of one that a command woke, 0."""
        self.newest: Scanned | None = None

    def begin(self, ticket: int, answered: dict[str, Answer]) -> None:
        """Start the count of durable rows after recovery's, whose last ticket is given; remember earlier answers."""
        self._awaited.append((self._state.emitted, ticket))
        self._answered = dict(answered)

    @property
    def plant(self) -> Plant:
        """The plant as it is controlled by: with what was measured of its injectors."""
        return self._plant

    def fit(self, plant: Plant) -> None:
        """Go on with a plant whose injectors were measured since. Only while nothing runs."""
        self._plant = plant

    async def ask(self, command: Command, recipes: tuple[Recipe, ...] = ()) -> Answer:
        """Put a command to the next scan and return its answer. The same id is answered as before."""
        if command.id in self._answered:
            return self._answered[command.id]
        waiting = next((asked for asked in self._asked if asked.command.id == command.id), None)
        if waiting is None:
            waiting = _Asked(command, recipes, asyncio.get_running_loop().create_future())
            self._asked.append(waiting)
            self._wake.set()
        return await asyncio.shield(waiting.answer)

    async def once(self) -> Scanned:
        """Do one scan: read, decide, write, and leave what it has to say to the record."""
        readings = await self._field.read()
        asked, self._asked = self._asked, []
        self._wake.clear()
        now_s = self._clock.monotonic_s()
        stamp = self._clock.stamp()
        image = self._field.image(readings, self._ledger_health(), is_clock_trusted=stamp.trusted)
        requests = tuple([request_of(self._plant.site, one.command, one.recipes) for one in asked])
        now = Now(max(0.0, now_s - self._last_s), now_s)
        decision = decide(self._plant, self._state, image, requests, now)
        await self._field.write(decision.outputs)
        self._state, self._last_s = decision.state, now_s
        if decision.entries:
            self._awaited.append((decision.state.emitted, self._ledger.submit(decision.entries, stamp)))
        if asked:
            self._settle(asked, decision, stamp)
        number = self.newest.number + 1 if self.newest is not None else 1
        self.newest = Scanned(number, decision, image, stamp)
        return self.newest

    def _settle(self, asked: list[_Asked], decision: Decision, stamp: UtcStamp) -> None:
        """Record who asked for what, then answer."""
        answers = {answer.id: answer for answer in decision.answers}
        rows = tuple(_row(a.command, answers[a.command.id]) for a in asked)
        self._ledger.submit(rows, stamp)
        for item in asked:
            answer = answers[item.command.id]
            self._answered[answer.id] = answer
            if not item.answer.done():
                item.answer.set_result(answer)
        while len(self._answered) > _REMEMBERED:
            del self._answered[next(iter(self._answered))]

    def _ledger_health(self) -> LedgerHealth:
        health = self._ledger.health()
        while self._awaited and self._awaited[0][1] <= health.durable:
            self._durable = self._awaited.popleft()[0]
        pending_s = self._ledger.oldest_pending_age_s if self._awaited else 0.0
        return LedgerHealth(self._durable, pending_s, health.writable)

    async def pause(self) -> None:
        """Wait for the next scan's time, or less when a command came. A scan that took too long is not made up for."""
        scan_s, now_s = self._plant.site.site.scan_s, self._clock.monotonic_s()
        if now_s >= self._next_s:  # else a command woke this scan early, and its own time is still to come
            self._next_s += scan_s
        if now_s > self._next_s:
            self.missed += now_s > self._next_s + scan_s
            self._next_s = now_s
        if self._clock.kind == "stepped":
            await self._clock.wait_until_s(self._next_s)
            return
        waiting = asyncio.ensure_future(self._clock.wait_until_s(self._next_s))
        woken = asyncio.ensure_future(self._wake.wait())
        await asyncio.wait((waiting, woken), return_when=asyncio.FIRST_COMPLETED)
        self.late_s = max(0.0, self._clock.monotonic_s() - self._next_s)
        for task in (waiting, woken):
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task

    def is_at_rest(self) -> bool:
        """Return whether no procedure is active and everything is off."""
        return self._state.unit.procedure not in ACTIVE and self._state.outputs == SAFE

    def is_all_durable(self) -> bool:
        """Return whether nothing that was decided waited for the disk when the newest scan began."""
        return not self._awaited

    def is_intent_durable(self) -> bool:
        """Return whether no injector waits for its intent, or the lease that forces it, to be on disk."""
        run, forced = self._state.run, (lease.row for lease in self._state.leases if lease.forces_injector_on)
        return (run is None or run.intent <= self._durable) and all(row <= self._durable for row in forced)

    @property
    def state(self) -> State:
        """The state after the newest scan."""
        return self._state


def _row(command: Command, answer: Answer) -> CommandAnswered:
    return CommandAnswered(
        command=command.id,
        who=command.who,
        role=command.role,
        verb=command.verb.value,
        arguments=canonical(command.arguments),
        accepted=answer.accepted,
        reason=answer.reason,
    )

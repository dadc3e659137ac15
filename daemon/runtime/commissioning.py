"""The commissioning in the daemon: one attempt at a time, its commands to `decide`, and its evidence in the record.

A step asks for outputs by commands in the technician's name, as anybody does: what may not be, `decide` refuses, and
what must end, it ends. The daemon adds only the watching, and keeps each stage before it begins the next one.
"""

import asyncio
from collections.abc import Awaitable, Callable, Coroutine, Mapping
from typing import TYPE_CHECKING, Any

from daemon.commissioning import attempt as machine
from daemon.commissioning.attempt import Attempt, Seen, Wanted
from daemon.commissioning.showing import shown_attempt, shown_result
from daemon.commissioning.step import Entry, EntryError, Result, Verdict, Work
from daemon.commissioning.steps import STEPS
from daemon.control.lease import FORCE
from daemon.control.record import canonical
from daemon.control.states import ACTIVE, UnitMode
from daemon.evidence import Evidence, StepBegun, StepEnded, StepEntered, StepTurned
from daemon.ledger.errors import LedgerError
from daemon.ledger.in_force import DecisionError
from daemon.messages import TECHNICIAN, Answer, Command, Verb
from daemon.runtime.scan import Scanned
from daemon.runtime.snapshot import readings_of
from daemon.site import section_digest
from drivers.reading import Quality, Reading

if TYPE_CHECKING:
    from daemon.runtime.service import Service

_REMEMBERED = 200
_RESTARTED = "the controller was started anew"


class Refusal(Exception):  # noqa: N818 - says what is the matter
    """Why something that was asked for is not done."""


class Commissioning:
    """The attempt at hand."""

    def __init__(self, service: "Service") -> None:
        self._service = service
        self._attempt: Attempt | None = None
        self._section = ""
        self._result: Result | None = None
        self._problem = ""
        self._moving: asyncio.Task[None] | None = None
        self._one_by_one = asyncio.Lock()
        self._answered: dict[str, Answer] = {}
        self._asked = 0
        self._do: Mapping[str, Callable[[Mapping[str, Any], str], Awaitable[str]]] = {
            "begin": self._begin,
            "enter": self._enter,
            "again": self._again,
            "accept": self._accept,
            "abort": self._abort,
        }

    def resume(self) -> None:
        """Take up the attempt that a stop of the controller left open. Nothing is held on until somebody goes on."""
        from daemon.ledger.attempts import open_attempt

        found = open_attempt(self._service.ledger.path)
        if found is None:
            return
        begun = found.begun.row
        step = STEPS.get(begun.step)
        if step is None or begun.subject not in step.subjects(self._service.plant.site):
            return  # the site file was written anew since: begin again
        entries = tuple(Entry(stage, values) for stage, values in found.entries)
        zero_s = self._service.clock.monotonic_s()
        made = Attempt(begun.attempt, step, begun.subject, begun.who, zero_s, entries)
        self._section = begun.section
        self._attempt = machine.cut(made, self._service.plant.site, _RESTARTED)
        self._turned(len(entries), _RESTARTED, begun.who)
        self._find_result()

    @property
    def mark(self) -> tuple[object, ...]:
        """What changes whenever the view does between two scans."""
        return (self._attempt, self._result, self._problem)

    @property
    def view(self) -> dict[str, Any]:
        """The attempt for everybody outside the daemon; empty where there is none."""
        if self._attempt is None:
            return {}
        seen = self._seen()
        return shown_attempt(self._attempt, self._service.plant.site, seen, self._result, self._problem)

    def saw(self, scanned: Scanned) -> None:
        """Take a scan in: what the stage at hand keeps of it, and whether it is over."""
        attempt = self._attempt
        if attempt is None or attempt.watching is None or self._is_moving():
            return
        site = self._service.plant.site
        seen = self._seen_in(scanned, attempt)
        after, entry = machine.seen_on(attempt, site, seen)
        self._attempt = after
        if after.cut_off and not attempt.cut_off:
            self._turned(len(attempt.entries), after.cut_off, attempt.who)
            self._move(self._release)
        elif entry is not None:
            self._keep(entry, after.who)
            self._move(self._next_stage)

    async def answer(self, request: Mapping[str, Any]) -> Answer:
        """Do what a technician asks for. The same id is answered as before."""
        id_, do = str(request.get("id", "")), self._do.get(str(request.get("do")))
        if id_ in self._answered:
            return self._answered[id_]
        try:
            if not 0 < len(id_) <= 64 or do is None:
                raise Refusal(f"got do {request.get('do')!r}; expected one of {', '.join(self._do)}, with an id")
            who = str(request.get("who", ""))
            if request.get("role") != TECHNICIAN or not who:
                raise Refusal("Only a technician may commission.")
            async with self._one_by_one:
                await self._moved()
                answer = Answer(id_, True, await do(request, who))
        except (Refusal, EntryError, DecisionError, LedgerError) as error:
            return Answer(id_, False, str(error))
        self._answered[id_] = answer
        while len(self._answered) > _REMEMBERED:
            del self._answered[next(iter(self._answered))]
        return answer

    async def end(self) -> None:
        """Stop watching; what was entered stays in the record, and the attempt open."""
        if self._moving is not None:
            self._moving.cancel()
            await asyncio.gather(self._moving, return_exceptions=True)

    async def _begin(self, request: Mapping[str, Any], who: str) -> str:
        if self._attempt is not None:
            at = self._attempt
            raise Refusal(f"An attempt at {at.step.name} {at.subject} is under way: go on with it, or abort it.")
        step, site = STEPS.get(str(request.get("step"))), self._service.plant.site
        if step is None:
            raise Refusal(f"step: got {request.get('step')!r}; expected one of {', '.join(STEPS)}")
        subjects = step.subjects(site)
        subject = str(request.get("subject") or (subjects[0] if len(subjects) == 1 else ""))
        if subject not in subjects:
            raise Refusal(
                f"subject: got {subject!r}; expected one of {', '.join(subjects) or 'none: the site has none'}"
            )
        unit = self._service.scanner.state.unit
        if unit.mode is not UnitMode.SEMI_AUTOMATIC:
            raise Refusal(
                f"The unit is in {unit.mode.value}. Put it in SEMI_AUTOMATIC first: no timetable may start meanwhile."
            )
        if unit.procedure in ACTIVE:
            raise Refusal("A run is under way. Stop it first, or wait for its end.")
        id_ = str(request["id"])
        self._section = section_digest(step.parts(site, subject))
        await self._record(StepBegun(id_, step.name, subject, self._section, who))
        self._attempt = Attempt(id_, step, subject, who, self._service.clock.monotonic_s())
        await self._next_stage()
        return f"{step.title}, {subject}, begins."

    async def _enter(self, request: Mapping[str, Any], who: str) -> str:
        attempt = self._at_hand()
        stage, values = attempt.stage(self._service.plant.site), request.get("values")
        if stage is None or request.get("stage") != stage.name:
            now = "the end" if stage is None else stage.name
            raise Refusal(f"stage: got {request.get('stage')!r}; expected {now}, where this attempt is")
        if attempt.cut_off:
            raise Refusal(f"{stage.name} was cut off: {attempt.cut_off}. Go on again first.")
        if not isinstance(values, dict):
            raise Refusal(f"values: got {values!r}; expected what is asked for, by name")
        entry = machine.entered(attempt, self._service.plant.site, values, self._seen())
        if stage.is_many and not entry.values.get("done"):
            await self._record(StepEntered(attempt.id, entry.stage, canonical(entry.values), who))
            self._attempt = machine.after(attempt, entry)
            return "Kept. Enter the next one, or say that it is done."
        await self._record(StepEntered(attempt.id, entry.stage, canonical(entry.values), who))
        self._attempt = machine.after(attempt, entry)
        await self._next_stage()
        return self._told()

    async def _again(self, request: Mapping[str, Any], who: str) -> str:
        """Go on where the attempt was cut off, or from an earlier stage."""
        attempt = self._at_hand()
        stage = request.get("stage")
        if stage:
            if not any(entry.stage == stage for entry in attempt.entries):
                entered = ", ".join(dict.fromkeys(entry.stage for entry in attempt.entries))
                raise Refusal(f"stage: got {stage!r}; expected one that was entered: {entered}")
            before = len(attempt.entries)
            self._attempt = attempt._replace(entries=machine.before(attempt.entries, str(stage)))
            self._turned(before, "repeated", who)
        elif not attempt.cut_off:
            raise Refusal("Nothing was cut off. Name the stage that is to be repeated.")
        self._result, self._problem = None, ""
        await self._next_stage()
        return self._told()

    async def _accept(self, request: Mapping[str, Any], who: str) -> str:
        attempt, result = self._at_hand(), self._result
        if result is None:
            raise Refusal(self._problem or "There is no result yet: go on with the stages.")
        is_good = result.verdict is not Verdict.FAILED
        ended = StepEnded(attempt.id, "ACCEPTED", result.verdict.value, canonical(shown_result(result)), "", who)
        records = result.records if is_good else ()
        if records:
            asked = [
                {"kind": one.decision.kind, "key": one.key, "body": one.decision.model_dump(mode="json")}
                for one in records
            ]
            await self._service.decided.record({"id": str(request["id"]), "who": who, "decisions": asked}, (ended,))
        else:
            await self._record(ended)
        self._forget()
        if not is_good:
            return "Kept as it was found. It failed: see to its cause and repeat it. Nothing changes in the plan."
        return " ".join(("Accepted.", *result.changes))

    async def _abort(self, request: Mapping[str, Any], who: str) -> str:
        attempt = self._at_hand()
        why = str(request.get("why") or "aborted")[:200]
        self._attempt = attempt._replace(watching=None)  # what is let go now cuts nothing off
        if attempt.has_started and self._seen().is_active:
            await self._command(attempt, Verb.STOP_EVERYTHING, {})
        await self._release()
        await self._record(StepEnded(attempt.id, "ABORTED", "", "", why, who))
        self._forget()
        owed = " Flush is owed: give it (see owed)." if self._service.scanner.state.lines.owed else ""
        return f"Aborted. All that it held on or started is let go, and what was entered is kept.{owed}"

    def _at_hand(self) -> Attempt:
        if self._attempt is None:
            raise Refusal("No attempt is under way: begin one.")
        return self._attempt

    def _told(self) -> str:
        attempt = self._attempt
        stage = attempt.stage(self._service.plant.site) if attempt is not None else None
        if attempt is not None and attempt.cut_off:
            return f"Cut off: {attempt.cut_off}"
        return stage.do if stage is not None else self._problem or "All is there: look at the result."

    def _forget(self) -> None:
        self._attempt, self._result, self._problem = None, None, ""

    async def _next_stage(self) -> None:
        """Begin the stage at hand: ask for what it holds on, in a safe order, and let go of what it does not."""
        attempt, site = self._at_hand(), self._service.plant.site
        attempt, wanted = machine.begun(attempt, site, self._seen())
        self._attempt = attempt
        try:
            await self._ask(attempt, wanted)
        except Refusal as refusal:
            before = len(attempt.entries)
            self._attempt = machine.cut(attempt, site, str(refusal))
            self._turned(before, str(refusal), attempt.who)
            await self._release()
            return
        started = attempt._replace(has_started=attempt.has_started or bool(wanted.start))
        self._attempt = machine.granted(started, self._service.clock.monotonic_s())
        self._find_result()

    async def _ask(self, attempt: Attempt, wanted: Wanted) -> None:
        """Have commands decided, one after the other. Raises Refusal."""
        for target in wanted.stop:
            await self._command(attempt, Verb.RELEASE, {"target": target})
        for target, drive in wanted.hold:
            arguments: dict[str, Any] = {"target": target, "on": True, "minutes": wanted.minutes}
            if target.startswith("injector."):
                arguments |= {"drive": drive, "minutes": wanted.injector_minutes}
            stage = attempt.stage(self._service.plant.site)
            arguments["reason"] = f"{attempt.step.title}, {stage.name if stage is not None else ''}"
            await self._command(attempt, Verb.FORCE, arguments)
        for target in wanted.release:
            await self._command(attempt, Verb.RELEASE, {"target": target})
        if wanted.start:
            await self._command(attempt, Verb.START, dict(wanted.start))
        if wanted.silence_s > 0.0:
            self._service.field.be_silent(wanted.silence_s)

    async def _command(self, attempt: Attempt, verb: Verb, arguments: dict[str, Any]) -> None:
        self._asked += 1
        id_ = f"{attempt.id[:30]}-{self._service.clock.stamp().ms}-{self._asked}"
        made = Command(id_, attempt.who, TECHNICIAN, verb, arguments)
        answer = await self._service.command(made)
        if not answer.accepted and verb is not Verb.RELEASE:
            raise Refusal(f"{arguments.get('target', verb.value)}: {answer.reason}")

    async def _release(self) -> None:
        """Let go of all that is held on, injectors first."""
        attempt = self._at_hand()
        forced = self._seen().forced
        injectors = tuple(sorted(name for name in forced if name.startswith("injector.")))
        await self._ask(attempt, Wanted(stop=injectors, release=("pump",) if "pump" in forced else ()))
        await self._ask(attempt, Wanted(release=tuple(sorted(forced - {*injectors, "pump"}))))

    def _find_result(self) -> None:
        """Work the result out once all stages are behind."""
        attempt, service = self._at_hand(), self._service
        self._result, self._problem = None, ""
        if attempt.cut_off or attempt.stage(service.plant.site) is not None:
            return
        from daemon.ledger.attempts import accepted

        earlier = tuple(
            one.result
            for one in accepted(service.ledger.path)
            if (one.begun.row.step, one.begun.row.subject) == (attempt.step.name, attempt.subject) and one.result
        )
        work = Work(
            service.plant, attempt.subject, attempt.entries, attempt.who, service.clock.stamp().utc,
            service.decided.newest, self._section, earlier,
        )  # fmt: skip
        try:
            self._result = attempt.step.result(work)
        except ValueError as error:
            self._problem = f"No result: {error}. Repeat the stage that it is about, or abort."
        except Exception as error:  # a start takes an open attempt up: no fault in a sum may keep water from running
            self._problem = _fault(error)

    def _keep(self, entry: Entry, who: str) -> None:
        attempt = self._at_hand()
        self._attempt = machine.after(attempt, entry)
        self._submit(StepEntered(attempt.id, entry.stage, canonical(entry.values), who))

    def _turned(self, before: int, why: str, who: str) -> None:
        """Record that the attempt goes on from an earlier stage, or was cut off where it stands."""
        attempt = self._at_hand()
        back = attempt.stage(self._service.plant.site) if len(attempt.entries) < before else None
        self._submit(StepTurned(attempt.id, back.name if back is not None else "", why, who))

    def _submit(self, row: Evidence) -> None:
        self._service.ledger.submit((row,), self._service.clock.stamp())

    async def _record(self, row: Evidence) -> None:
        """Record a row and wait for the disk. Raises LedgerError."""
        stamp, ledger = self._service.clock.stamp(), self._service.ledger
        await self._service.off_scan(lambda: ledger.record_decisions((), "", stamp, rows=(row,)))

    def _is_moving(self) -> bool:
        return self._moving is not None and not self._moving.done()

    def _move(self, act: Callable[[], Coroutine[Any, Any, None]]) -> None:
        self._moving = asyncio.ensure_future(act())
        self._moving.add_done_callback(self._told_of)

    def _told_of(self, done: "asyncio.Future[Any]") -> None:
        """Say that something failed which nobody expected, so that no attempt stands still without a word."""
        error = None if done.cancelled() else done.exception()
        if error is not None:
            self._problem = _fault(error)

    async def _moved(self) -> None:
        """Wait until what the daemon does by itself is done."""
        if self._moving is not None:
            await asyncio.gather(self._moving, return_exceptions=True)

    def _seen(self) -> Seen:
        newest = self._service.scanner.newest
        if newest is None:
            raise Refusal("No scan is done yet: ask again.")
        return self._seen_in(newest, self._attempt)

    def _seen_in(self, scanned: Scanned, attempt: Attempt | None) -> Seen:
        state, image = scanned.decision.state, scanned.image
        outputs = scanned.decision.outputs
        on = {f"valve.{name}" for name in outputs.blocks}
        on |= {f"injector.{name}" for name, channel in outputs.channels.items() if channel.run}
        washing = image.backwashing
        stage = attempt.stage(self._service.plant.site) if attempt is not None else None
        return Seen(
            at_s=self._service.clock.monotonic_s(),
            readings={
                name: reading.value
                for name, reading in readings_of(image).items()
                if reading is not None and reading.quality is Quality.GOOD
            },
            on=frozenset(on | ({"pump"} if outputs.pump else set())),
            forced=frozenset(lease.target for lease in state.leases if lease.kind == FORCE and lease.is_on),
            causes=frozenset(scanned.decision.verdict.causes),
            is_active=state.unit.procedure in ACTIVE,
            is_owing=bool(state.lines.owed),
            procedure=state.unit.procedure.value,
            is_washing=outputs.backwash or (washing is not None and _is_on(washing)),
            shown=_shown(image.outputs),
            raw=self._service.field.raw(stage.raw) if stage is not None and stage.raw else {},
        )


def _fault(error: BaseException) -> str:
    return f"A fault of the program ({error!r}): abort this attempt, and report it. All that is entered is kept."


def _is_on(reading: Reading) -> bool:
    return reading.quality is Quality.GOOD and reading.value >= 0.5


def _shown(outputs: Mapping[str, Reading]) -> frozenset[str] | None:
    """Return what the modules show as on; None where one of them does not answer."""
    if any(reading.quality is not Quality.GOOD for reading in outputs.values()):
        return None
    return frozenset(name for name, reading in outputs.items() if reading.value >= 0.5)

"""Record commands: what people decide, checked, written to the ledger as new versions, and kept for planning."""

import asyncio
import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.clock import Clock
from daemon.decisions.base import Decision
from daemon.evidence import Evidence
from daemon.ledger.errors import LedgerError
from daemon.ledger.in_force import DecisionError, InForce, model_of, parse_decision, read_in_force
from daemon.messages import Answer
from daemon.site import Plant

if TYPE_CHECKING:
    from daemon.ledger.writer import Ledger  # heavy: the safe outputs are written before it is imported

_FIELDS = frozenset({"kind", "key", "body", "expected_version"})


@dataclass(frozen=True, slots=True)
class Asked:
    """One decision that somebody asks to be recorded, or to be removed."""

    kind: str
    key: str
    decision: Decision | None
    """None removes it."""
    expected_version: int | None
    """The version that they have seen, 0 for none; None where it does not matter."""

    @property
    def name(self) -> tuple[str, str]:
        """Kind and key."""
        return self.kind, self.key


@dataclass(frozen=True, slots=True)
class RecordRequest:
    """A record command: decisions that are recorded together or not at all. The id makes it idempotent."""

    id: str
    who: str
    decisions: tuple[Asked, ...]


def parse_request(request: Mapping[str, Any]) -> RecordRequest:
    """Return a record command from its form on the socket.

    That is an id, who, and decisions: a list of kind, key, body and perhaps expected_version. A body that is null
    removes the decision. Raises DecisionError with every problem in it.
    """
    asked: list[Asked] = []
    problems = [
        f"{name}: got {request.get(name)!r}; expected 1 to 64 printable characters"
        for name in ("id", "who")
        if not _is_name(request.get(name))
    ]
    given = request.get("decisions")
    if not isinstance(given, list) or not given:
        raise DecisionError(f"decisions: got {given!r}; expected a list of decisions, each with kind, key and body")
    for number, item in enumerate(given):
        try:
            asked.append(_parse_asked(item))
        except DecisionError as error:
            problems.append(str(error) if len(given) == 1 else f"decision {number + 1} of {len(given)}: {error}")
    names = [one.name for one in asked]
    problems += [f"{kind}.{key}: got it twice; expected it once" for kind, key in sorted(_twice(names))]
    if problems:
        raise DecisionError("\n".join(problems))
    return RecordRequest(str(request["id"]), str(request["who"]), tuple(asked))


def _is_name(value: Any) -> bool:
    return isinstance(value, str) and 0 < len(value) <= 64 and value.isprintable()


def _twice(names: Sequence[tuple[str, str]]) -> set[tuple[str, str]]:
    return {name for name in names if names.count(name) > 1}


def _parse_asked(item: Any) -> Asked:
    if not isinstance(item, dict) or not item.keys() <= _FIELDS:
        got = f"the keys {', '.join(map(str, item))}" if isinstance(item, dict) else repr(item)
        raise DecisionError(f"got {got}; expected kind, key, body and perhaps expected_version")
    kind, key, expected = str(item.get("kind")), str(item.get("key")), item.get("expected_version")
    if expected is not None and (type(expected) is not int or expected < 0):
        raise DecisionError(f"{kind}.{key}: got expected_version {expected!r}; expected a whole number, 0 for none")
    if "body" in item and item["body"] is None:
        model_of(kind, key)
        return Asked(kind, key, None, expected)
    return Asked(kind, key, parse_decision(kind, key, item.get("body")), expected)


class Decided:
    """The newest version of every decision, and the way to newer ones. One record command after the other."""

    def __init__(self, plant: Plant, ledger: "Ledger", clock: Clock) -> None:
        self._plant = plant
        self._ledger = ledger
        self._clock = clock
        self._one_by_one = asyncio.Lock()
        self._in_force = InForce({}, {})

    @property
    def newest(self) -> Mapping[tuple[str, str], Decision]:
        """The decisions in force; a newer one comes with a new mapping."""
        return self._in_force.decisions

    def version_of(self, kind: str, key: str) -> int:
        """Return the newest version of a decision, its removal counted; 0 for one that was never recorded."""
        return self._in_force.versions.get((kind, key), 0)

    def load(self, path: Path) -> tuple[str, ...]:
        """Read the newest decisions from the ledger at `path`; return why some cannot be read."""
        self._in_force = read_in_force(path)
        return self._in_force.unread

    async def record(self, request: Mapping[str, Any], rows: Sequence[Evidence] = ()) -> Answer:
        """Record decisions, all or none, with `rows` of evidence, and restate the doses that a corrected mix changes.

        A request whose id was recorded before is answered as then. Raises DecisionError, or LedgerError when it cannot
        be written.
        """
        from daemon.runtime.recording import record

        asked = parse_request(request)
        loop = asyncio.get_running_loop()

        def then(versions: tuple[int, ...]) -> None:
            with contextlib.suppress(RuntimeError):  # the loop may have closed before the ledger
                loop.call_soon_threadsafe(self._take, asked, versions)

        async with self._one_by_one:
            stamp = self._clock.stamp()
            recorded = await asyncio.to_thread(
                record, self._ledger, self._plant, self._in_force, asked, stamp, rows, then=then
            )
            self._take(asked, recorded.versions)
        return recorded.answer

    def _take(self, asked: RecordRequest, versions: Sequence[int]) -> None:
        """Put decisions into force. A commit that took its time may come after a newer version."""
        before = self._in_force
        newer = {
            one.name: (one.decision, version)
            for one, version in zip(asked.decisions, versions, strict=False)  # none for what was recorded before
            if version > before.versions.get(one.name, 0)
        }
        if newer:
            kept = {name: decision for name, decision in before.decisions.items() if name not in newer}
            new = {name: decision for name, (decision, _) in newer.items() if decision is not None}
            self._in_force = InForce(
                {**kept, **new},
                {**before.versions, **{name: version for name, (_, version) in newer.items()}},
                removed=(before.removed - newer.keys()) | (newer.keys() - new.keys()),
            )

    async def restate(self, run: str) -> int:
        """State the doses of a run that has ended anew where its tanks were changed since it was planned.

        Returns how many rows that took. Raises LedgerError when they cannot be written.
        """
        from daemon.runtime.recording import restate_run

        async with self._one_by_one:
            return await asyncio.to_thread(
                restate_run, self._ledger, self._plant, self._in_force.decisions, run, self._clock.stamp()
            )

    async def answer(self, request: dict[str, Any]) -> Answer:
        """Answer a record command from the local socket."""
        try:
            return await self.record(request)
        except (DecisionError, LedgerError) as error:
            return Answer(str(request.get("id", "")), False, str(error))

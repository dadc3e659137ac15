"""Record commands: what people decide, checked, written to the ledger as a new version, and kept for planning."""

import asyncio
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from daemon.clock import Clock
from daemon.decisions import KINDS, Decision
from daemon.messages import Answer

if TYPE_CHECKING:
    from daemon.ledger.writer import Ledger


class DecisionError(Exception):
    """A decision that cannot be taken as it is. Says where, what was got and what was expected."""

    code = "decision.invalid"


def parse_decision(kind: str, key: str, body: Any) -> Decision:
    """Return the decision. Raises DecisionError with every problem in it."""
    model = KINDS.get(kind)
    if model is None:
        raise DecisionError(f"kind: got {kind!r}; expected one of {', '.join(sorted(KINDS))}")
    if not key.isidentifier():
        raise DecisionError(f"{kind}: got the name {key!r}; expected letters, digits and underscores")
    try:
        return model.model_validate(body)
    except ValidationError as error:
        lines = []
        for item in error.errors(include_url=False):
            where = ".".join((kind, key, *(str(part) for part in item["loc"])))
            got = "nothing" if item["type"] == "missing" else repr(item["input"])
            lines.append(f"{where}: got {got}; {item['msg']}")
        raise DecisionError("\n".join(lines)) from error


class Decided:
    """The newest version of every decision, and the way to a newer one."""

    def __init__(self, ledger: "Ledger", clock: Clock) -> None:
        self._ledger = ledger
        self._clock = clock
        self.newest: dict[tuple[str, str], Decision] = {}

    def load(self, path: Path) -> None:
        """Read the newest decisions from the ledger at `path`."""
        from daemon.ledger.reports import latest_decisions

        for row in latest_decisions(path):
            self.newest[row.kind, row.key] = parse_decision(row.kind, row.key, json.loads(row.body))

    async def record(self, kind: str, key: str, body: Any, who: str) -> int:
        """Write one decision and return its version. Raises DecisionError, or LedgerError when it cannot be written."""
        decision = parse_decision(kind, key, body)
        text = json.dumps(decision.model_dump(mode="json"), sort_keys=True, separators=(",", ":"))
        version = await asyncio.to_thread(self._ledger.record_decision, kind, key, text, who, self._clock.stamp())
        self.newest[kind, key] = decision
        return version

    async def answer(self, request: dict[str, Any]) -> Answer:
        """Answer a record command from the local socket: id, who, kind, key, body."""
        from daemon.ledger.errors import LedgerError

        request_id = str(request.get("id", ""))
        try:
            kind, key = str(request.get("kind")), str(request.get("key"))
            version = await self.record(kind, key, request.get("body"), str(request.get("who", "")))
        except (DecisionError, LedgerError) as error:
            return Answer(request_id, False, str(error))
        return Answer(request_id, True, f"{kind} {key} recorded as version {version}.")

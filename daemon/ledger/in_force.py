"""The decisions in force: read from the record, each checked as it was when it was taken."""

import json
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from daemon.decisions.base import Decision, Sorted
from daemon.decisions.kinds import KINDS
from daemon.site_file import explain


class DecisionError(Exception):
    """A decision that cannot be taken as it is. Says where, what was got and what was expected."""

    code = "decision.invalid"


@dataclass(frozen=True, slots=True)
class InForce:
    """The newest version of every decision."""

    decisions: Mapping[tuple[str, str], Decision]
    versions: Mapping[tuple[str, str], int]
    """Those that were removed, and those that this release cannot read, among them."""
    unread: tuple[str, ...] = ()
    """Why each of those cannot be read."""
    removed: frozenset[tuple[str, str]] = frozenset()
    """Those whose newest version is their removal."""


class InForceReader:
    """Reads the decisions in force, anew once there are others. For any thread."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._read: tuple[str, InForce] = ("", InForce({}, {}))

    def newest(self) -> InForce:
        """Return them, as `read_in_force` does; no caller may change them. Raises LedgerError."""
        from daemon.ledger.reports import newest_decision

        with self._lock:
            mark = newest_decision(self._path)
            if mark != self._read[0]:
                self._read = mark, read_in_force(self._path)
            return self._read[1]


def parse_decision(kind: str, key: str, body: Any) -> Decision:
    """Return the decision. Raises DecisionError with every problem in it."""
    model = model_of(kind, key)
    try:
        return model.model_validate(body)
    except ValidationError as error:
        raise DecisionError("\n".join(map(str, explain(error, model, f"{kind}.{key}")))) from error


def model_of(kind: str, key: str) -> type[Decision]:
    """Return the model of a kind. Raises DecisionError for an unknown kind, and for a key that is no name."""
    model = KINDS.get(kind)
    if model is None:
        raise DecisionError(f"kind: got {kind!r}; expected one of {', '.join(sorted(KINDS))}")
    if not key.isidentifier():
        raise DecisionError(f"{kind}: got the name {key!r}; expected letters, digits and underscores")
    return model


def read_in_force(path: Path) -> InForce:
    """Return the newest decisions of the ledger at `path`. Raises LedgerError when it cannot be read.

    One that was removed is left out. So is one that this release cannot read, and it is told: what needs it is refused
    until it is decided again.
    """
    from daemon.ledger.reports import latest_decisions  # heavy: the safe outputs are written before it is imported

    decisions: dict[tuple[str, str], Decision] = {}
    versions: dict[tuple[str, str], int] = {}
    unread: list[str] = []
    removed: set[tuple[str, str]] = set()
    for row in latest_decisions(path):
        versions[row.kind, row.key] = row.version
        body = json.loads(row.body)
        if body is None:
            removed.add((row.kind, row.key))
            continue
        try:
            decisions[row.kind, row.key] = parse_decision(row.kind, row.key, body)
        except DecisionError as error:
            unread.append(f"{row.kind} {row.key} is of another release and not in force; decide it again. {error}")
    return InForce(Sorted(decisions), versions, tuple(unread), frozenset(removed))

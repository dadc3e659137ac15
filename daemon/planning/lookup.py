"""Find what people decided by its name, or say which names are known."""

from datetime import date
from typing import TypeVar

from daemon.decisions.base import Decision, Decisions, of_kind
from daemon.decisions.crops import Cycle
from daemon.planning.checks import refused

Kind = TypeVar("Kind", bound=Decision)


def find(decisions: Decisions, kind: type[Kind], key: str) -> Kind:
    """Return one decision. Raises PlanError with the names that are known."""
    found = decisions.get((kind.kind, key))
    if isinstance(found, kind):
        return found
    known = sorted(name for known_kind, name in decisions if known_kind == kind.kind)
    raise refused(kind.kind, f"no {kind.kind} named {key!r}; known: {', '.join(known) or 'none yet'}")


def cycle_on(decisions: Decisions, block: str, day: date) -> Cycle | None:
    """Return the crop cycle of a block on a day of the site's zone; None between two cycles."""
    cycles = (cycle for cycle in of_kind(decisions, Cycle).values() if block in cycle.blocks)
    return next((cycle for cycle in cycles if cycle.starts <= day <= cycle.ends), None)

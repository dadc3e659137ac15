"""Alarms: those that stand, those that were, and the matrix that they come from."""

from typing import Any

from fastapi import APIRouter

from api.access.guard import VIEW
from api.farm import TheFarm, moment
from api.shapes import Cursor, Limit, Moment, Page, Seconds, Shape
from daemon.control.interlocks import MATRIX
from daemon.ledger.errors import LedgerMissing
from daemon.ledger.reports import alarms_before

router = APIRouter(tags=["alarms"])


class PastAlarm(Shape):
    """An alarm of the record."""

    code: str
    raised: Moment
    cleared: Moment | None
    """Null while its cause is there or waits for its reset."""
    effect: str
    latched: bool


class OneCause(Shape):
    """A row of the cause-and-effect matrix."""

    code: str
    effect: str
    phases: list[str]
    delay_s: Seconds
    latched: bool
    reset: str
    priority: str
    meaning: str
    likely: str
    check: str


@router.get("/alarms", **VIEW)
def standing(farm: TheFarm) -> list[dict[str, Any]]:
    """Return what stands, as the controller last said; acknowledge and shelve are commands."""
    heard = farm.link.heard
    return [] if heard is None else heard.snapshot.alarms


@router.get("/alarms/history", **VIEW)
def past(farm: TheFarm, cursor: Cursor = None, limit: Limit = 50) -> Page[PastAlarm]:
    """Return the alarms of the record, the newest first."""
    try:
        found = alarms_before(farm.ledger, limit + 1, int(cursor) if cursor is not None else 2**63 - 1)
    except LedgerMissing:
        found = ()
    shown = found[:limit]
    items = [
        PastAlarm(
            code=raised.row.code,
            raised=moment(raised.at_ms),
            cleared=None if cleared_ms is None else moment(cleared_ms),
            effect=raised.row.effect,
            latched=raised.row.latched,
        )
        for raised, cleared_ms in shown
    ]
    return Page(items=items, next=str(shown[-1][0].seq) if len(found) > limit else None)


@router.get("/interlocks", **VIEW)
def matrix(farm: TheFarm) -> list[OneCause]:
    """Return the matrix as it stands on this site."""
    site = farm.plant.site
    return [
        OneCause(
            code=row.code,
            effect=row.effect.name,
            phases=sorted(phase.value if phase is not None else "none" for phase in row.phases),
            delay_s=row.delay_s(site),
            latched=row.latched,
            reset=row.reset.value,
            priority=row.priority.name,
            meaning=row.meaning,
            likely=row.likely,
            check=row.check,
        )
        for row in MATRIX
    ]

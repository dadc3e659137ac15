"""Readings over time: thinned for charts, or all of them as CSV."""

import sqlite3
from collections.abc import Iterator
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import StreamingResponse

from api.access.guard import VIEW
from api.farm import Farm, TheFarm, moment
from api.problems import Refused
from api.shapes import Moment, Shape
from api.sheet import sheet
from daemon.decisions.base import Instant
from daemon.ledger import readings

router = APIRouter(prefix="/readings", tags=["readings"])
_Point = Annotated[
    str,
    Query(
        pattern=r"^[a-z0-9_.]{1,60}$", description="Name of a point, as /v1/readings has them.", examples=["flow_m3_h"]
    ),
]
_From = Annotated[Instant | None, Query(alias="from", description="With its offset; a day before `to` by default.")]
_To = Annotated[Instant | None, Query(description="With its offset; now by default.")]
_DAY_MS = 86_400_000
_UNITS = {"_m3_h": "m3/h", "_kpa": "kPa", "_ms_cm": "mS/cm", "_l": "L"}


class OnePoint(Shape):
    """A point that has readings."""

    point: str
    unit: str
    """UCUM's."""


class OneMoment(Shape):
    """A part of the span."""

    at: Moment
    least: float
    mean: float
    most: float


class Series(Shape):
    """A point over a span."""

    point: str
    unit: str
    values: list[OneMoment]
    """In order; parts without readings are left out."""


@router.get("", **VIEW)
def points(farm: TheFarm) -> list[OnePoint]:
    """Return the points that have readings."""
    try:
        return [OnePoint(point=name, unit=_unit(name)) for name in readings.points(farm.history)]
    except sqlite3.Error:
        raise _unreadable() from None


@router.get("/series", **VIEW)
def series(
    farm: TheFarm,
    point: _Point,
    from_: _From = None,
    to: _To = None,
    parts: Annotated[int, Query(ge=1, le=2000, description="At most so many parts.")] = 500,
) -> Series:
    """Return a point over a span, thinned to at most so many parts with their least, mean and highest value."""
    from_ms, to_ms = _span(farm, from_, to)
    try:
        found = readings.thinned(farm.history, point, from_ms, to_ms, parts)
    except sqlite3.Error:
        raise _unreadable() from None
    values = [OneMoment(at=moment(at_ms), least=least, mean=mean, most=most) for at_ms, least, mean, most in found]
    return Series(point=point, unit=_unit(point), values=values)


@router.get("/series.csv", response_class=StreamingResponse, **VIEW)
def series_csv(farm: TheFarm, point: _Point, from_: _From = None, to: _To = None) -> StreamingResponse:
    """Return all of a point's readings over a span, as CSV."""
    from_ms, to_ms = _span(farm, from_, to)
    return sheet(f"{point}", ("at (UTC)", f"{point} ({_unit(point)})"), _rows(farm, point, from_ms, to_ms))


def _rows(farm: Farm, point: str, from_ms: int, to_ms: int) -> Iterator[tuple[object, ...]]:
    for page in readings.pages(farm.history, point, from_ms, to_ms):
        for at_ms, value in page:
            yield moment(at_ms).isoformat(timespec="milliseconds"), value


def _span(farm: Farm, from_: datetime | None, to: datetime | None) -> tuple[int, int]:
    end_ms = farm.now_ms() if to is None else round(to.timestamp() * 1000.0)
    return end_ms - _DAY_MS if from_ is None else round(from_.timestamp() * 1000.0), end_ms


def _unit(point: str) -> str:
    return next((unit for end, unit in _UNITS.items() if point.endswith(end)), "1")


def _unreadable() -> Refused:
    return Refused(409, "history.unreadable", "The readings cannot be read now. The record of doses is another file.")

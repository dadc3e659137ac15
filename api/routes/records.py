"""What an auditor asks for: the application record of a year, and the tests that it rests on."""

import json
from collections.abc import Iterator
from datetime import date, datetime, time
from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import StreamingResponse

from api.access.guard import VIEW
from api.farm import Farm, TheFarm
from api.routes.runs import ended_runs
from api.shapes import CubicMetres, Hectares, Kilograms, Moment, Shape
from api.sheet import Table, printed, sheet
from daemon.agronomy.application import OXIDES, Given, applications
from daemon.agronomy.tank import log_of
from daemon.decisions.base import of_kind
from daemon.decisions.measured import Calibration, Curve, Transit
from daemon.decisions.tanks import BucketTest, JarTest
from daemon.planning.timetable import instant
from daemon.recipe import parse_recipe

router = APIRouter(tags=["records"])
_Year = Annotated[int | None, Query(ge=2020, le=2200, description="The year in which it starts; this one by default.")]
_Starts = Annotated[
    str,
    Query(
        pattern=r"^(0[1-9]|1[0-2])-(0[1-9]|1[0-9]|2[0-8])$",
        description="First day of the year, as MM-DD.",
        examples=["07-01"],
    ),
]
_HEADS = (
    "began", "block", "area (ha)", "crop", "product", "product (kg)", "lots", "N (kg)", "P (kg)", "P2O5 (kg)", "K (kg)",
    "K2O (kg)", "N, k=2 (kg)", "water (m3)", "method", "person", "run",
)  # fmt: skip


class OneApplication(Shape):
    """What one product brought to one block in one run. Nutrients and water are told with a block's first product."""

    began: Moment
    run: str
    block: str
    area_ha: Hectares
    crop: str
    product: str
    product_kg: Kilograms
    lots: list[str]
    nutrients_kg: dict[str, Kilograms]
    """Elemental."""
    u_nutrients_kg: dict[str, Kilograms]
    water_m3: CubicMetres
    method: str
    person: str
    """Who made up the tank."""


class OneTest(Shape):
    """A test or measurement that doses rest on. It is a decision, and recorded as such."""

    kind: str
    key: str
    body: dict[str, Any]


@router.get("/applications", **VIEW)
def application_record(farm: TheFarm, year: _Year = None, starts: _Starts = "01-01") -> list[OneApplication]:
    """Return the application record of a year, the newest first."""
    return [
        OneApplication(
            began=given.at,
            run=given.run,
            block=given.block,
            area_ha=given.area_ha,
            crop=given.crop,
            product=given.product,
            product_kg=given.product_kg,
            lots=list(given.lots),
            nutrients_kg=dict(given.nutrients_kg),
            u_nutrients_kg=dict(given.u_nutrients_kg),
            water_m3=given.water_m3,
            method=given.method,
            person=given.person,
        )
        for given in _of_year(farm, year, starts)
    ]


@router.get("/applications.csv", response_class=StreamingResponse, **VIEW)
def application_csv(farm: TheFarm, year: _Year = None, starts: _Starts = "01-01") -> StreamingResponse:
    """Return the same as CSV, with the oxides that labels use."""
    return sheet("applications", _HEADS, (_row(given) for given in _of_year(farm, year, starts)))


@router.get("/applications.html", response_class=StreamingResponse, **VIEW)
def application_print(farm: TheFarm, year: _Year = None, starts: _Starts = "01-01") -> StreamingResponse:
    """Return the same as a page to print."""
    rows = [_row(given) for given in _of_year(farm, year, starts)]
    note = f"{len(rows)} lines, the newest first. Nutrients and water are told with a block's first product in a run."
    return printed(f"{farm.plant.site.site.name}: application record", Table(note, _HEADS, rows))


@router.get("/tests", **VIEW)
def tests(farm: TheFarm) -> list[OneTest]:
    """Return the tests in force: buckets, jars, transits and calibrations."""
    decisions = farm.in_force().decisions
    return [
        OneTest(kind=model.kind, key=key, body=found.model_dump(mode="json"))
        for model in (BucketTest, JarTest, Transit, Calibration, Curve)
        for key, found in of_kind(decisions, model).items()
    ]


def _of_year(farm: Farm, year: int | None, starts: str) -> Iterator[Given]:
    today = farm.clock.stamp().utc.astimezone(farm.zone).date()
    month, day = map(int, starts.split("-"))
    first = date(year if year is not None else _year_of(today, month, day), month, day)
    end = date(first.year + 1, month, day)
    decisions = farm.in_force().decisions
    logs = {tank: log_of(tank, decisions) for tank in farm.plant.site.tank}
    from_ms, before_ms = (
        round(1e3 * instant(datetime.combine(day, time()), farm.zone).timestamp()) for day in (first, end)
    )
    for report in ended_runs(farm, from_ms, before_ms):
        began = datetime.fromtimestamp(report.started.at_ms / 1000.0, farm.zone)
        if report.ended is None:
            continue
        recipe = parse_recipe(json.loads(report.started.row.recipe))
        water_m3 = report.ended.row.water_ml / 1e6
        yield from applications(recipe, began, water_m3, report.by_channel, logs, decisions)


def _year_of(today: date, month: int, day: int) -> int:
    return today.year if today >= date(today.year, month, day) else today.year - 1


def _row(given: Given) -> tuple[object, ...]:
    found = given.nutrients_kg
    n, p, k = (found.get(name, 0.0) for name in ("N", "P", "K"))
    return (
        given.at.isoformat(timespec="minutes"), given.block, given.area_ha, given.crop, given.product,
        round(given.product_kg, 3), "; ".join(given.lots), round(n, 3), round(p, 3), round(p * OXIDES["P"], 3),
        round(k, 3), round(k * OXIDES["K"], 3), round(given.u_nutrients_kg.get("N", 0.0), 3),
        round(given.water_m3, 3), given.method, given.person, given.run,
    )  # fmt: skip

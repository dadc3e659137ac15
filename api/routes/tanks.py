"""Tanks: what is in each, what was drawn since, and everything that was done to it."""

from typing import Annotated, Any

from fastapi import APIRouter, Path

from api.access.guard import VIEW, allow
from api.access.roles import ANYBODY
from api.farm import Farm, TheFarm, known
from api.shapes import GramsPerLitre, Litres, Moment, Percent, Shape
from daemon.ledger.errors import LedgerMissing
from daemon.ledger.tank_now import TankNow, tank_now

router = APIRouter(prefix="/tanks", tags=["tanks"])
_Tank = Annotated[str, Path(pattern=r"^[a-z][a-z0-9_]{0,23}$", examples=["a"])]


class TankEntry(Shape):
    """One thing that was done to a tank. It is a decision of the kind `mix`, and corrected as such."""

    key: str
    mix: dict[str, Any]
    litres_after: Litres | None
    why_unknown: str


class OneTank(Shape):
    """A tank."""

    name: str
    volume_l: Litres
    stock: str | None
    """The stock solution that it holds; null where it is empty, or nobody can tell."""
    batch: str | None
    since: Moment | None
    litres_then: Litres | None
    drawn_l: Litres
    """Since then, by the record."""
    products_g_l: dict[str, GramsPerLitre]
    nutrients_g_l: dict[str, GramsPerLitre]
    """Elemental."""
    strength_k2_pct: Percent | None
    ec_from: str | None
    why_unknown: str
    warnings: list[str]


class WholeTank(OneTank):
    """The same with its log."""

    log: list[TankEntry]


@router.get("", **VIEW)
def tanks(farm: TheFarm) -> list[OneTank]:
    """Return all tanks."""
    return [OneTank(**_shown(found_now(farm, name))) for name in farm.plant.site.tank]


@router.get("/{tank}", **allow(ANYBODY, statuses=(404,)))
def one_tank(tank: _Tank, farm: TheFarm) -> WholeTank:
    """Return one tank with its log."""
    known(farm, "tank", tank, farm.plant.site.tank)
    found = found_now(farm, tank)
    log = [
        TankEntry(
            key=entry.key,
            mix=entry.mix.model_dump(mode="json"),
            litres_after=None if entry.contents is None else entry.contents.litres,
            why_unknown=entry.why_unknown,
        )
        for entry in found.log
    ]
    return WholeTank(**_shown(found), log=log)


def found_now(farm: Farm, name: str) -> TankNow:
    try:
        return tank_now(farm.plant, farm.ledger, farm.in_force().decisions, name)
    except LedgerMissing:
        return TankNow(name, farm.plant.site.tank[name].volume_l, (), 0.0, ())


def _shown(tank: TankNow) -> dict[str, Any]:
    held = tank.contents
    return {
        "name": tank.name,
        "volume_l": tank.volume_l,
        "stock": None if held is None else held.stock,
        "batch": None if held is None else held.batch,
        "since": None if held is None else held.since,
        "litres_then": None if held is None else held.litres,
        "drawn_l": tank.drawn_l,
        "products_g_l": {} if held is None else dict(held.products_g_l),
        "nutrients_g_l": {} if held is None else dict(held.nutrients_g_l),
        "strength_k2_pct": None if held is None else held.strength_accuracy_pct,
        "ec_from": None if held is None else held.ec_from,
        "why_unknown": tank.why_unknown if held is None else "",
        "warnings": list(tank.warnings),
    }

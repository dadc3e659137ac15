"""The season's account: a crop cycle by block and product, as JSON, CSV and a page to print; and seasons compared."""

from collections.abc import Iterator
from datetime import date
from typing import Annotated, Literal

from fastapi import APIRouter, Path
from fastapi.responses import StreamingResponse

from api.access.guard import VIEW, allow
from api.access.roles import ANYBODY
from api.farm import TheFarm
from api.problems import Refused
from api.season import season_now, seasons_compared
from api.shapes import KgPerHectare, Kilograms, Moment, Percent, Shape
from api.sheet import Table, printed, sheet
from daemon.agronomy.budget import Account
from daemon.agronomy.stages import RecommendationError
from daemon.agronomy.stock_account import ProductAccount
from daemon.planning.season import Season

router = APIRouter(prefix="/seasons", tags=["season"])
_Cycle = Annotated[str, Path(pattern=r"^[a-z][a-z0-9_]{0,39}$", description="Key of the crop cycle's decision.")]
_ONE = allow(ANYBODY, statuses=(404, 409))
_BLOCK_HEADS = (
    "block", "nutrient (elemental)", "recommended (kg/ha)", "planned (kg/ha)", "delivered (kg/ha)",
    "delivered, k=2 (kg/ha)", "in lines (kg/ha)", "other sources (kg/ha)", "nitrate in water (kg/ha)",
    "had towards the recommendation (kg/ha)", "left (kg/ha)", "caps (used of kg/ha)", "water (m3/ha)",
)  # fmt: skip
_PRODUCT_HEADS = (
    "product", "in shed before (kg)", "bought (kg)", "mixed (kg)", "left in shed (kg)", "counts above book (kg)",
    "in tanks before (kg)", "injected (kg)", "drained (kg)", "left in tanks (kg)", "unaccounted for (kg)",
    "unaccounted for (%)", "unaccounted for, k=2 (kg)", "closes",
)  # fmt: skip
_RISK_HEADS = ("night", "block", "why", "figure")
_WHY = {
    "flush": "% of the injected stayed in the lines",
    "rain": "mm of rain soon after",
    "water": "% more water than planned",
    "depth": "mm more water than the roots' depth holds",
}
_COMPARED_HEADS = (
    "cycle", "crop", "starts", "block", "nutrient (elemental)", "planned (kg/ha)", "delivered (kg/ha)",
    "water (m3/ha)", "runs",
)  # fmt: skip


class OneCap(Shape):
    """What a cap has let through so far; of a cycle that is on today."""

    cap: str
    used_kg_ha: KgPerHectare
    most_kg_ha: KgPerHectare


class OneAccount(Shape):
    """One nutrient on one block in the cycle."""

    block: str
    nutrient: str
    """Elemental."""
    recommended_kg_ha: KgPerHectare
    planned_kg_ha: KgPerHectare
    delivered_kg_ha: KgPerHectare
    u_delivered_kg_ha: KgPerHectare
    """k = 2."""
    in_lines_kg_ha: KgPerHectare
    other_kg_ha: KgPerHectare
    nitrate_kg_ha: KgPerHectare
    had_kg_ha: KgPerHectare
    left_kg_ha: KgPerHectare
    caps: list[OneCap]


class OneProduct(Shape):
    """One product over the days of the cycle, on the whole farm; kilograms as weighed."""

    product: str
    shed_before_kg: Kilograms | None
    bought_kg: Kilograms
    mixed_kg: Kilograms
    shed_left_kg: Kilograms | None
    counted_off_kg: Kilograms | None
    tanks_before_kg: Kilograms
    injected_kg: Kilograms
    drained_kg: Kilograms
    in_tanks_kg: Kilograms
    unaccounted_kg: Kilograms
    unaccounted_pct: Percent
    u_unaccounted_kg: Kilograms
    """k = 2."""
    closes: bool
    """Whether what is unaccounted for is within its k = 2."""


class OneRisk(Shape):
    """A night on which something may have been lost."""

    night: date
    block: str
    why: Literal["flush", "rain", "water", "depth"]
    figure: float
    """Percent of the injected that stayed in the lines; mm of rain; percent of water above the plan; mm of water above
    what the roots' depth holds."""


class OneSeason(Shape):
    """A crop cycle's account."""

    cycle: str
    crop: str
    starts: date
    ends: date
    accounts: list[OneAccount]
    water_m3_ha: dict[str, float]
    products: list[OneProduct]
    products_from: Moment
    """The cycle's first moment, or when the record began."""
    untold: list[str]
    risks: list[OneRisk]


class OneCompared(Shape):
    """One block in one crop cycle."""

    cycle: str
    crop: str
    starts: date
    block: str
    planned_kg_ha: dict[str, KgPerHectare]
    delivered_kg_ha: dict[str, KgPerHectare]
    water_m3_ha: float
    runs: int


@router.get("", **VIEW)
def seasons(farm: TheFarm) -> list[OneCompared]:
    """Return every block in every crop cycle, the newest cycle first, for comparing."""
    return [
        OneCompared(
            cycle=one.cycle,
            crop=one.crop,
            starts=one.starts,
            block=one.block,
            planned_kg_ha=dict(one.planned_kg_ha),
            delivered_kg_ha=dict(one.delivered_kg_ha),
            water_m3_ha=one.water_m3_ha,
            runs=one.runs,
        )
        for one in seasons_compared(farm)
    ]


@router.get("/compared.csv", response_class=StreamingResponse, **VIEW)
def compared_csv(farm: TheFarm) -> StreamingResponse:
    """Return the same as CSV, a line for each nutrient."""
    rows = (
        (
            one.cycle, one.crop, one.starts, one.block, nutrient, _kg(one.planned_kg_ha.get(nutrient, 0.0)), _kg(kg_ha),
            round(one.water_m3_ha, 1), one.runs,
        )
        for one in seasons_compared(farm)
        for nutrient, kg_ha in one.delivered_kg_ha.items()
    )  # fmt: skip
    return sheet("seasons", _COMPARED_HEADS, rows)


@router.get("/{cycle}", **_ONE)
def one_season(cycle: _Cycle, farm: TheFarm) -> OneSeason:
    """Return the account of one crop cycle."""
    season = _season(farm, cycle)
    return OneSeason(
        cycle=season.key,
        crop=season.cycle.crop,
        starts=season.cycle.starts,
        ends=season.cycle.ends,
        accounts=[_account(account) for account in season.accounts],
        water_m3_ha=dict(season.water_m3_ha),
        products=[_product(product) for product in season.products],
        products_from=season.products_from,
        untold=list(season.untold),
        risks=[OneRisk(night=risk.night, block=risk.block, why=risk.why, figure=risk.figure) for risk in season.risks],
    )


@router.get("/{cycle}/blocks.csv", response_class=StreamingResponse, **_ONE)
def blocks_csv(cycle: _Cycle, farm: TheFarm) -> StreamingResponse:
    """Return its blocks as CSV."""
    return sheet("season_blocks", _BLOCK_HEADS, _block_rows(_season(farm, cycle)))


@router.get("/{cycle}/products.csv", response_class=StreamingResponse, **_ONE)
def products_csv(cycle: _Cycle, farm: TheFarm) -> StreamingResponse:
    """Return its products as CSV."""
    return sheet("season_products", _PRODUCT_HEADS, _product_rows(_season(farm, cycle)))


@router.get("/{cycle}/print.html", response_class=StreamingResponse, **_ONE)
def season_print(cycle: _Cycle, farm: TheFarm) -> StreamingResponse:
    """Return the whole account as a page to print."""
    season = _season(farm, cycle)
    title = f"{farm.plant.site.site.name}: account of {season.cycle.crop}, {season.cycle.starts} to {season.cycle.ends}"
    since = season.products_from.astimezone(farm.zone).isoformat(timespec="minutes")
    untold = "".join(f" Not told: {why}." for why in season.untold)
    return printed(
        title,
        Table(
            "By block and nutrient. Elemental; delivered is by the meters, with its k = 2.",
            _BLOCK_HEADS,
            _block_rows(season),
        ),
        Table(
            f"Products of the whole farm from {since} on, in kg as weighed.{untold}",
            _PRODUCT_HEADS,
            _product_rows(season),
        ),
        Table("Nights on which something may have been lost.", _RISK_HEADS, _risk_rows(season)),
    )


def _season(farm: TheFarm, cycle: str) -> Season:
    try:
        return season_now(farm, cycle)
    except RecommendationError as error:
        raise Refused(409, "season.recommendation", str(error)) from error


def _account(one: Account) -> OneAccount:
    return OneAccount(
        block=one.block,
        nutrient=one.nutrient,
        recommended_kg_ha=one.recommended_kg_ha,
        planned_kg_ha=one.planned_kg_ha,
        delivered_kg_ha=one.delivered_kg_ha,
        u_delivered_kg_ha=one.u_kg_ha,
        in_lines_kg_ha=one.in_lines_kg_ha,
        other_kg_ha=one.other_kg_ha,
        nitrate_kg_ha=one.nitrate_kg_ha,
        had_kg_ha=one.had_kg_ha,
        left_kg_ha=one.left_kg_ha,
        caps=[
            OneCap(cap=room.key, used_kg_ha=room.used_kg / room.area_ha, most_kg_ha=room.cap.kg_ha) for room in one.caps
        ],
    )


def _product(one: ProductAccount) -> OneProduct:
    return OneProduct(
        product=one.product,
        shed_before_kg=one.shed_before_kg,
        bought_kg=one.bought_kg,
        mixed_kg=one.mixed_kg,
        shed_left_kg=one.shed_left_kg,
        counted_off_kg=one.counted_off_kg,
        tanks_before_kg=one.tanks_before_kg,
        injected_kg=one.injected_kg,
        drained_kg=one.drained_kg,
        in_tanks_kg=one.in_tanks_kg,
        unaccounted_kg=one.unaccounted_kg,
        unaccounted_pct=one.unaccounted_pct,
        u_unaccounted_kg=one.u_kg,
        closes=one.closes,
    )


def _block_rows(season: Season) -> Iterator[tuple[object, ...]]:
    for one in season.accounts:
        caps = "; ".join(f"{room.key}: {room.used_kg / room.area_ha:.1f} of {room.cap.kg_ha:g}" for room in one.caps)
        yield (
            one.block, one.nutrient, _kg(one.recommended_kg_ha), _kg(one.planned_kg_ha), _kg(one.delivered_kg_ha),
            _kg(one.u_kg_ha), _kg(one.in_lines_kg_ha), _kg(one.other_kg_ha), _kg(one.nitrate_kg_ha),
            _kg(one.had_kg_ha), _kg(one.left_kg_ha) if one.recommended_kg_ha else "", caps,
            round(season.water_m3_ha.get(one.block, 0.0), 1),
        )  # fmt: skip


def _product_rows(season: Season) -> Iterator[tuple[object, ...]]:
    for one in season.products:
        yield (
            one.product, _kg(one.shed_before_kg), _kg(one.bought_kg), _kg(one.mixed_kg), _kg(one.shed_left_kg),
            _kg(one.counted_off_kg), _kg(one.tanks_before_kg), _kg(one.injected_kg), _kg(one.drained_kg),
            _kg(one.in_tanks_kg), _kg(one.unaccounted_kg), round(one.unaccounted_pct, 1), _kg(one.u_kg),
            "yes" if one.closes else "no",
        )  # fmt: skip


def _risk_rows(season: Season) -> Iterator[tuple[object, ...]]:
    for risk in season.risks:
        yield risk.night, risk.block, _WHY[risk.why], round(risk.figure, 1)


def _kg(figure: float | None) -> float | str:
    return "" if figure is None else round(figure, 2)

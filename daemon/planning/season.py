"""A season's account: one crop cycle, block by block and product by product, and how well it closes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import product
from zoneinfo import ZoneInfo

from daemon.agronomy.budget import Account, accounts
from daemon.agronomy.past import NO_DOSES, Past, PastRun
from daemon.agronomy.stock_account import ProductAccount, product_accounts
from daemon.agronomy.tank import log_of
from daemon.decisions.base import NUTRIENTS, Decisions, of_kind
from daemon.decisions.crops import Cycle
from daemon.planning.losses import LossRisk, loss_risks
from daemon.planning.timetable import instant

FILLED_BEFORE = timedelta(days=120)
"""A tank that was filled so long before a cycle is what it begins with."""
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Season:
    """One crop cycle's account."""

    key: str
    cycle: Cycle
    accounts: tuple[Account, ...]
    """By block and nutrient."""
    water_m3_ha: Mapping[str, float]
    """By block, all of it."""
    products: tuple[ProductAccount, ...]
    """Of the whole farm, from `products_from` to the cycle's end."""
    products_from: datetime
    """The cycle's first moment; or when the record began, if that was later: nobody counted what was drawn before."""
    untold: tuple[str, ...]
    """Why parts of the products' accounts cannot be told."""
    risks: tuple[LossRisk, ...]
    """The newest first."""


@dataclass(frozen=True, slots=True)
class Compared:
    """One block in one crop cycle, beside others."""

    cycle: str
    crop: str
    starts: date
    block: str
    delivered_kg_ha: Mapping[str, float]
    """By nutrient, through the injector."""
    planned_kg_ha: Mapping[str, float]
    water_m3_ha: float
    runs: int


def days_of(cycle: Cycle, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """Return the first moment of a cycle in UTC, and the first after it."""
    first, end = (datetime.combine(day, time()) for day in (cycle.starts, cycle.ends + _DAY))
    return instant(first, zone), instant(end, zone)


def season_of(
    decisions: Decisions,
    key: str,
    cycle: Cycle,
    areas_ha: Mapping[str, float],
    tanks: Sequence[str],
    past: Past,
    runs: Sequence[PastRun],
    began: datetime,
    now: datetime,
) -> Season:
    """Return the account of a cycle; `now` is in the site's zone, and the record `began` at a moment.

    `past` and `runs` reach back at least to what the caps of today count, and to the filling before the cycle. Raises
    RecommendationError for a recommendation that does not fit its cycle.
    """
    zone = ZoneInfo(str(now.tzinfo))
    first, end = days_of(cycle, zone)
    logs = {tank: log_of(tank, decisions) for tank in tanks}
    drew = [run for run in runs if first - FILLED_BEFORE <= run.at < end]
    products_from = min(max(first, began), end)
    products, untold = product_accounts(decisions, logs, drew, products_from, end)
    ours = [run for run in runs if first - _DAY <= run.at < end + _DAY]
    doses = [
        dose
        for name, block in product(NUTRIENTS, cycle.blocks)
        for dose in past.doses_by_block(name, zone).get(block, NO_DOSES).between(cycle.starts, cycle.ends + _DAY).rows
    ]
    water = past.water_by_block(zone)
    return Season(
        key,
        cycle,
        accounts(decisions, areas_ha, past, now, of={key}),
        {
            block: sum(rows.between(cycle.starts, cycle.ends).amount for rows in water.get(block, {}).values())
            / areas_ha[block]
            for block in cycle.blocks
            if areas_ha.get(block)
        },
        products,
        products_from,
        untold,
        loss_risks(decisions, cycle, areas_ha, doses, ours, zone),
    )


def compared(decisions: Decisions, areas_ha: Mapping[str, float], past: Past, zone: ZoneInfo) -> tuple[Compared, ...]:
    """Return every block in every crop cycle, the newest cycle first. Hectares are those in use today."""
    found: list[Compared] = []
    cycles = sorted(of_kind(decisions, Cycle).items(), key=lambda item: (item[1].starts, item[0]), reverse=True)
    doses, water = {name: past.doses_by_block(name, zone) for name in NUTRIENTS}, past.water_by_block(zone)
    for key, cycle in cycles:
        for block in cycle.blocks:
            if not areas_ha.get(block):
                continue
            had = {
                name: by_block[block].between(cycle.starts, cycle.ends).rows
                for name, by_block in doses.items()
                if block in by_block
            }
            given = [rows.between(cycle.starts, cycle.ends) for rows in water.get(block, {}).values()]
            found.append(
                Compared(
                    key,
                    cycle.crop,
                    cycle.starts,
                    block,
                    {
                        name: sum(dose.delivered_kg for dose in rows) / areas_ha[block]
                        for name, rows in had.items()
                        if rows
                    },
                    {
                        name: sum(dose.planned_kg for dose in rows) / areas_ha[block]
                        for name, rows in had.items()
                        if rows
                    },
                    sum(rows.amount for rows in given) / areas_ha[block],
                    sum(len(rows.rows) for rows in given),
                )
            )
    return tuple(found)

"""A season's account as the record has it now, for pages and routes."""

from api.farm import Farm, known, moment
from daemon.agronomy.past import Past
from daemon.decisions.base import of_kind
from daemon.decisions.crops import Cycle
from daemon.ledger.errors import LedgerMissing
from daemon.ledger.reports import began_ms
from daemon.planning.field import areas_in_use
from daemon.planning.look_back import look_back_to
from daemon.planning.season import FILLED_BEFORE, Compared, Season, compared, days_of, season_of


def season_now(farm: Farm, key: str) -> Season:
    """Return the account of a cycle. Raises Refused, 404, for an unknown one, and RecommendationError."""
    decisions, now = farm.in_force().decisions, farm.clock.stamp().utc
    cycles = of_kind(decisions, Cycle)
    known(farm, "crop cycle", key, cycles)
    since = min(look_back_to(decisions, now), days_of(cycles[key], farm.zone)[0] - FILLED_BEFORE)
    try:
        past, runs, began = farm.past.past(since), farm.past.runs(since), moment(began_ms(farm.ledger))
    except LedgerMissing:
        past, runs, began = Past(), (), now
    areas_ha = areas_in_use(farm.plant.site, decisions)
    here = now.astimezone(farm.zone)
    return season_of(decisions, key, cycles[key], areas_ha, list(farm.plant.site.tank), past, runs, began, here)


def seasons_compared(farm: Farm) -> tuple[Compared, ...]:
    """Return every block in every crop cycle, the newest cycle first."""
    decisions = farm.in_force().decisions
    try:
        past = farm.past.past()
    except LedgerMissing:
        past = Past()
    return compared(decisions, areas_in_use(farm.plant.site, decisions), past, farm.zone)

"""The account of each crop cycle: what each block was to have of each nutrient, has had, and may still have."""

import itertools
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime

from daemon.agronomy.caps import Room, rooms
from daemon.agronomy.past import Past
from daemon.agronomy.stages import Followed, StageAccount, followed, newest_for, stage_accounts
from daemon.agronomy.supply import Supply, area_mean, supply, zone_of
from daemon.decisions.base import NUTRIENTS, Decisions
from daemon.decisions.crops import Cycle


@dataclass(frozen=True, slots=True)
class Account:
    """One nutrient on one block in one crop cycle, in kg/ha."""

    cycle: str
    block: str
    nutrient: str
    recommendation: str
    """The one that holds; empty where none names the nutrient."""
    recommended_kg_ha: float
    """In the whole cycle, from all sources; 0 without a recommendation."""
    stages: tuple[StageAccount, ...]
    stage: StageAccount | None
    """Of today; None outside the cycle, or without a recommendation."""
    planned_kg_ha: float
    """By the runs that there were."""
    delivered_kg_ha: float
    u_kg_ha: float
    """k = 2 of what was delivered, each run's in quadrature."""
    in_lines_kg_ha: float
    other_kg_ha: float
    """From other sources, all of it: what caps count."""
    available_kg_ha: float
    """Of it, what this cycle can take up."""
    nitrate_kg_ha: float
    """Nitrogen that the irrigation water brought."""
    is_disputed: bool
    """Whether a run's figures are in doubt."""
    is_revised: bool
    """Whether a corrected mix restated a run's figures."""
    caps: tuple[Room, ...]
    """What each cap leaves that holds for the block, farm averages included; of a cycle that is on today."""

    @property
    def had_kg_ha(self) -> float:
        """Return what counts towards the recommendation: all but what this cycle cannot take up."""
        return self.delivered_kg_ha + self.in_lines_kg_ha + self.available_kg_ha + self.nitrate_kg_ha

    @property
    def total_kg_ha(self) -> float:
        """Return all that the block had."""
        return self.delivered_kg_ha + self.in_lines_kg_ha + self.other_kg_ha + self.nitrate_kg_ha

    @property
    def left_kg_ha(self) -> float:
        """Return what is left of the recommendation; below 0 where the block had more."""
        return self.recommended_kg_ha - self.had_kg_ha

    @property
    def due_kg_ha(self) -> float:
        """Return what the events that should have been by yesterday would have injected."""
        return sum(stage.due_kg_ha for stage in self.stages)

    @property
    def offered_kg_ha(self) -> float:
        """Return the shortfall of today's stage, which the operator may accept; an earlier one is past."""
        return self.stage.short_kg_ha if self.stage else 0.0

    @property
    def accepted_kg_ha(self) -> float:
        """Return what of it later events of the stage may make up."""
        return self.stage.may_make_up_kg_ha if self.stage else 0.0


def accounts(
    decisions: Decisions,
    areas_ha: Mapping[str, float],
    past: Past,
    now: datetime,
    of: Collection[str] | None = None,
) -> tuple[Account, ...]:
    """Return an account for each cycle, or those of `of`, each nutrient and block; `now` is in the site's zone.

    A nutrient has its place in a cycle when it is recommended, capped, or any block had some. `areas_ha` has every
    block's area in use; a block that it lacks is left out. Raises RecommendationError for a recommendation that does
    not fit its cycle.
    """
    left, today = rooms(decisions, areas_ha, past, now), now.date()
    cycles = sorted(
        (key, cycle) for (_, key), cycle in decisions.items() if isinstance(cycle, Cycle) and (of is None or key in of)
    )
    found: list[Account] = []
    for (key, cycle), nutrient in itertools.product(cycles, NUTRIENTS):
        recommendation = newest_for(decisions, key, nutrient)
        what = followed(decisions, recommendation, nutrient) if recommendation else None
        of_nutrient = [
            _account(
                key,
                block,
                what,
                stage_accounts(decisions, what, block, areas_ha[block], past, now) if what else (),
                supply(decisions, past, block, areas_ha[block], nutrient, zone_of(now)).between(
                    cycle.starts, cycle.ends
                ),
                tuple(room for room in left if room.cap.nutrient == nutrient and block in room.blocks)
                if cycle.starts <= today <= cycle.ends
                else (),
                today,
            )
            for block in cycle.blocks
            if block in areas_ha
        ]
        if what or any(account.caps or account.total_kg_ha for account in of_nutrient):
            found += of_nutrient
    return tuple(found)


def farm_average_kg_ha(of: Iterable[Account], areas_ha: Mapping[str, float]) -> dict[tuple[str, str], float]:
    """Return by cycle and nutrient what its blocks had towards the recommendation, as the mean over their area."""
    had: dict[tuple[str, str], dict[str, float]] = {}
    for account in of:
        had.setdefault((account.cycle, account.nutrient), {})[account.block] = account.had_kg_ha
    return {key: area_mean(blocks, areas_ha) for key, blocks in had.items()}


def _account(
    cycle: str,
    block: str,
    what: Followed | None,
    stages: tuple[StageAccount, ...],
    had: Supply,
    caps: tuple[Room, ...],
    today: date,
) -> Account:
    return Account(
        cycle=cycle,
        block=block,
        nutrient=had.nutrient,
        recommendation=what.key if what else "",
        recommended_kg_ha=what.kg_ha if what else 0.0,
        stages=stages,
        stage=next((account for account in stages if account.stage.starts <= today <= account.last), None),
        planned_kg_ha=had.planned_kg_ha,
        delivered_kg_ha=had.delivered_kg_ha,
        u_kg_ha=had.u_kg_ha,
        in_lines_kg_ha=had.in_lines_kg_ha,
        other_kg_ha=had.other_kg_ha,
        available_kg_ha=had.available_kg_ha,
        nitrate_kg_ha=had.nitrate_kg_ha,
        is_disputed=any(dose.is_disputed for dose in had.doses),
        is_revised=any(dose.is_revised for dose in had.doses),
        caps=caps,
    )

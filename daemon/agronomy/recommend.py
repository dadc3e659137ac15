"""The dose that a recommendation makes due today."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from daemon.agronomy.past import Past
from daemon.agronomy.stages import Followed, RecommendationError, StageAccount, followed, stage_accounts, stages_of
from daemon.agronomy.supply import area_mean, zone_of
from daemon.decisions.base import Decisions

_LONGEST_GAP_DAYS = 14.0
"""Between two events of a growing stage (common practice, no source)."""
_MET_KG_HA = 1e-6
"""A milligram to the hectare: rounding, not a dose."""


@dataclass(frozen=True, slots=True)
class BlockDue:
    """One block's own figure: blocks that are watered together may have had different amounts."""

    base_kg_ha: float
    made_up_kg_ha: float

    @property
    def kg_ha(self) -> float:
        """Return both together."""
        return self.base_kg_ha + self.made_up_kg_ha


@dataclass(frozen=True, slots=True)
class DueDose:
    """One nutrient's dose in today's event."""

    base_kg_ha: float
    """Mean over the area: the stage's event."""
    made_up_kg_ha: float
    """Mean over the area: what is made up of the stage's accepted shortfall."""
    blocks: Mapping[str, BlockDue]
    stage: str
    """Of today; empty outside the cycle."""
    due_from: date | None
    """First day on which the next event is due; None where every irrigation is one, or there was none yet."""
    reasons: tuple[str, ...]
    """How the figure came about, or why it is 0."""
    warnings: tuple[str, ...]

    @property
    def kg_ha(self) -> float:
        """Return the dose, 0 where none is due."""
        return self.base_kg_ha + self.made_up_kg_ha


def due_dose(
    decisions: Decisions,
    recommendation_key: str,
    nutrient: str,
    areas_ha: Mapping[str, float],
    past: Past,
    now: datetime,
) -> DueDose:
    """Return the dose of one event at `now`, which is in the site's zone, on at least one block with its area in use.

    An event that comes too early is still planned, and warns. Raises RecommendationError when the recommendation
    cannot be followed, or a block is not in its cycle.
    """
    what = followed(decisions, recommendation_key, nutrient)
    strangers = sorted(set(areas_ha) - set(what.cycle.blocks))
    if strangers:
        raise RecommendationError(
            f"recommendation {what.key} is for cycle {what.recommendation.cycle} with {', '.join(what.cycle.blocks)}; "
            f"got {', '.join(strangers)} besides. Make a shift for them, or add them to the cycle"
        )
    today = now.date()
    cycle = what.cycle
    index = next((i for i, (stage, last) in enumerate(stages_of(cycle)) if stage.starts <= today <= last), None)
    if index is None:
        why = f"{today} is outside cycle {what.recommendation.cycle}, {cycle.starts} to {cycle.ends}"
        return _nothing(areas_ha, "", why)
    accounts = {
        block: stage_accounts(decisions, what, block, area_ha, past, now)[index] for block, area_ha in areas_ha.items()
    }
    one = next(iter(accounts.values()))
    why_none = _why_none(what, one, today)
    if why_none:
        return _nothing(areas_ha, one.stage.name, why_none)
    last_event = _last_event(what, areas_ha, past, now)
    due_from = None
    if last_event is not None and what.recommendation.every_days is not None:
        due_from = last_event + timedelta(days=what.recommendation.every_days)
    blocks = {block: _of_block(what, account) for block, account in accounts.items()}
    return DueDose(
        base_kg_ha=area_mean({block: due.base_kg_ha for block, due in blocks.items()}, areas_ha),
        made_up_kg_ha=area_mean({block: due.made_up_kg_ha for block, due in blocks.items()}, areas_ha),
        blocks=blocks,
        stage=one.stage.name,
        due_from=due_from,
        reasons=tuple(_reason(what, block, accounts[block], blocks[block]) for block in blocks),
        warnings=_warnings(one, nutrient, last_event, due_from, today),
    )


def _nothing(areas_ha: Mapping[str, float], stage: str, why: str) -> DueDose:
    return DueDose(0.0, 0.0, dict.fromkeys(areas_ha, BlockDue(0.0, 0.0)), stage, None, (why,), ())


def _why_none(what: Followed, account: StageAccount, today: date) -> str:
    """Return why no block is to have anything today, whatever it has had; empty when that is not so."""
    until = what.cycle.nitrogen_until
    if what.nutrient == "N" and until is not None and today > until:
        return f"cycle {what.recommendation.cycle} is given nitrogen until {until}, and no later"
    if not account.target_kg_ha:
        return f"stage {account.stage.name} has no share of the {what.nutrient}"
    return ""


def _last_event(what: Followed, areas_ha: Mapping[str, float], past: Past, now: datetime) -> date | None:
    """Return the newest day of the cycle on which any of the blocks was to have the nutrient."""
    by_block = past.doses_by_block(what.nutrient, zone_of(now))
    had = (by_block[block] for block in areas_ha if block in by_block)
    days = (
        next((day for day, dose in rows.between(what.cycle.starts, now.date()).newest_first() if dose.planned_kg), None)
        for rows in had
    )
    return max((day for day in days if day is not None), default=None)


def _of_block(what: Followed, account: StageAccount) -> BlockDue:
    base_kg_ha = min(account.event_kg_ha, account.left_kg_ha)
    made_up_kg_ha = min(
        account.may_make_up_kg_ha,
        what.recommendation.make_up_pct / 100.0 * account.event_kg_ha,
        max(0.0, account.asked_kg_ha - account.had_kg_ha - base_kg_ha),
    )
    if base_kg_ha + made_up_kg_ha < _MET_KG_HA:
        return BlockDue(0.0, 0.0)
    return BlockDue(base_kg_ha, made_up_kg_ha)


def _reason(what: Followed, block: str, account: StageAccount, due: BlockDue) -> str:
    asked = f"{account.target_kg_ha:.4g} kg {what.nutrient}/ha"
    if account.other_kg_ha:
        asked += f", {account.other_kg_ha:.4g} of it from other sources, water and before"
    text = f"block {block}, stage {account.stage.name} to {account.last}: {asked}; "
    if not due.kg_ha:
        missing_kg_ha = account.asked_kg_ha - account.had_kg_ha
        if missing_kg_ha < _MET_KG_HA:
            return f"{text}met, with {account.had_kg_ha:.4g} injected"
        return f"{text}its {account.events} events were had, and none of the {missing_kg_ha:.4g} short may be made up"
    text += f"{account.asked_kg_ha:.4g} over {account.events} events is {account.event_kg_ha:.4g}"
    if due.base_kg_ha < account.event_kg_ha:
        text += f", of which {due.base_kg_ha:.4g} is left"
    if due.made_up_kg_ha:
        text += f", and {due.made_up_kg_ha:.4g} of an accepted shortfall"
    return text


def _warnings(
    account: StageAccount, nutrient: str, last_event: date | None, due_from: date | None, today: date
) -> tuple[str, ...]:
    warnings: list[str] = []
    if due_from is not None and today < due_from:
        warnings.append(f"not due until {due_from}: the blocks had {nutrient} on {last_event}")
    gap_days = max(account.spacing_days, float((today - last_event).days) if last_event is not None else 0.0)
    if account.stage.growing and gap_days > _LONGEST_GAP_DAYS:
        warnings.append(
            f"{gap_days:.3g} days between two events of {nutrient} in growing stage {account.stage.name}; more than "
            f"{_LONGEST_GAP_DAYS:.0f} is long"
        )
    return tuple(warnings)

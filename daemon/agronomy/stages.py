"""Each stage of a recommendation on one block: what it asks of the injector, what it has had, and what is short."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from daemon.agronomy.past import Past
from daemon.agronomy.supply import Supply, supply, zone_of
from daemon.decisions.base import Decisions, of_kind
from daemon.decisions.crops import Acceptance, Cycle, Recommendation, Stage


class RecommendationError(Exception):
    """A recommendation cannot be followed as it stands. Says why and what to do."""

    code = "recommendation.refused"


@dataclass(frozen=True, slots=True)
class Followed:
    """One nutrient of a recommendation, with the cycle that it is for."""

    key: str
    recommendation: Recommendation
    cycle: Cycle
    nutrient: str

    @property
    def kg_ha(self) -> float:
        """Return what is recommended for the whole cycle, from all sources."""
        return self.recommendation.needs[self.nutrient].kg_ha


@dataclass(frozen=True, slots=True)
class StageAccount:
    """One nutrient in one stage on one block, as it stands before today's event."""

    stage: Stage
    last: date
    """Last day of the stage."""
    target_kg_ha: float
    """The stage's share of what is recommended, from all sources."""
    other_kg_ha: float
    """What other sources and the water's nitrate bring of it, and what earlier stages had too much."""
    events: int
    """How many there are to be; none where the nutrient may no longer be given."""
    passed: int
    """Of them, how many should have been before today."""
    spacing_days: float
    runs_kg_ha: tuple[tuple[float, float], ...]
    """What each run so far was planned to bring, and what it brought; a disputed one brought at least what was
    planned."""
    accepted_kg_ha: float
    """Of the stage's shortfall, what the operator lets later events make up."""

    @property
    def asked_kg_ha(self) -> float:
        """Return what the injector is to bring in the whole stage."""
        return max(0.0, self.target_kg_ha - self.other_kg_ha)

    @property
    def event_kg_ha(self) -> float:
        """Return the dose of one event."""
        return self.asked_kg_ha / self.events if self.events else 0.0

    @property
    def due_kg_ha(self) -> float:
        """Return what the events that should have been would have brought."""
        return self.event_kg_ha * self.passed

    @property
    def had_kg_ha(self) -> float:
        """Return what was injected."""
        return sum(had for _, had in self.runs_kg_ha)

    @property
    def left_kg_ha(self) -> float:
        """Return what is left for the events to come. A run that fell short leaves nothing: that is a shortfall."""
        event_kg_ha = self.event_kg_ha
        booked_kg_ha = sum(min(planned, event_kg_ha) for planned, _ in self.runs_kg_ha)
        return max(0.0, self.asked_kg_ha - max(self.had_kg_ha, booked_kg_ha))

    @property
    def short_kg_ha(self) -> float:
        """Return what is missing of what was due."""
        return max(0.0, self.due_kg_ha - self.had_kg_ha)

    @property
    def may_make_up_kg_ha(self) -> float:
        """Return what of it later events of the stage may make up: as accepted, less what runs brought above a dose."""
        if not self.accepted_kg_ha:
            return 0.0
        event_kg_ha = self.event_kg_ha
        made_up_kg_ha = sum(max(0.0, had - event_kg_ha) for _, had in self.runs_kg_ha)
        return min(self.short_kg_ha, max(0.0, self.accepted_kg_ha - made_up_kg_ha))


def followed(decisions: Decisions, key: str, nutrient: str) -> Followed:
    """Return one nutrient of a recommendation.

    Raises RecommendationError when it, its cycle or the nutrient is not known, when it does not fit the cycle's
    stages, or when a newer one for the same cycle says something of the nutrient.
    """
    recommendation = decisions.get((Recommendation.kind, key))
    if not isinstance(recommendation, Recommendation):
        raise RecommendationError(f"no recommendation named {key!r}; known: {_known(decisions, Recommendation.kind)}")
    name = recommendation.cycle
    cycle = decisions.get((Cycle.kind, name))
    if not isinstance(cycle, Cycle):
        raise RecommendationError(
            f"recommendation {key} is for cycle {name!r}, which nobody entered; known: {_known(decisions, Cycle.kind)}"
        )
    need = recommendation.needs.get(nutrient)
    if need is None:
        named = ", ".join(recommendation.needs)
        raise RecommendationError(f"recommendation {key} says nothing of {nutrient}; it says how much {named}")
    for what, given in ((f"shares of {nutrient}", need.shares), ("events", recommendation.events)):
        if given is not None and len(given) != len(cycle.stages):
            raise RecommendationError(
                f"recommendation {key} has {len(given)} {what}, and cycle {name} has {len(cycle.stages)} stages; "
                "expected one for each"
            )
    newest = newest_for(decisions, name, nutrient)
    if newest != key:
        raise RecommendationError(
            f"recommendation {newest} is newer than {key} and says how much {nutrient} cycle {name} is to have; "
            f"name {newest} in the program"
        )
    return Followed(key, recommendation, cycle, nutrient)


def newest_for(decisions: Decisions, cycle: str, nutrient: str) -> str:
    """Return the key of the recommendation that holds for a cycle's nutrient: the newest by its date; empty for none.

    Of two on one day it is the one whose key is later in the alphabet.
    """
    found = (
        (decision.on, key)
        for key, decision in of_kind(decisions, Recommendation).items()
        if decision.cycle == cycle and nutrient in decision.needs
    )
    return max(found, default=(date.min, ""))[1]


def stage_accounts(
    decisions: Decisions, what: Followed, block: str, area_ha: float, past: Past, now: datetime
) -> tuple[StageAccount, ...]:
    """Return the account of each stage, in order; `now` is in the site's zone, and its day is today.

    What a stage had too much, from whatever source, the next ones need less. What it had too little stays its own.
    """
    whole = supply(decisions, past, block, area_ha, what.nutrient, zone_of(now))
    accounts: list[StageAccount] = []
    surplus_kg_ha = 0.0
    for i, (stage, last) in enumerate(stages_of(what.cycle)):
        had = whole.between(stage.starts, last)
        target_kg_ha = what.kg_ha * what.recommendation.needs[what.nutrient].shares[i]
        other_kg_ha = had.available_kg_ha + had.nitrate_kg_ha + surplus_kg_ha
        events, passed, spacing_days = _events(what, i, last, now.date())
        account = StageAccount(
            stage=stage,
            last=last,
            target_kg_ha=target_kg_ha,
            other_kg_ha=other_kg_ha,
            events=events,
            passed=passed,
            spacing_days=spacing_days,
            runs_kg_ha=_runs_kg_ha(had),
            accepted_kg_ha=_accepted_kg_ha(decisions, what, stage.name),
        )
        surplus_kg_ha = max(0.0, other_kg_ha + account.had_kg_ha - target_kg_ha)
        accounts.append(account)
    return tuple(accounts)


def stages_of(cycle: Cycle) -> Iterator[tuple[Stage, date]]:
    """Yield each stage of a cycle with its last day."""
    starts = [stage.starts for stage in cycle.stages[1:]]
    yield from zip(cycle.stages, [*(day - timedelta(days=1) for day in starts), cycle.ends], strict=True)


def _events(what: Followed, i: int, last: date, today: date) -> tuple[int, int, float]:
    """Return how many events a stage has, how many should have been before today, and how many days lie between.

    The nutrient's own days count: nitrogen's share of a stage is given before the last day for nitrogen.
    """
    starts, until = what.cycle.stages[i].starts, what.cycle.nitrogen_until
    is_cut = what.nutrient == "N" and until is not None and until < last
    whole_days = (last - starts).days + 1
    days = max(0, (until - starts).days + 1) if is_cut and until is not None else whole_days
    gone_days = min(days, max(0, (today - starts).days))
    if what.recommendation.every_days is not None:
        every_days = what.recommendation.every_days
        return math.ceil(days / every_days), math.ceil(gone_days / every_days), float(every_days)
    of_whole = (what.recommendation.events or ())[i]
    return (
        math.ceil(of_whole * days / whole_days),
        math.ceil(of_whole * gone_days / whole_days),
        whole_days / of_whole,
    )


def _runs_kg_ha(had: Supply) -> tuple[tuple[float, float], ...]:
    return tuple((dose.planned_kg / had.area_ha, dose.had_kg / had.area_ha) for dose in had.doses)


def _accepted_kg_ha(decisions: Decisions, what: Followed, stage: str) -> float:
    return sum(
        word.kg_ha
        for word in of_kind(decisions, Acceptance).values()
        if (word.recommendation, word.stage, word.nutrient) == (what.key, stage, what.nutrient)
    )


def _known(decisions: Decisions, kind: str) -> str:
    return ", ".join(sorted(key for known, key in decisions if known == kind)) or "none yet"

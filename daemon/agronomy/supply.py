"""What one block has had of one nutrient, from every source: through the injector, spread on it, in its water."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, tzinfo

from daemon.agronomy.nutrients import FACTORS
from daemon.agronomy.past import NO_DOSES, Past, PastDose, PastWater, Rows
from daemon.decisions.base import Decisions, of_kind
from daemon.decisions.crops import OtherSource
from daemon.decisions.tanks import Water


@dataclass(frozen=True, slots=True)
class Supply:
    """One nutrient on one block, over the days that were asked for."""

    nutrient: str
    area_ha: float
    """In use today."""
    runs: Rows[PastDose]
    other: tuple[OtherSource, ...]
    """All that name the nutrient and the block, also those dated later than today."""
    water: tuple[tuple[float, Rows[PastWater]], ...]
    """Nitrogen in mg/L of irrigation water as nitrate, and the water that brought it; for nitrogen alone."""

    def between(self, first: date, last: date) -> "Supply":
        """Return the part of it from the first local day to the last, both included."""
        return Supply(
            self.nutrient,
            self.area_ha,
            self.runs.between(first, last),
            tuple(source for source in self.other if first <= source.on <= last) if self.other else (),
            tuple([(mg_l, rows.between(first, last)) for mg_l, rows in self.water]) if self.water else (),
        )

    def after(self, moment: datetime, today: date) -> "Supply":
        """Return the part of it later than `moment`, in the site's zone, until today.

        A source of the moment's own day is counted, for nobody wrote down its hour; one that is still to come is not.
        """
        return Supply(
            self.nutrient,
            self.area_ha,
            self.runs.after(moment),
            tuple(source for source in self.other if moment.date() <= source.on <= today),
            tuple((mg_l, rows.after(moment)) for mg_l, rows in self.water),
        )

    @property
    def doses(self) -> tuple[PastDose, ...]:
        """Return what each run gave."""
        return self.runs.rows

    @property
    def planned_kg_ha(self) -> float:
        """Return what the runs were to bring."""
        return sum(dose.planned_kg for dose in self.doses) / self.area_ha

    @property
    def delivered_kg_ha(self) -> float:
        """Return what came out of the emitters."""
        return sum(dose.delivered_kg for dose in self.doses) / self.area_ha

    @property
    def u_kg_ha(self) -> float:
        """Return its k = 2, each run's in quadrature."""
        return math.hypot(*(dose.u_kg for dose in self.doses)) / self.area_ha

    @property
    def in_lines_kg_ha(self) -> float:
        """Return what was injected and is still in the lines."""
        return sum(dose.committed_kg - dose.delivered_kg for dose in self.doses) / self.area_ha

    @property
    def injected_kg_ha(self) -> float:
        """Return what the injector brought, on the safe side: see `PastDose.had_kg`."""
        return self.runs.amount / self.area_ha

    @property
    def other_kg_ha(self) -> float:
        """Return what other sources brought, all of it."""
        return math.fsum(source.kg_ha[self.nutrient] for source in self.other) if self.other else 0.0

    @property
    def available_kg_ha(self) -> float:
        """Return what this crop cycle can take up of the other sources."""
        return math.fsum(source.kg_ha[self.nutrient] * source.available for source in self.other)

    @property
    def nitrate_kg_ha(self) -> float:
        """Return the nitrogen that came with the irrigation water."""
        return self.nitrate_kg / self.area_ha

    @property
    def nitrate_kg(self) -> float:
        """Return the same in kg."""
        return sum(mg_l * rows.amount for mg_l, rows in self.water) / 1000.0

    @property
    def total_kg_ha(self) -> float:
        """Return what caps count: everything."""
        return self.injected_kg_ha + self.other_kg_ha + self.nitrate_kg_ha


def supply(decisions: Decisions, past: Past, block: str, area_ha: float, nutrient: str, zone: tzinfo) -> Supply:
    """Return all that a block ever had of a nutrient, by the local days of a zone."""
    return supplies(decisions, past, nutrient, zone)(block, area_ha)


def supplies(decisions: Decisions, past: Past, nutrient: str, zone: tzinfo) -> Callable[[str, float], Supply]:
    """Return the same for any block: a function of its name and its hectares in use."""
    doses, poured = past.doses_by_block(nutrient, zone), past.water_by_block(zone) if nutrient == "N" else {}
    named = [found for found in of_kind(decisions, OtherSource).values() if nutrient in found.kg_ha]
    strengths_mg_l: dict[str, float] = {}

    def of_source(source: str) -> float:
        if source not in strengths_mg_l:
            strengths_mg_l[source] = _nitrogen_mg_l(decisions, source)
        return strengths_mg_l[source]

    def of_block(block: str, area_ha: float) -> Supply:
        return Supply(
            nutrient,
            area_ha,
            doses.get(block, NO_DOSES),
            tuple(found for found in named if block in found.blocks) if named else (),
            tuple([(of_source(source), rows) for source, rows in poured[block].items() if of_source(source)])
            if block in poured
            else (),
        )

    return of_block


def nitrate_kg(decisions: Decisions, source: str, m3: float) -> float:
    """Return the kg of nitrogen that water brings as nitrate: mg/L x m3 / 1000; none where no analysis is named."""
    return _nitrogen_mg_l(decisions, source) * m3 / 1000.0


def _nitrogen_mg_l(decisions: Decisions, source: str) -> float:
    water = decisions.get((Water.kind, source))
    if not isinstance(water, Water):
        return 0.0
    return water.nitrate_mg_l * (1.0 if water.nitrate_as == "N" else FACTORS["NO3"][1])


def zone_of(now: datetime) -> tzinfo:
    """Return the zone of a time. Raises ValueError when it has none: the local day is what stages and years go by."""
    if now.tzinfo is None:
        raise ValueError(f"got {now.isoformat()} without a zone; expected the time in the site's zone")
    return now.tzinfo


def area_mean(kg_ha: Mapping[str, float], areas_ha: Mapping[str, float]) -> float:
    """Return the mean over the area of a figure of each block; at least one block."""
    return sum(figure * areas_ha[block] for block, figure in kg_ha.items()) / sum(areas_ha[block] for block in kg_ha)

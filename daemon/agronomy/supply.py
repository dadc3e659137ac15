"""What one block has had of one nutrient, from every source: through the injector, spread on it, in its water."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, tzinfo

from daemon.agronomy.nutrients import FACTORS
from daemon.agronomy.past import Past, PastDose
from daemon.decisions.base import Decisions
from daemon.decisions.crops import OtherSource
from daemon.decisions.tanks import Water


@dataclass(frozen=True, slots=True)
class Supply:
    """One nutrient on one block, over the days that were asked for."""

    nutrient: str
    area_ha: float
    """In use today."""
    doses: tuple[PastDose, ...]
    other: tuple[OtherSource, ...]
    """All that name the nutrient and the block, also those dated later than today."""
    water_kg: tuple[tuple[datetime, float], ...]
    """Nitrogen that came with the irrigation water as nitrate; for nitrogen alone."""

    def between(self, first: date, last: date, zone: tzinfo) -> "Supply":
        """Return the part of it from the first day to the last, both included, by the local day in `zone`."""
        return replace(
            self,
            doses=tuple(dose for dose in self.doses if first <= dose.at.astimezone(zone).date() <= last),
            other=tuple(source for source in self.other if first <= source.on <= last),
            water_kg=tuple((at, kg) for at, kg in self.water_kg if first <= at.astimezone(zone).date() <= last),
        )

    def after(self, moment: datetime) -> "Supply":
        """Return the part of it later than `moment`, in the site's zone; a source of that very day is counted."""
        return replace(
            self,
            doses=tuple(dose for dose in self.doses if dose.at > moment),
            other=tuple(source for source in self.other if source.on >= moment.date()),
            water_kg=tuple((at, kg) for at, kg in self.water_kg if at > moment),
        )

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
        """Return what the injector brought, on the safe side: see `had_kg`."""
        return sum(had_kg(dose) for dose in self.doses) / self.area_ha

    @property
    def other_kg_ha(self) -> float:
        """Return what other sources brought, all of it."""
        return math.fsum(source.kg_ha[self.nutrient] for source in self.other)

    @property
    def available_kg_ha(self) -> float:
        """Return what this crop cycle can take up of the other sources."""
        return math.fsum(source.kg_ha[self.nutrient] * source.available for source in self.other)

    @property
    def nitrate_kg_ha(self) -> float:
        """Return the nitrogen that came with the irrigation water."""
        return sum(kg for _, kg in self.water_kg) / self.area_ha

    @property
    def total_kg_ha(self) -> float:
        """Return what caps count: everything."""
        return self.injected_kg_ha + self.other_kg_ha + self.nitrate_kg_ha


def had_kg(dose: PastDose) -> float:
    """Return what a dose counts as: what is delivered or in the lines; of a disputed one at least what was planned.

    So nothing is made up, and no cap is filled a second time, on the word of figures that are in doubt.
    """
    return max(dose.planned_kg, dose.committed_kg) if dose.is_disputed else dose.committed_kg


def supply(decisions: Decisions, past: Past, block: str, area_ha: float, nutrient: str) -> Supply:
    """Return all that a block ever had of a nutrient; `between` and `after` narrow it."""
    water: tuple[tuple[datetime, float], ...] = ()
    if nutrient == "N":
        passed = [(run.at, nitrate_kg(decisions, run.source, run.m3)) for run in past.water if run.block == block]
        water = tuple((at, kg) for at, kg in passed if kg)
    return Supply(
        nutrient,
        area_ha,
        tuple(dose for dose in past.doses if dose.block == block and dose.nutrient == nutrient),
        tuple(
            source
            for source in decisions.values()
            if isinstance(source, OtherSource) and block in source.blocks and nutrient in source.kg_ha
        ),
        water,
    )


def nitrate_kg(decisions: Decisions, source: str, m3: float) -> float:
    """Return the kg of nitrogen that water brings as nitrate: mg/L x m3 / 1000; none where no analysis is named."""
    water = decisions.get((Water.kind, source))
    if not isinstance(water, Water):
        return 0.0
    nitrogen_mg_l = water.nitrate_mg_l * (1.0 if water.nitrate_as == "N" else FACTORS["NO3"][1])
    return nitrogen_mg_l * m3 / 1000.0


def zone_of(now: datetime) -> tzinfo:
    """Return the zone of a time. Raises ValueError when it has none: the local day is what stages and years go by."""
    if now.tzinfo is None:
        raise ValueError(f"got {now.isoformat()} without a zone; expected the time in the site's zone")
    return now.tzinfo


def area_mean(kg_ha: Mapping[str, float], areas_ha: Mapping[str, float]) -> float:
    """Return the mean over the area of a figure of each block; at least one block."""
    return sum(figure * areas_ha[block] for block, figure in kg_ha.items()) / sum(areas_ha[block] for block in kg_ha)

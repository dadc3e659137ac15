"""What the blocks have had: the ledger's rows, as far as budgets and caps ask."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta, tzinfo
from typing import Generic, TypeVar

_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class PastDose:
    """What one run gave one block of one nutrient, by its newest statement."""

    run: str
    block: str
    nutrient: str
    at: datetime
    """Start of the run: it counts whole for the day, stage and year for which it was planned and its caps checked."""
    planned_kg: float
    delivered_kg: float
    """Out of the emitters."""
    committed_kg: float
    """Delivered and still in the lines: what caps count."""
    u_kg: float
    """k = 2 of what was delivered."""
    is_disputed: bool
    """Whether it is not known well enough to make up a shortfall: counts moved while nobody watched, or its estimates
    disagree."""
    is_revised: bool
    """Whether a corrected mix restated it."""

    @property
    def had_kg(self) -> float:
        """Return what it counts as: what is delivered or in the lines; of a disputed one at least what was planned.

        So nothing is made up, and no cap is filled a second time, on the word of figures that are in doubt.
        """
        return max(self.planned_kg, self.committed_kg) if self.is_disputed else self.committed_kg


@dataclass(frozen=True, slots=True)
class PastWater:
    """Water that one run brought to one block."""

    run: str
    block: str
    at: datetime
    """Start of the run."""
    m3: float
    source: str
    """The water analysis of the program; empty for none."""


@dataclass(frozen=True, slots=True)
class PastDraw:
    """Stock that one run drew through one injector, by its meter."""

    channel: str
    batch: str
    """The filling of the tank that it was of; empty where the record does not say."""
    stock_l: float
    u_l: float
    """k = 2."""


@dataclass(frozen=True, slots=True)
class PastRun:
    """What a season's account asks of one run that has ended, besides its doses."""

    run: str
    at: datetime
    """Its start."""
    planned_m3: Mapping[str, float]
    """Water by block."""
    watered_m3: Mapping[str, float]
    """The same as it came, without what filled the pipes first."""
    draws: tuple[PastDraw, ...]


_Row = TypeVar("_Row", bound=PastDose | PastWater)


@dataclass(frozen=True, slots=True)
class Rows(Generic[_Row]):
    """A span of rows that belong together, in the order of their local days."""

    all: tuple[_Row, ...] = ()
    days: tuple[date, ...] = ()
    sums: tuple[float, ...] = (0.0,)
    """Running: kg that doses count as, or m3 of water."""
    begin: int = 0
    end: int = 0

    @property
    def rows(self) -> tuple[_Row, ...]:
        """Return those of the span."""
        return self.all[self.begin : self.end]

    @property
    def amount(self) -> float:
        """Return the sum over the span."""
        return self.sums[self.end] - self.sums[self.begin]

    def newest_first(self) -> Iterator[tuple[date, _Row]]:
        """Yield those of the span, each with its day."""
        for place in range(self.end - 1, self.begin - 1, -1):
            yield self.days[place], self.all[place]

    def between(self, first: date, last: date) -> "Rows[_Row]":
        """Return the part of the span from the first local day to the last, both included."""
        days = self.days
        if not days or (first <= days[0] and last >= days[-1]):
            return self
        begin = max(self.begin, bisect_left(days, first))
        end = min(self.end, bisect_right(days, last))
        return Rows(self.all, days, self.sums, min(begin, end), end)

    def after(self, moment: datetime) -> "Rows[_Row]":
        """Return the part of the span later than a moment, in the zone that the days are of."""
        begin = max(self.begin, bisect_left(self.days, moment.date() - _DAY))
        while begin < self.end and self.all[begin].at <= moment:
            begin += 1
        return Rows(self.all, self.days, self.sums, min(begin, self.end), self.end)

    def with_rows(self, rows: Iterable[_Row], zone: tzinfo) -> "Rows[_Row]":
        """Return all of the rows with more of them."""
        new = [(row.at.astimezone(zone).date(), row) for row in rows]
        if len(new) > 1:
            new.sort(key=lambda item: (item[0], item[1].at))
        if self.days and new and new[0][0] < self.days[-1]:
            nothing: Rows[_Row] = Rows()
            return nothing.with_rows((*self.all, *(row for _, row in new)), zone)
        whole, days, sums = list(self.all), list(self.days), list(self.sums)
        for day, row in new:
            whole.append(row)
            days.append(day)
            sums.append(sums[-1] + _amount(row))
        return Rows(tuple(whole), tuple(days), tuple(sums), 0, len(whole))


def _amount(row: PastDose | PastWater) -> float:
    return row.had_kg if isinstance(row, PastDose) else row.m3


NO_DOSES: Rows[PastDose] = Rows()


@dataclass(frozen=True, slots=True)
class _Sorted:
    """Doses by nutrient and block, and water by block and source."""

    doses: Mapping[str, Mapping[str, Rows[PastDose]]]
    water: Mapping[str, Mapping[str, Rows[PastWater]]]


@dataclass(frozen=True, slots=True)
class Past:
    """All of it."""

    doses: tuple[PastDose, ...] = ()
    water: tuple[PastWater, ...] = ()
    index: dict[tzinfo, _Sorted] = field(default_factory=dict, init=False, repr=False, compare=False)
    """Made when first asked for: a plan asks for each block many times."""

    def doses_by_block(self, nutrient: str, zone: tzinfo) -> Mapping[str, Rows[PastDose]]:
        """Return the doses of one nutrient by block, in the order of a zone's days."""
        return self._in(zone).doses.get(nutrient, {})

    def water_by_block(self, zone: tzinfo) -> Mapping[str, Mapping[str, Rows[PastWater]]]:
        """Return the water by block and source, in the order of a zone's days."""
        return self._in(zone).water

    def also(self, doses: Iterable[PastDose], water: Iterable[PastWater]) -> "Past":
        """Return the past with more of it."""
        more, poured = tuple(doses), tuple(water)
        past = Past((*self.doses, *more), (*self.water, *poured))
        for zone, known in self.index.items():
            past.index[zone] = _sorted_with(known, more, poured, zone)
        return past

    def _in(self, zone: tzinfo) -> _Sorted:
        if zone not in self.index:
            self.index[zone] = _sorted_with(_Sorted({}, {}), self.doses, self.water, zone)
        return self.index[zone]


def _sorted_with(known: _Sorted, doses: Iterable[PastDose], water: Iterable[PastWater], zone: tzinfo) -> _Sorted:
    of_doses: dict[tuple[str, str], list[PastDose]] = {}
    for dose in doses:
        of_doses.setdefault((dose.nutrient, dose.block), []).append(dose)
    of_water: dict[tuple[str, str], list[PastWater]] = {}
    for run in water:
        of_water.setdefault((run.block, run.source), []).append(run)
    by_nutrient = {nutrient: dict(by_block) for nutrient, by_block in known.doses.items()}
    for (nutrient, block), more in of_doses.items():
        by_block = by_nutrient.setdefault(nutrient, {})
        by_block[block] = by_block.get(block, NO_DOSES).with_rows(more, zone)
    by_source = dict(known.water)
    for (block, source), poured in of_water.items():
        before = by_source.get(block, {})
        rows: Rows[PastWater] = before.get(source, Rows())
        by_source[block] = {**before, source: rows.with_rows(poured, zone)}
    return _Sorted(by_nutrient, by_source)

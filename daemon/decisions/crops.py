"""What the crop is to have and may have: cycles, recommendations, other sources, and caps."""

from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from daemon.decisions.base import WHOLE, Day, Decision, Name, NotNegative, Nutrient, Part, Positive, Share, Text


class Stage(Part):
    """A part of the crop cycle, from its first day to the next one's."""

    name: Name
    starts: Day
    growing: bool = True
    """Whether the crop takes up nutrients so that long gaps between events are worth a warning."""


class Cycle(Decision):
    """A crop on its blocks for a time."""

    kind: ClassVar[str] = "cycle"
    crop: Text
    blocks: Annotated[tuple[Name, ...], Field(strict=False, min_length=1)]
    starts: Day
    ends: Day
    """Last day."""
    stages: Annotated[tuple[Stage, ...], Field(strict=False, min_length=1)]
    """In order; the first starts with the cycle."""
    nitrogen_until: Day | None = None
    """Last day on which nitrogen is given: later it spoils the fruit."""
    plants_per_ha: Positive | None = None
    chloride_most_kg_ha: Positive | None = None
    """The most chloride (as Cl) in one cycle from fertiliser, for crops that it harms."""
    ammonium_most_share: Share | None = None
    """The most of the nitrogen that may be ammonium."""
    line_ec_most_ms_cm: Positive | None = None
    """The most that the water at the emitters may have while injecting, at 25 °C, the water's own included."""
    water_most_mm: Positive | None = None
    """The most water in one night that the roots' depth holds: what is more drains below it."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        days = [stage.starts for stage in self.stages]
        if days != sorted(set(days)) or days[0] != self.starts or days[-1] > self.ends or self.ends < self.starts:
            raise ValueError(
                f"got stages that start {', '.join(map(str, days))} in a cycle from {self.starts} to {self.ends}; "
                "expected each later than the one before, the first with the cycle, the last within it"
            )
        if len({stage.name for stage in self.stages}) < len(self.stages):
            raise ValueError("got two stages of one name; expected each name once")
        if self.nitrogen_until is not None and not self.starts <= self.nitrogen_until <= self.ends:
            raise ValueError(f"got nitrogen_until {self.nitrogen_until}; expected a day of the cycle")
        return self


class Need(Part):
    """What is recommended of one nutrient in the whole cycle."""

    kg_ha: Positive
    """From all sources."""
    shares: Annotated[tuple[Share, ...], Field(strict=False, min_length=1)]
    """Of each stage of the cycle, in order; they sum to 1."""

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if abs(sum(self.shares) - 1.0) > 0.001:
            raise ValueError(f"got shares that sum to {sum(self.shares):g}; expected 1")
        return self


class Recommendation(Decision):
    """What the agronomist wrote for one crop cycle."""

    kind: ClassVar[str] = "recommendation"
    cycle: Name
    by: Text
    on: Day
    basis: Text
    """What it rests on: soil test, leaf test, yield; with its date or number."""
    needs: dict[Nutrient, Need] = Field(min_length=1)
    every_days: Annotated[int, Field(ge=1, le=366), WHOLE] | None = None
    """One event in so many days: 7 is weekly, 14 fortnightly. Or else `events`."""
    events: Annotated[tuple[Annotated[int, Field(ge=1), WHOLE], ...], Field(strict=False)] | None = None
    """How many events each stage has, where every irrigation is one."""
    make_up_pct: Annotated[float, Field(ge=0.0, le=100.0, allow_inf_nan=False)] = 25.0
    """The most of one event's dose by which an accepted shortfall of the stage raises the next."""

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if (self.every_days is None) == (self.events is None):
            raise ValueError("got both or none of every_days and events; expected one")
        return self


class Acceptance(Decision):
    """The operator's word on a shortfall: how much of it later events may make up. The key is free."""

    kind: ClassVar[str] = "acceptance"
    recommendation: Name
    stage: Name
    nutrient: Nutrient
    kg_ha: NotNegative
    """Of the stage's shortfall, the part that may be made up; 0 gives it up."""
    by: Text


class OtherSource(Decision):
    """Nutrients that did not come through the injector."""

    kind: ClassVar[str] = "other_source"
    blocks: Annotated[tuple[Name, ...], Field(strict=False, min_length=1)]
    on: Day
    what: Literal["spread", "manure", "foliar", "other"]
    kg_ha: dict[Nutrient, Positive] = Field(min_length=1)
    """Elemental."""
    available: Share = 1.0
    """The part that this crop cycle can take up; caps count all of it."""
    by: Text


class Cap(Decision):
    """The most of a nutrient. None is assumed: the operator states each, with where it comes from."""

    kind: ClassVar[str] = "cap"
    nutrient: Nutrient
    kg_ha: Positive
    over: Literal["event", "day", "cycle", "year"]
    """One run, any 24 hours, the crop cycle, or the year that begins on `year_starts`."""
    basis: Literal["each_hectare", "farm_average"]
    strict: Literal["advisory", "hard"]
    """Advisory warns; hard refuses the plan and stops the injector."""
    year_starts: Annotated[str, Field(pattern=r"^(0[1-9]|1[0-2])-(0[1-9]|1\d|2[0-8])$")] | None = None
    """Month and day, such as 07-01; needed with over = "year"."""
    blocks: Annotated[tuple[Name, ...], Field(strict=False)] = ()
    """Those that it holds for; none means all."""
    why: Text
    """Where it comes from: a rule, a consent, the operator's own choice."""

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if (self.over == "year") != (self.year_starts is not None):
            raise ValueError('got year_starts without over = "year", or the other way round; expected both or none')
        if self.basis == "farm_average" and self.over not in ("cycle", "year"):
            raise ValueError(f"got a farm average over one {self.over}; expected over a cycle or a year")
        return self

"""When water runs: timetables, what is different tonight, dear and cheap hours, and the season's water."""

from datetime import date, time
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, WithJsonSchema, model_validator

from daemon.decisions.base import WHOLE, Day, Decision, Name, Part, Positive, Text, text_of

Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
WEEKDAYS: tuple[Weekday, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
"""In the order of `date.weekday`."""
Weekdays = Annotated[tuple[Weekday, ...], Field(strict=False, min_length=1)]
_HOURS_MINUTES = "^([01][0-9]|2[0-3]):[0-5][0-9](:[0-5][0-9])?$"
WallTime = Annotated[
    time,
    text_of("[0-9]{2}:[0-9]{2}"),
    Field(strict=False),
    WithJsonSchema({"type": "string", "pattern": _HOURS_MINUTES}),
]
"""Of the site's own clock, without a zone; to the minute."""
Inhibit = Literal["rain", "wind"]


class Timetable(Decision):
    """Programs that run one after the other from each start, on the nights that it names.

    A night runs from noon to the next noon of the site's clock and bears the date of its evening: a start at 02:00
    belongs to the night before. Each program stands in one timetable at most.
    """

    kind: ClassVar[str] = "timetable"
    programs: Annotated[tuple[Name, ...], Field(strict=False, min_length=1)]
    starts: Annotated[tuple[WallTime, ...], Field(strict=False, min_length=1)]
    weekdays: Weekdays | None = None
    """Nights of these weekdays. Or else `every_days`; with neither it is every night."""
    every_days: Annotated[int, Field(ge=2, le=60), WHOLE] | None = None
    """Every so many nights from `first` on."""
    first: Day | None = None
    """First night."""
    last: Day | None = None
    """Last night."""
    late_min: Annotated[int, Field(ge=1, le=600), WHOLE] = 120
    """A start that was missed still runs within so many minutes; later it is skipped, and an alarm says so."""
    finish_by: WallTime | None = None
    """The night's water should be over by then: a plan that goes on for longer warns."""
    inhibited_by: Annotated[tuple[Inhibit, ...], Field(strict=False)] = ()
    """Contacts of the site that keep a shift of it from beginning."""

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.weekdays is not None and self.every_days is not None:
            raise ValueError("got both weekdays and every_days; expected one of them, or neither for every night")
        if self.every_days is not None and self.first is None:
            raise ValueError("got every_days without first; expected the night from which they are counted")
        if self.first is not None and self.last is not None and self.last < self.first:
            raise ValueError(f"got last {self.last} before first {self.first}; expected it later")
        if len(set(self.starts)) < len(self.starts) or len(set(self.programs)) < len(self.programs):
            raise ValueError("got a start or a program twice; expected each once")
        for start in (*self.starts, *((self.finish_by,) if self.finish_by else ())):
            if start.tzinfo is not None or start.second or start.microsecond:
                raise ValueError(f"got the time {start.isoformat()}; expected hours and minutes of the site's clock")
        return self


class Tonight(Decision):
    """What is different on one night. The key is free."""

    kind: ClassVar[str] = "tonight"
    night: Day
    """The date of its evening."""
    shifts: Annotated[tuple[Name, ...], Field(strict=False)] = ()
    """Those that it holds for; none means all."""
    do: Literal["skip", "water_only", "water_share"]
    water_share: Annotated[float, Field(ge=0.1, le=2.0, allow_inf_nan=False)] | None = None
    """Times the water that the programs say; the dose stays."""
    why: Text

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if (self.do == "water_share") != (self.water_share is not None):
            raise ValueError("got one of water_share and do = water_share; expected both or none")
        return self


class Hours(Part):
    """Hours of the site's clock; they may pass midnight."""

    begin: WallTime
    end: WallTime
    weekdays: Weekdays | None = None
    """Of the day on which they begin; without it every day."""


class Tariff(Decision):
    """When electricity is cheap. A plan that runs outside warns."""

    kind: ClassVar[str] = "tariff"
    cheap: Annotated[tuple[Hours, ...], Field(strict=False, min_length=1)]
    why: Text


class Allocation(Decision):
    """The water that may be taken in a time, of the whole farm. A plan near its end warns; it never stops water."""

    kind: ClassVar[str] = "allocation"
    m3: Positive
    first: Day
    last: Day
    used_before_m3: Annotated[float, Field(ge=0.0, allow_inf_nan=False)] = 0.0
    """Taken in that time before this controller kept the record, or by other pumps."""
    warn_share: Annotated[float, Field(gt=0.0, le=1.0)] = 0.9
    why: Text

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.last < self.first:
            raise ValueError(f"got last {self.last} before first {self.first}; expected it later")
        return self


def weekday_of(night: date) -> Weekday:
    """Return the weekday's name."""
    return WEEKDAYS[night.weekday()]

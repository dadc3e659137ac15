"""Who is watered when, and with what: shifts, programs, and the state of each block."""

from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from daemon.decisions.base import Day, Decision, Instant, Name, Nutrient, Part, Positive, Text
from daemon.decisions.timetable import Weekdays


class Shift(Decision):
    """The blocks that are watered together."""

    kind: ClassVar[str] = "shift"
    blocks: Annotated[tuple[Name, ...], Field(strict=False, min_length=1)]


PRESCRIBED = (
    "recommendation",
    "dose_kg_ha",
    "dose_g_plant",
    "product_l_ha",
    "stock_l_m3",
    "nutrient_g_m3",
    "line_ec_ms_cm",
)
"""The ways to say how much; each injection has exactly one."""
CONCENTRATIONS = ("stock_l_m3", "nutrient_g_m3", "line_ec_ms_cm")
"""Those whose amount follows the water of INJECT."""
WATERED = ("water_m3", "water_min", "water_mm")
"""The ways to say how much water; each program has exactly one."""


class Injection(Part):
    """One stock of a program, and how much of it: a quantity, a concentration, or as a recommendation says."""

    stock: Name
    nutrient: Nutrient
    """What the dose counts, and by what it is judged."""
    inject_m3: Positive | None = None
    """Water during which the stock is spread out; without it the plan finds it. A concentration needs it."""
    nights: Weekdays | None = None
    """Nights on which it is injected; without it on all that the program runs."""
    recommendation: Name | None = None
    """The dose that this recommendation makes due: its stage's share, other sources, and what is made up."""
    dose_kg_ha: Positive | None = None
    """Mean dose of `nutrient` over the shift's area in use."""
    dose_g_plant: Positive | None = None
    """Of `nutrient`; needs the crop cycle's plants to the hectare."""
    product_l_ha: Positive | None = None
    """Litres of the stock's one liquid product."""
    stock_l_m3: Positive | None = None
    """Litres of stock to each m3 of water of INJECT."""
    nutrient_g_m3: Positive | None = None
    """Grams of `nutrient` in each m3 of water of INJECT."""
    line_ec_ms_cm: Positive | None = None
    """EC at 25 °C that the line is to have, the water's own included; needs the program's `source`."""

    @model_validator(mode="after")
    def _one_dose(self) -> Self:
        given = [name for name in PRESCRIBED if getattr(self, name) is not None]
        if len(given) != 1:
            raise ValueError(f"got {' and '.join(given) or 'no dose'}; expected one of {', '.join(PRESCRIBED)}")
        if given[0] in CONCENTRATIONS and self.inject_m3 is None:
            raise ValueError(f"got {given[0]} without inject_m3; expected the water that is to have it")
        return self


class Program(Decision):
    """What one shift gets on one occasion. Without injections it is water alone."""

    kind: ClassVar[str] = "program"
    shift: Name
    water_m3: Positive | None = None
    """Water of the whole shift, pre-wet and flush included."""
    water_min: Positive | None = None
    """The same as minutes at the shift's flow."""
    water_mm: Positive | None = None
    """The same as depth over the area in use."""
    injections: Annotated[tuple[Injection, ...], Field(strict=False)] = ()
    order: Literal["together", "in_turn"]
    """Channels all at once, or one after the other with a transit of clear water between them."""
    source: Name | None = None
    """The water analysis that holds for it: what falls out in the line, and the nitrate that the water brings."""
    meet: Literal["mean", "lowest"] | Name = "mean"
    """Blocks share stock by their flow. The dose is right as the mean over the area; or no block gets more than its
    own (lowest); or that of the block named is right."""

    @model_validator(mode="after")
    def _one_water(self) -> Self:
        given = [name for name in WATERED if getattr(self, name) is not None]
        if len(given) != 1:
            raise ValueError(f"got {' and '.join(given) or 'no water'}; expected one of {', '.join(WATERED)}")
        return self


class BlockState(Decision):
    """What is in use of one block, and whether it is closed. The key is the block's name."""

    kind: ClassVar[str] = "block"
    area_ha: Positive | None = None
    """Area in use; without it all of the block's."""
    closed_until: Instant | Day | None = None
    """From when it is watered again: a day of the site's clock, or a moment (after picking, or spraying)."""
    why: Text

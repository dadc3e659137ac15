"""What people decide, one frozen model each: shifts, stock, programs, blocks. The ledger keeps each, dated.

A decision is a kind, a key and a body; the body is one of these models as JSON. What is bolted down is in `site`.
"""

from datetime import date
from typing import Annotated, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field

Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=24)]
Nutrient = Annotated[str, Field(pattern=r"^(N|P|K|Ca|Mg|S|Cl|Na|B|Fe|Mn|Zn|Cu|Mo)$")]
"""Elemental, never the oxide: a label's oxide is converted where it is entered."""
Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]


class Decision(BaseModel):
    """Base of every decision: frozen, and strict about its keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, use_attribute_docstrings=True)
    kind: ClassVar[str]


class Shift(Decision):
    """The blocks that are watered together."""

    kind: ClassVar[str] = "shift"
    blocks: Annotated[tuple[Name, ...], Field(strict=False, min_length=1)]


class Stock(Decision):
    """What is in a tank now: one batch of stock solution."""

    kind: ClassVar[str] = "stock"
    tank: Name
    batch: str = Field(min_length=1, max_length=40)
    product: str = Field(min_length=1, max_length=80)
    nutrients_g_l: dict[Nutrient, Positive] = Field(min_length=1)
    product_g_l: Positive
    ec_ms_cm_per_g_l: Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
    """Rise of the line's EC at 25 °C for each gram of product in a litre; 0 where EC cannot see the product."""
    strength_accuracy_pct: Positive
    """k = 2 of the strength, from the weighing and the filling of the tank."""


class Injection(BaseModel):
    """One stock of a program."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, use_attribute_docstrings=True)

    stock: Name
    nutrient: Nutrient
    dose_kg_ha: Positive
    """Mean dose of `nutrient` over the shift's area in use."""
    inject_m3: Positive
    """Water during which the stock is spread out."""


class Program(Decision):
    """What one shift gets on one occasion. Without injections it is water alone."""

    kind: ClassVar[str] = "program"
    shift: Name
    water_m3: Positive
    """Water of the whole shift, pre-wet and flush included."""
    injections: Annotated[tuple[Injection, ...], Field(strict=False)] = ()
    order: Literal["together", "in_turn"]
    """Channels all at once, or one after the other with a transit of clear water between them."""


class BlockState(Decision):
    """What is in use of one block, and whether it is closed. The key is the block's name."""

    kind: ClassVar[str] = "block"
    area_ha: Positive | None = None
    """Area in use; without it all of the block's."""
    closed_until: Annotated[date, Field(strict=False)] | None = None
    """First day on which it is watered again."""
    why: str = Field(min_length=1, max_length=200)


KINDS: dict[str, type[Decision]] = {model.kind: model for model in (Shift, Stock, Program, BlockState)}

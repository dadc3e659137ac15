"""What all shapes share: their base, and figures with the unit that UCUM has for them."""

from datetime import datetime
from typing import Annotated, Any, Generic, TypeVar

from pydantic import BaseModel, ConfigDict, Field

Item = TypeVar("Item")


class Shape(BaseModel):
    """Base of everything that goes out."""

    model_config = ConfigDict(use_attribute_docstrings=True)


class Asked(BaseModel):
    """Base of everything that comes in: no key that nobody knows, no number that is none."""

    model_config = ConfigDict(use_attribute_docstrings=True, extra="forbid", strict=True, allow_inf_nan=False)


def _unit(code: str) -> Any:
    return Field(json_schema_extra={"x-ucum-unit": code})


Litres = Annotated[float, _unit("L")]
CubicMetres = Annotated[float, _unit("m3")]
Kilograms = Annotated[float, _unit("kg")]
KgPerHectare = Annotated[float, _unit("kg/har")]
Hectares = Annotated[float, _unit("har")]
Percent = Annotated[float, _unit("%")]
Seconds = Annotated[float, _unit("s")]
CubicMetresPerHour = Annotated[float, _unit("m3/h")]
LitresPerHour = Annotated[float, _unit("L/h")]
GramsPerLitre = Annotated[float, _unit("g/L")]
Moment = datetime
"""With its offset, as RFC 3339 has it."""


class Page(Shape, Generic[Item]):
    """Some of a list, and the way to the rest."""

    items: list[Item]
    next: str | None
    """Cursor of the next page; null at the end."""


Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,39}$")]
Cursor = Annotated[str | None, Field(pattern=r"^[0-9]{1,18}$", description="`next` of the page before.")]
Limit = Annotated[int, Field(ge=1, le=200, description="Items of a page.")]

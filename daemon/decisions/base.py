"""What every decision is made of: the frozen base, names, nutrients and numbers with their ranges.

A decision is a kind, a key and a body; the body is one of the models beside this file, as JSON. The ledger keeps each
version, dated. What is bolted down is in `site`.
"""

import re
from collections.abc import Callable, Hashable, Mapping
from datetime import date, datetime
from typing import Annotated, Any, ClassVar, TypeVar, cast

from pydantic import AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=40)]
NUTRIENTS = ("N", "P", "K", "Ca", "Mg", "S", "Cl", "Na", "B", "Fe", "Mn", "Zn", "Cu", "Mo")
Nutrient = Annotated[str, Field(pattern=rf"^({'|'.join(NUTRIENTS)})$")]
"""Elemental, never the oxide: a label's oxide is converted where it is entered."""
Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0.0, le=1.0, allow_inf_nan=False)]
Celsius = Annotated[float, Field(ge=-5.0, le=60.0, allow_inf_nan=False)]
Text = Annotated[str, Field(min_length=1, max_length=200)]


def text_of(pattern: str) -> BeforeValidator:
    """Return what lets no other text pass, and no number: pydantic would read a date or time out of either."""
    form = re.compile(pattern)

    def check(value: Any) -> Any:
        if isinstance(value, int | float) or (isinstance(value, str) and not form.match(value)):
            raise PydanticCustomError("date_type", "Input should be a date or time in the form of RFC 3339")
        return value

    return BeforeValidator(check)


def _whole(value: Any) -> Any:
    """Return 12.0 as 12, as JSON means it: there it is a whole number."""
    return int(value) if isinstance(value, float) and value.is_integer() else value


WHOLE = BeforeValidator(_whole)
"""Of a field of int."""
_DATE = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
Day = Annotated[date, text_of(rf"{_DATE}$"), Field(strict=False)]
Instant = Annotated[datetime, AwareDatetime, text_of(rf"{_DATE}[Tt ]"), Field(strict=False)]
"""With its zone or offset: two o'clock comes twice in a year."""


class Part(BaseModel):
    """Base of a part of a decision: frozen, and strict about its keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, use_attribute_docstrings=True)


class Decision(Part):
    """Base of every decision."""

    kind: ClassVar[str]


Decisions = Mapping[tuple[str, str], Decision]
"""The newest version of each decision by (kind, key)."""

Kind = TypeVar("Kind", bound=Decision)
_Made = TypeVar("_Made")


class Sorted(dict[tuple[str, str], Decision]):
    """Decisions that are asked for by their kind many times: those of a kind are looked out once. Not to be changed."""

    def __init__(self, decisions: Decisions) -> None:
        super().__init__(decisions)
        self._kinds: dict[type[Decision], dict[str, Decision]] = {}
        self._worked_out: dict[Hashable, Any] = {}

    def of(self, kind: type[Kind]) -> Mapping[str, Kind]:
        """Return those of one kind by key."""
        if kind not in self._kinds:
            self._kinds[kind] = {key: found for (_, key), found in self.items() if isinstance(found, kind)}
        return cast(Mapping[str, Kind], self._kinds[kind])

    def once(self, key: Hashable, make: Callable[[], _Made]) -> _Made:
        """Return what `make` makes of these decisions, made once."""
        if key not in self._worked_out:
            self._worked_out[key] = make()
        return cast(_Made, self._worked_out[key])


def sorted_by_kind(decisions: Decisions) -> Sorted:
    """Return the decisions in that form."""
    return decisions if isinstance(decisions, Sorted) else Sorted(decisions)


def of_kind(decisions: Decisions, kind: type[Kind]) -> Mapping[str, Kind]:
    """Return the decisions of one kind by key."""
    if isinstance(decisions, Sorted):
        return decisions.of(kind)
    return {key: found for (_, key), found in decisions.items() if isinstance(found, kind)}

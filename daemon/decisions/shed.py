"""What comes into the shed and what is counted there; and the rain gauge. Day-to-day entries that an account needs."""

from typing import Annotated, ClassVar

from pydantic import Field

from daemon.decisions.base import Day, Decision, Instant, Name, NotNegative, Positive, Text


class Delivery(Decision):
    """Product that arrived in the shed. The key is free."""

    kind: ClassVar[str] = "delivery"
    product: Name
    kg: Positive
    lot: Annotated[str, Field(max_length=60)] = ""
    at: Instant
    by: Text


class ShedCount(Decision):
    """What of a product was found in the shed, weighed or counted in bags. The key is free."""

    kind: ClassVar[str] = "shed_count"
    product: Name
    kg: NotNegative
    at: Instant
    by: Text


class Rainfall(Decision):
    """A reading of the rain gauge, emptied then. The key is free."""

    kind: ClassVar[str] = "rainfall"
    on: Day
    """Day on whose morning it was read: the rain of the 24 hours before."""
    mm: Annotated[float, Field(ge=0.0, le=1000.0, allow_inf_nan=False)]
    by: Text

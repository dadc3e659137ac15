"""What was measured in the field and stands for a computed value."""

from typing import Annotated, ClassVar

from pydantic import Field

from daemon.decisions.base import Decision, Instant, Positive, Text


class Transit(Decision):
    """The water's way to a block's outermost emitter, as somebody measured it. The key is the block's name."""

    kind: ClassVar[str] = "transit"
    litres: Positive
    """At the block's own flow, from the injection point until EC rises at its outermost emitter."""
    share: Annotated[float, Field(gt=0.0, le=1.0)] = 1.0
    """The block's part of the flow in the shared main meanwhile: 1 where it was watered alone."""
    accuracy_pct: Annotated[float, Field(gt=0.0, le=50.0)]
    """k = 2."""
    at: Instant
    by: Text
    how: Text
    """With what, and on which emitter."""

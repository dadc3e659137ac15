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


class Calibration(Decision):
    """How right an instrument was found to be, held against something better."""

    kind: ClassVar[str] = "calibration"
    instrument: Annotated[str, Field(pattern=r"^(main\.(water|line_ec)|injector\.[a-z][a-z0-9_]*)$")]
    """main.water, main.line_ec, or injector. and the injector's name: its meter."""
    accuracy_pct: Annotated[float, Field(gt=0.0, le=50.0)]
    """k = 2 of a reading right after it, in percent of it."""
    at: Instant
    by: Text
    how: Text
    """With what, and at which flows or strengths."""

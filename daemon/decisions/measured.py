"""What was measured in the field and stands for a computed value."""

import itertools
from typing import Annotated, ClassVar, Self

from pydantic import Field, model_validator

from daemon.decisions.base import Decision, Instant, NotNegative, Positive, Share, Text

Section = Annotated[str, Field(pattern=r"^([0-9a-f]{16})?$")]
"""Digest of the part of the site file that was measured: what was measured holds until that part is written anew. Empty
where nobody told: then it holds until something else is measured."""


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
    section: Section = ""


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


class Curve(Decision):
    """What an injector really gives at line pressure. The key is the injector's name; it replaces the site's curve."""

    kind: ClassVar[str] = "curve"
    points: Annotated[
        tuple[Annotated[tuple[Share, NotNegative], Field(strict=False)], ...],
        Field(strict=False, min_length=2, max_length=20),
    ]
    """Drive (0 to 1) against litres an hour, both rising."""
    accuracy_pct: Annotated[float, Field(gt=0.0, le=50.0)]
    """k = 2 of the rate."""
    at: Instant
    by: Text
    how: Text
    section: Section = ""

    @model_validator(mode="after")
    def _rising(self) -> Self:
        for (drive, rate), (next_drive, next_rate) in itertools.pairwise(self.points):
            if next_drive <= drive or next_rate <= rate:
                raise ValueError("a curve that rises: each drive and each rate above the one before")
        return self

"""Which steps of the commissioning must be valid before anything is injected, as the site file has it."""

from typing import Annotated

from pydantic import Field

from daemon.equipment import Part

STEP_NAMES = (
    "points",
    "pump",
    "fill",
    "meter",
    "probe",
    "injector",
    "tank",
    "transit",
    "uniformity",
    "proof",
    "dry_night",
)
"""Of the steps; `daemon.commissioning` has what they do."""
_STEP = f"({'|'.join(STEP_NAMES)})"


class Commissioning(Part):
    """What must have been tested. Without it water runs; fertiliser does not."""

    required: tuple[Annotated[str, Field(pattern=rf"^{_STEP}(\.[a-z0-9_.-]+)?$", max_length=80)], ...] = Field(
        default=(), strict=False
    )
    """Steps by name, for all that they are done for, or one alone: transit, or transit.creek, or proof.burst."""
    valid_days: dict[Annotated[str, Field(pattern=rf"^{_STEP}$")], Annotated[int, Field(ge=1, le=3650)]] = Field({})
    """How long a step's result holds, where that is not a year."""

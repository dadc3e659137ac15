"""Every step by its name, in the order of the two days."""

from typing import Final

from daemon.commissioning.dry_night_step import DRY_NIGHT
from daemon.commissioning.fill_step import FILL
from daemon.commissioning.injector_step import INJECTOR
from daemon.commissioning.meter_step import METER, PROBE
from daemon.commissioning.points_step import POINTS
from daemon.commissioning.proof_step import PROOF
from daemon.commissioning.pump_step import PUMP
from daemon.commissioning.step import Step
from daemon.commissioning.tank_step import TANK
from daemon.commissioning.transit_step import TRANSIT
from daemon.commissioning.uniformity_step import UNIFORMITY

_IN_ORDER: Final = (
    POINTS, PUMP, FILL, METER, PROBE, INJECTOR, TANK, TRANSIT, UNIFORMITY, PROOF, DRY_NIGHT,
)  # fmt: skip
"""As they build on each other: what is read rightly, then what the water does, then what is dosed into it."""

STEPS: Final[dict[str, Step]] = {step.name: step for step in _IN_ORDER}

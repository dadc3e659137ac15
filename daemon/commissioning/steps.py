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
from daemon.commissioning.transit_step import TRANSIT
from daemon.commissioning.uniformity_step import UNIFORMITY

STEPS: Final[dict[str, Step]] = {
    step.name: step for step in (POINTS, PUMP, FILL, METER, PROBE, INJECTOR, TRANSIT, UNIFORMITY, PROOF, DRY_NIGHT)
}

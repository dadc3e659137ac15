"""One-shift nights of Kestrel Bend in the core, where what was brewed is not quite what was written down.

What EC shows of a stock is drawn by what makes it unsure, and not by what the estimates claim. Of one tank's very
batch a bucket test was made, so its slope goes with the batch's own strength and is off by what was measured with; the
other's is off by what a calculation is off by. All of it lies anywhere within its limits alike.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from daemon.dosing.outcome import block_doses, combined
from daemon.evidence import AlarmRaised, Dose, DoseReconciled
from daemon.recipe import Recipe
from sim.plant import EC_ADDITIVITY
from sim.stock import Batch
from sim.tolerances import Tolerances
from tests.night.core import CoreNight, charged_night, recipe_of
from tests.night.places import Place, kestrel

BUCKET_TESTED = "a"
"""The tank of whose batch Kestrel Bend made a bucket test."""
_METER_PCT, _CYLINDER_PCT, _FOLLOWED_PCT = 1.5, 1.0, 1.0
"""A hand meter's class; a measuring cylinder of class B by ISO 4788 (1 mL of 100, 10 mL of 1000: from memory); the way
from the bucket's strength to the line's (tests/outside/test_phreeqc_showing.py)."""
_CALCULATED_PCT, _MEASURED_PCT = 5.0, 3.0
"""Between a calculated slope and PHREEQC's (the same test), and between such and measured ones, sulphates apart
(tests/daemon/agronomy/test_conductivity.py, after McCleskey, J. Chem. Eng. Data 56:317, 2011)."""
_STRENGTH_K2_PCT = 2.0
_PLANNED = frozenset({"filter-backwash"})


def orchard(folder: Path, share: float, part: float = 0.15) -> Place:
    """Write Kestrel Bend with pipes at `part` of their length and its water and doses at `share`."""
    changes = {"wash_every_m3 = 250.0": "wash_every_m3 = 40.0"}
    return kestrel(folder, f"witness_{share:g}", changes, part=part, share=share)


class Fault(NamedTuple):
    """What is wrong on a night."""

    name: str
    """A fault of the simulator; mix or slope: what was brewed; none."""
    parameters: Mapping[str, object] = {}
    tank: str = ""
    times: float = 1.0
    """Of the strength of what was brewed, or of the probe's slope."""
    lasts_s: float = 0.0
    """From the first stock on; 0: from the night's beginning to its end."""


NOTHING = Fault("none")


class Heard(NamedTuple):
    """How a night came out."""

    night: CoreNight
    recipe: Recipe
    reconciled: tuple[DoseReconciled, ...]
    doses: tuple[Dose, ...]
    alarms: frozenset[str]

    def stock_l(self, channel: str) -> float:
        """Return what the channel really drew, in litres at the strength that was written down."""
        (strength,) = (
            factor
            for name, factor in self.night.sim.tolerances.drawn.items()
            if name.startswith(f"strength.{channel}.")
        )
        return self.night.sim.injectors[channel].drawn_l * strength

    def causes(self) -> list[list[str]]:
        """Return each channel's causes, where it has any."""
        return [causes for row in self.reconciled if (causes := json.loads(row.causes))]

    def by_block(self) -> Iterator[tuple[Dose, Dose, float]]:
        """Yield each block's and nutrient's dose by the meters and by all together, and what it really got, in mg."""
        true_kg = self.night.truth_kg()
        for metered, found in zip(
            block_doses(self.doses), block_doses(combined(self.doses, self.reconciled)), strict=True
        ):
            yield metered, found, 1e6 * true_kg[found.block].get(found.nutrient, 0.0)


def witnessed(place: Place, seed: int, program: str, fault: Fault = NOTHING) -> Heard:
    """Run a night of one program drawn by its seed, with something wrong from the beginning."""
    fixed = {"line_ec": fault.times} if fault.name == "probe" else {}
    drawn = Tolerances(seed)
    plans = recipe_of(place.site_file, place.decisions, program).channels
    expected_ms_cm = {plan.channel: plan.ec_rise_ms_cm / plan.ratio for plan in plans}
    """What the plan expects a litre of each stock to show in a litre of the line; channels are named as their tanks."""
    tanks: list[str] = []

    def brew(tank: str, batch: Batch) -> Batch:
        tanks.append(tank)
        strength = drawn.around("strength", _STRENGTH_K2_PCT, f"{tank}.{len(tanks)}")
        if tank == BUCKET_TESTED:
            off = drawn.within("slope", _METER_PCT, "meter") * drawn.within("slope", _CYLINDER_PCT, "stock")
            off *= drawn.within("slope", _CYLINDER_PCT, "water") * drawn.within("slope", _FOLLOWED_PCT, "strength")
            slope = off / strength
        else:
            slope = drawn.within("slope", _CALCULATED_PCT, "peer") * drawn.within("slope", _MEASURED_PCT, "measured")
        slope *= expected_ms_cm.get(tank, 1.0) / batch.product_g_l
        times = fault.times if fault.tank == tank else 1.0
        return replace(
            batch,
            nutrients_g_l={name: times * g_l for name, g_l in batch.nutrients_g_l.items()},
            product_g_l=times * batch.product_g_l,
            ec_ms_cm_per_g_l=slope / EC_ADDITIVITY,
        )

    night, (recipe,) = charged_night(
        place.site_file, place.decisions, seed, (program,), scan_s=place.scan_s, brew=brew, fixed=fixed
    )
    faults, left_s, is_on = night.sim.faults, fault.lasts_s, False
    if fault.parameters and not fault.lasts_s:
        night.sim.fault(faults.check(fault.name, True, dict(fault.parameters)))
    for decision in night.run(recipe):
        if left_s <= 0.0:
            continue
        if not is_on and any(channel.run for channel in decision.outputs.channels.values()):
            is_on = True
            night.sim.fault(faults.check(fault.name, True, dict(fault.parameters)))
        left_s -= night.scan_s if is_on else 0.0
        if left_s <= 0.0:
            night.sim.fault(faults.check(fault.name, False, {}))
    return Heard(
        night,
        recipe,
        tuple(row for row in night.rows if isinstance(row, DoseReconciled)),
        tuple(row for row in night.rows if isinstance(row, Dose)),
        frozenset(row.code for row in night.rows if isinstance(row, AlarmRaised)) - _PLANNED,
    )

"""The technician's two days at Kestrel Bend, step after step, and how far each result is from what is hidden there."""

import random
from pathlib import Path
from typing import Any, NamedTuple

from daemon.commissioning.uniformity import du_lq_pct
from daemon.hydraulics.pipes import line_path, shared_main_l
from tests.night import steps_answered as enter
from tests.night.places import kestrel
from tests.night.technician import HELD, Technician, at_the_plant, u_of, value_of

_EMITTERS = 1600
_PART = 0.1
"""Of the pipes' length: shorter ones are passed in so few scans that these alone are some percent of the transit."""


class Off(NamedTuple):
    """How far results are from the truth."""

    transit_pct: float
    injector_pct: float
    """The worst of both injectors' settings."""
    meter_pct: float
    probe_pct: float
    pump_in_band: int
    """Of two duty points, those whose truth lies in the k = 2 that is stated."""
    du_in_band: bool


async def commission_all(seed: int, folder: Path) -> Off:
    """Lead through every step, accept each, and return how far it is off."""
    place = kestrel(folder, "kestrel_bend", part=_PART, share=_PART)
    decisions = folder / "decided.toml"
    decisions.write_text(place.decisions, "utf-8")
    async with at_the_plant(place.site_file, decisions, folder / "db", seed=seed) as technician:
        for subject in ("inputs", "outputs", "watchdog"):
            await technician.lead("points", subject, getattr(enter, subject))
        hidden = (await technician.truth())["hidden"]
        pump = await technician.lead("pump", "pump", enter.pump)
        await technician.lead("fill", enter.BLOCK, enter.fill)
        meter = await technician.lead("meter", "main.water", enter.meter)
        probe = await technician.lead("probe", "main.line_ec", enter.probe)
        injectors = {name: await technician.lead("injector", name, enter.injector) for name in ("a", "b")}
        transit = await technician.lead("transit", enter.BLOCK, enter.transit_far)
        technician.cans = Cans(seed)
        uniformity = await technician.lead("uniformity", enter.BLOCK, enter.uniformity)
        technician.fault, technician.during = "valve_stuck_shut", HELD
        proof = await technician.lead("proof", "no-flow", enter.proof)
        dry = await technician.lead("dry_night", enter.BLOCK, enter.dry_night)
        assert proof["verdict"] == dry["verdict"] == "PASSED", (proof, dry)
        eta_pct = 70.0 * hidden["pump_efficiency"]
        duties = [f"efficiency, duty {number}" for number in (1, 2)]
        return Off(
            transit_pct=100.0 * (value_of(transit, "transit") / transit_l(technician, hidden) - 1.0),
            injector_pct=max((_injector_pct(injectors[name], hidden, name) for name in injectors), key=abs),
            meter_pct=value_of(meter, "error") - 100.0 * (hidden["main_meter"] - 1.0),
            probe_pct=100.0 * (value_of(probe, "slope, true over shown") * hidden["line_ec"] - 1.0),
            pump_in_band=sum(abs(value_of(pump, duty) - eta_pct) <= u_of(pump, duty) for duty in duties),
            du_in_band=_is_du_in_band(uniformity, technician.cans.du_pct),
        )


def transit_l(technician: Technician, hidden: dict[str, float]) -> float:
    """Return the litres to the outermost emitter: shared main and block have each a hidden factor of their own."""
    site = technician.service.plant.site
    shared_l = shared_main_l(site.main)
    path = line_path(site.block[enter.BLOCK], shared_l)
    of_block_l = path.transit_l - shared_l
    return shared_l * hidden["pipe_volume"] + of_block_l * hidden[f"pipe_volume.{enter.BLOCK}"]


def _injector_pct(result: dict[str, Any], hidden: dict[str, float], name: str) -> float:
    factor = hidden[f"injector_curve.{name}"]
    offs = [
        100.0 * (value_of(result, f"rate at {setting:g} %") / (5.0 * setting * factor) - 1.0)
        for setting in (10.0, 50.0, 100.0)
    ]
    return max(offs, key=abs)


def _is_du_in_band(result: dict[str, Any], du_pct: float) -> bool:
    name = "DU of the low quarter, water"
    return abs(value_of(result, name) - du_pct) <= u_of(result, name)


class Cans:
    """A block whose emitters differ as its seed has it, and what sixteen cans caught under some of them."""

    def __init__(self, seed: int) -> None:
        self._dice = random.Random(f"{seed}/cans")
        cv = self._dice.uniform(0.04, 0.2)
        self._emitters = [max(0.0, self._dice.gauss(1.0, cv)) for _ in range(_EMITTERS)]
        self.du_pct = du_lq_pct(self._emitters)

    def caught_ml(self, mean_ml: float) -> list[float]:
        """Return what the cans caught, read to 1 mL."""
        return [max(0.0, mean_ml * one + self._dice.gauss(0.0, 1.0)) for one in self._dice.sample(self._emitters, 16)]

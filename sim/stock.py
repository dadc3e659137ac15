"""The stock side: tanks with their batches, and metering pumps that draw from them."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sim.site import Injector as InjectorSheet

_LAG_S = 1.0


@dataclass(frozen=True, slots=True)
class Batch:
    """One mix of stock solution, by what is really in it."""

    nutrients_g_l: Mapping[str, float]
    product_g_l: float
    ec_ms_cm_per_g_l: float

    @property
    def ec_of_stock(self) -> float:
        """Rise of EC at full strength if EC were additive, in mS/cm: times the dilution it is the line's rise."""
        return self.product_g_l * self.ec_ms_cm_per_g_l


def mixed(parts: Sequence[tuple[Batch, float]]) -> Batch:
    """Return the batch that comes of stirring (batch, litres) together."""
    litres = sum(volume_l for _, volume_l in parts)
    names = {name for batch, _ in parts for name in batch.nutrients_g_l}
    product_g_l = sum(batch.product_g_l * volume_l for batch, volume_l in parts) / litres
    return Batch(
        {
            name: sum(batch.nutrients_g_l.get(name, 0.0) * volume_l for batch, volume_l in parts) / litres
            for name in sorted(names)
        },
        product_g_l,
        sum(batch.ec_of_stock * volume_l for batch, volume_l in parts) / litres / product_g_l,
    )


class Tank:
    """A stock tank."""

    __slots__ = ("batch", "litres", "outlet_dry", "volume_l")

    def __init__(self, volume_l: float) -> None:
        self.volume_l = volume_l
        self.litres = 0.0
        self.batch = 0
        """Number of the batch in it."""
        self.outlet_dry = False
        """Stands for an empty tank: nothing can be drawn and the level shows none."""

    @property
    def shown_l(self) -> float:
        """Litres that the level shows."""
        return 0.0 if self.outlet_dry else self.litres

    def draw(self, wanted_l: float) -> float:
        """Take out up to `wanted_l`; return what came."""
        if self.outlet_dry:
            return 0.0
        drawn_l = min(wanted_l, self.litres)
        self.litres -= drawn_l
        return drawn_l


class Injector:
    """A metering pump: litres an hour by its drive, with a lag; nothing without all that it needs."""

    __slots__ = (
        "_curve",
        "airlock",
        "contactor_in",
        "drawn_l",
        "drive",
        "meter_factor",
        "meter_fault",
        "metered_l",
        "rate_l_h",
        "siphon_l_h",
        "tank",
        "target_l_h",
        "valve_open",
    )

    def __init__(self, sheet: InjectorSheet, tank: Tank, curve_factor: float, meter_factor: float) -> None:
        self._curve = [(0.0, 0.0), *((drive, rate * curve_factor) for drive, rate in sheet.curve if drive > 0.0)]
        self.tank = tank
        self.meter_factor = meter_factor
        self.meter_fault = 1.0
        self.drive = 0.0
        self.contactor_in = False
        self.valve_open = False
        self.airlock = False
        self.siphon_l_h = 0.0
        self.rate_l_h = 0.0
        self.target_l_h = 0.0
        self.drawn_l = 0.0
        self.metered_l = 0.0
        """What the meter has counted, with its error."""

    def settle(self) -> None:
        """Work out the rate to go for; to be called when anything that it depends on has changed."""
        pumping = self.contactor_in and self.valve_open and not self.airlock
        self.target_l_h = self._rate_at(self.drive) if pumping else 0.0
        if not self.target_l_h:
            self.rate_l_h = 0.0

    def step(self, dt_s: float, lag_share: float) -> float:
        """Pump for `dt_s`, going `lag_share` of the way to the target rate; return the litres that moved."""
        if self.target_l_h:
            self.rate_l_h += (self.target_l_h - self.rate_l_h) * lag_share
            flow_l_h = self.rate_l_h
        elif self.siphon_l_h:
            flow_l_h = self.siphon_l_h
        else:
            return 0.0
        drawn_l = self.tank.draw(flow_l_h * dt_s / 3600.0)
        self.drawn_l += drawn_l
        self.metered_l += drawn_l * self.meter_factor * self.meter_fault
        return drawn_l

    def _rate_at(self, drive: float) -> float:
        last_drive, last_rate = 0.0, 0.0
        for at, rate in self._curve:
            if drive <= at:
                span = at - last_drive
                return last_rate + (rate - last_rate) * (drive - last_drive) / span if span else rate
            last_drive, last_rate = at, rate
        return last_rate


def lag_share(dt_s: float) -> float:
    """Return the share of the way to a new rate that a metering pump goes in `dt_s`."""
    return -math.expm1(-dt_s / _LAG_S)

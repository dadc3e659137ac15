"""Injectors of all kinds: what each draws from its tank, what its meter counts, and what enters the main when."""

import math

from sim.parts import Injector as InjectorSheet
from sim.stock import Hose, Tank

_LAG_S = 1.0
"""A metering pump follows its drive with this time constant."""


def lag_share(dt_s: float) -> float:
    """Return the share of the way to a new rate that a metering pump goes in `dt_s`."""
    return -math.expm1(-dt_s / _LAG_S)


class Injector:
    """What all kinds have, and the pump of one rate: full rate with its contactor in and its valve open, or nothing."""

    brings = 1.0
    """Share of what it puts in that is not water of the main."""
    lags = False
    """Whether its rate takes time to follow."""

    def __init__(self, sheet: InjectorSheet, tank: Tank, rate_factor: float, meter_factor: float) -> None:
        self.tank = tank
        self.hose = Hose(sheet.hose_l)
        self.meter_factor = meter_factor
        self.meter_fault = 1.0
        self.drive = 0.0
        self.contactor_in = False
        self.valve_open = False
        self.airlock = 0.0
        """Share of each stroke that air takes."""
        self.siphon_l_h = 0.0
        self.line_kpa = 0.0
        """Pressure of the main where water flows in it; 0 where none does."""
        self.rate_l_h = 0.0
        self.target_l_h = 0.0
        self.drawn_l = 0.0
        """Stock that has left the tank."""
        self.metered_l = 0.0
        """What the meter has counted, with its error."""
        self.entering: list[tuple[int, float]] = []
        """Stock that the last step put into the main: (batch, litres)."""
        self._full_l_h = sheet.rate_l_h * rate_factor

    def set_drive(self, drive: float) -> None:
        """Take a new set value, 0 to 1."""
        self.drive = drive
        self.settle()

    def feel(self, line_kpa: float) -> None:
        """Take a new pressure of the main, 0 where no water flows in it."""
        if line_kpa != self.line_kpa:
            self.line_kpa = line_kpa
            self.settle()

    def prime(self) -> None:
        """Fill a hose that holds water with what is in the tank."""
        self.hose.prime(self.tank.batch)

    def settle(self) -> None:
        """Work out the rate to go for; to be called when anything that it depends on has changed."""
        self.target_l_h = 0.0
        if self.contactor_in and self.valve_open:
            self.target_l_h = self._wanted_l_h() * (1.0 - self.airlock)
        if not self.target_l_h or not self.lags:
            self.rate_l_h = self.target_l_h

    def step(self, dt_s: float, lag: float) -> float:
        """Run for `dt_s`, a metering pump going `lag` of the way to its rate; return the litres that enter the main."""
        if self.target_l_h:
            if self.rate_l_h != self.target_l_h:
                self.rate_l_h += (self.target_l_h - self.rate_l_h) * lag
            flow_l_h = self.rate_l_h
        elif self.siphon_l_h:
            flow_l_h = self.siphon_l_h
        else:
            return 0.0
        return self._move(flow_l_h * dt_s / 3600.0)

    def _move(self, litres: float) -> float:
        drawn_l = self.tank.draw(litres)
        if not drawn_l:
            return 0.0
        self.drawn_l += drawn_l
        self.metered_l += drawn_l * self.meter_factor * self.meter_fault
        self.entering = self.hose.push(drawn_l, self.tank.batch, 1.0)
        return drawn_l

    def _wanted_l_h(self) -> float:
        return self._full_l_h


class MeteringPump(Injector):
    """Litres an hour by its drive, along its curve and with a lag."""

    lags = True

    def __init__(self, sheet: InjectorSheet, tank: Tank, rate_factor: float, meter_factor: float) -> None:
        super().__init__(sheet, tank, rate_factor, meter_factor)
        self._curve = [(0.0, 0.0), *((drive, rate * rate_factor) for drive, rate in sheet.curve if drive > 0.0)]

    def _wanted_l_h(self) -> float:
        last_drive, last_rate = 0.0, 0.0
        for at, rate in self._curve:
            if self.drive <= at:
                span = at - last_drive
                return last_rate + (rate - last_rate) * (self.drive - last_drive) / span if span else rate
            last_drive, last_rate = at, rate
        return last_rate


class Venturi(Injector):
    """Sucks while its valve is open and the line has pressure, with the root of it."""

    def __init__(
        self, sheet: InjectorSheet, tank: Tank, rate_factor: float, meter_factor: float, duty_kpa: float
    ) -> None:
        super().__init__(sheet, tank, rate_factor, meter_factor)
        self._duty_kpa = duty_kpa

    def _wanted_l_h(self) -> float:
        return self._full_l_h * math.sqrt(self.line_kpa / self._duty_kpa)


class DisplacementTank(Injector):
    """Part of the main's water passes through a closed tank and washes it out; the meter counts the water."""

    brings = 0.0

    def prime(self) -> None:
        """Leave the hose: water passes the tank only with the valve open."""

    def _wanted_l_h(self) -> float:
        return self._full_l_h if self.line_kpa else 0.0

    def _move(self, litres: float) -> float:
        stock_l = self.tank.wash_out(litres)
        self.drawn_l += stock_l
        self.metered_l += litres * self.meter_factor * self.meter_fault
        self.entering = self.hose.push(litres, self.tank.batch, stock_l / litres)
        return litres


def make_injector(
    sheet: InjectorSheet, tank: Tank, rate_factor: float, meter_factor: float, duty_kpa: float
) -> Injector:
    """Return the injector that a sheet describes, with its hidden factors; a venturi is rated at `duty_kpa`."""
    match sheet.kind:
        case "metering_pump":
            return MeteringPump(sheet, tank, rate_factor, meter_factor)
        case "venturi":
            return Venturi(sheet, tank, rate_factor, meter_factor, duty_kpa)
        case "displacement_tank":
            return DisplacementTank(sheet, tank, rate_factor, meter_factor)
    return Injector(sheet, tank, rate_factor, meter_factor)

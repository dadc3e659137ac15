"""The simulated plant: relays and contactors, water, stock and pipes, moved on in steps finer than any scan."""

import math
from collections.abc import Callable

from sim.block_water import BlockWater
from sim.faults import Fault, Faults
from sim.filter import CLEAN_KPA, Filter
from sim.injectors import Injector, lag_share, make_injector
from sim.meter import MainMeter
from sim.parts import Pump
from sim.pipes import Pipes
from sim.plug import add
from sim.relays import OutputModule
from sim.site import Site
from sim.stock import Batch, Tank, mixed
from sim.supply import Supply
from sim.tolerances import Tolerances
from sim.transport import BlockLine
from sim.water import Water

STEP_S = 0.0937
"""Incommensurate with any scan on purpose: the plant never moves in step with its controller."""
WATCHDOG_S = 5.0
BACKGROUND_EC_MS_CM = 0.6
EC_ADDITIVITY = 0.96
"""Salts in a line raise EC less than each alone: domain figure for fertiliser in irrigation water."""
_PROBE_S = 8.0
_PUMP_PCT = 20.0
"""How far a pump's overall efficiency lies from 70 %, either way (common practice, no source)."""
_RUNNING_S = 0.5
"""The pump's auxiliary contact follows its contactor after this time."""
_PROBE_SHARE = -math.expm1(-STEP_S / _PROBE_S)
_INJECTOR_SHARE = lag_share(STEP_S)


class ChargeError(ValueError):
    """A tank cannot be charged so; the text says what was got, what was expected, what to do."""


class Plant:
    """All of the plant behind the registers. Time is its own, in seconds since it was made."""

    def __init__(self, site: Site, tolerances: Tolerances) -> None:
        self.site = site
        self.tolerances = tolerances
        self.revision = 0
        """Goes up whenever something an instrument may show has changed."""
        self.steps = 0
        self.time_s = 0.0
        self._debt_s = 0.0
        self.batches: list[Batch] = [Batch({}, 0.0, 0.0)]
        self._ec_of = [0.0]
        """Rise of EC of each batch at full strength."""
        self.modules = {name: self._module(name) for name in site.device}
        self._watched = tuple(self.modules.values())
        self._build_water()
        self.tanks = {name: Tank(tank.volume_l) for name, tank in site.tank.items()}
        self.injectors = {name: self._injector(name) for name in site.injector}
        self._pumps = tuple(self.injectors.values())
        self._analogue = self._set_values()
        water = site.main.water
        self.meter = MainMeter(site.main, tolerances.within("main_meter", water.accuracy_pct_of_reading))
        self._probe_sees_stock = not site.main.comes_before("probe", "injection")
        self.ec_rise_ms_cm = 0.0
        self.probe_rise_ms_cm = 0.0
        self.pump_contactor = False
        self._contactor_changed_s = -_RUNNING_S
        parts = {"block": tuple(site.block), "injector": tuple(site.injector), "tank": tuple(site.tank)}
        self.faults = Faults(parts, _lacking(site))
        self._next_fault_s = self.faults.next_s()
        self.dipped_ms_cm: float | None = None
        """What the line's probe is held in; None while it is in the line."""
        self.pump_efficiency = 0.7 * tolerances.within("pump_efficiency", _PUMP_PCT)
        """Overall, of pump, motor and drive together: nobody on the farm knows it before a pump test."""
        self.drift_began_s = 0.0
        """When the probe began to drift."""
        self._back_l = 0.0
        """What a leaking check valve lets back in a step."""
        self.wire()

    def _module(self, device: str) -> OutputModule:
        points = self.site.device[device].points.values()
        switches = [p.name for p in points if p.table == "coil" or (p.table == "holding" and p.type == "bool")]
        refs = [f"{device}.{name}" for name in switches]
        return OutputModule(refs, WATCHDOG_S, self.wire)

    def _build_water(self) -> None:
        """Lay out the water side and every block's pipes; the blocks meet at the end of the shared main."""
        site, draw = self.site, self.tolerances.around
        nominal_l_s = [block.nominal_l_s for block in site.block.values()]
        supply = Supply(site.pump, CLEAN_KPA if site.filter is not None else 0.0, sum(nominal_l_s))
        lines: dict[str, BlockLine] = {}
        waters: dict[str, BlockWater] = {}
        for name, block in site.block.items():
            volume = draw("pipe_volume", block.volume_accuracy_pct, name)
            emitter = draw("emitter_flow", block.flow_accuracy_pct, name)
            lines[name] = BlockLine(block, volume)
            waters[name] = BlockWater(block, supply.need_kpa, volume, emitter)
        strainer = Filter(site.filter, supply.design_l_s) if site.filter is not None else None
        self.water = Water(supply, strainer, waters, max(nominal_l_s))
        self._drain_takes_stock = site.main.comes_before("injection", "filter")
        body_l = site.filter.volume_l if site.filter is not None and self._drain_takes_stock else 0.0
        trunk = draw("pipe_volume", max(block.volume_accuracy_pct for block in site.block.values()))
        self.pipes = Pipes(site.main, trunk, body_l, lines, max(nominal_l_s))

    def _injector(self, name: str) -> Injector:
        sheet = self.site.injector[name]
        rate = self.tolerances.around("injector_curve", sheet.accuracy_pct, name)
        meter = self.tolerances.within("injector_meter", sheet.meter.accuracy_pct_of_reading, name)
        return make_injector(sheet, self.tanks[sheet.tank], rate, meter, self.water.supply.need_kpa)

    def _set_values(self) -> dict[str, Callable[[float], None]]:
        """Return what takes the value of each analogue output."""
        takes: dict[str, Callable[[float], None]] = {}
        for name, sheet in self.site.injector.items():
            if sheet.drive is not None:
                takes[sheet.drive] = self.injectors[name].set_drive
        if self.site.pump is not None and self.site.pump.speed is not None:
            takes[self.site.pump.speed] = self.water.set_speed
        return takes

    def advance(self, duration_s: float) -> None:
        """Move the plant on; what is less than a step is carried over to the next call."""
        self._debt_s += duration_s
        steps = int(self._debt_s / STEP_S)
        self._debt_s -= steps * STEP_S
        self.revision += 1
        for _ in range(steps):
            self.step()

    def step(self) -> None:
        """Move the plant on by one step."""
        self.steps += 1
        self.time_s = now_s = self.steps * STEP_S
        for module in self._watched:
            if self.faults.hit("other_master"):
                module.hear(now_s)
            module.watch(now_s)
        if now_s >= self._next_fault_s:
            self._run_due_faults()
        water = self.water
        if water.moving or now_s >= water.due_s:
            water.step(STEP_S, now_s)
            self._take_flows()
        if self.faults.hit("tank_leak"):
            self._leak()
        stock: list[tuple[int, float]] = []
        moved_l = 0.0
        for injector in self._pumps:
            entered_l = injector.step(STEP_S, _INJECTOR_SHARE)
            if entered_l:
                moved_l += entered_l * injector.brings
                stock += injector.entering
        if stock:
            add(self.pipes.injected_l, stock, 1.0)
        through_l = self.pipes.through_l
        if through_l > 0.0:
            seen = self.pipes.carry(stock)
            rise = stock_l = 0.0
            for batch, litres in seen:
                rise += self._ec_of[batch] * litres
                stock_l += litres
            if self._probe_sees_stock:
                self.ec_rise_ms_cm = EC_ADDITIVITY * rise / (through_l if through_l > stock_l else stock_l)
        elif stock:
            self.pipes.hold(stock)
        self.meter.step(moved_l, STEP_S)
        if self._back_l and not through_l and not water.supply.head_kpa:
            self._run_back()
        self.probe_rise_ms_cm += (self.ec_rise_ms_cm - self.probe_rise_ms_cm) * _PROBE_SHARE

    def _leak(self) -> None:
        """Let stock run out of the tanks that leak, onto the ground."""
        for name, tank in self.tanks.items():
            tank.leak(self.faults.number("tank_leak", "l_h", 0.0, name) * STEP_S / 3600.0)

    def _take_flows(self) -> None:
        """Hand the water's new flows on to the pipes, the meter and those injectors that live by them."""
        water = self.water
        self.pipes.take_flows(water, STEP_S, water.drain_l_s if self._drain_takes_stock else 0.0)
        self.meter.take_flows(water, STEP_S)
        line_kpa = water.pressure_kpa if water.flow_l_s else 0.0
        for injector in self._pumps:
            injector.feel(line_kpa)

    def _run_back(self) -> None:
        """Let water run back through the check valve."""
        self.pipes.run_back(self._back_l)
        self.meter.count_back(self._back_l * self.faults.number("backflow", "metered", 1.0), STEP_S)

    def far_rise_ms_cm(self, block: str) -> float:
        """Return the rise of EC at a block's outermost emitter."""
        line = self.pipes.lines[block]
        rise = sum(self._ec_of[batch] * litres for batch, litres in line.far_l.items())
        return EC_ADDITIVITY * rise / line.cell_l

    def output_is_on(self, ref: str | None) -> bool:
        """Return whether the relay of an output is energised; one that the site has not got never is."""
        return ref is not None and self.modules[ref.partition(".")[0]].on[ref]

    def set_drive(self, ref: str, value: float) -> None:
        """Take a new value of an analogue output, 0 to 1: an injector's drive or the pump's set speed."""
        if ref in self._analogue:
            self._analogue[ref](value)

    def wire(self) -> None:
        """Carry relays and faults through the contactors to the motors and valves, as the wires do."""
        healthy = not self.faults.hit("estop")
        if self.site.pump is not None:
            self._wire_pump(self.site.pump, healthy and not self.faults.hit("pump_trip"))
        if self.site.filter is not None:
            self.water.set_backwash(self.output_is_on(self.site.filter.backwash), self.faults.hit("backwash_stuck"))
        for name, block in self.site.block.items():
            on = self.output_is_on(block.valve) or self.faults.hit("valve_stuck_open", name)
            self.water.set_valve(name, on and not self.faults.hit("valve_stuck_shut", name))
        interlock = healthy and (self.site.pump is None or self.pump_contactor)
        for name, injector in self.injectors.items():
            sheet = self.site.injector[name]
            injector.valve_open = self.output_is_on(sheet.valve) and healthy
            runs = injector.valve_open if sheet.run is None else self.output_is_on(sheet.run)
            injector.contactor_in = runs and interlock
            injector.settle()

    def _wire_pump(self, pump: Pump, healthy: bool) -> None:
        wanted = self.output_is_on(pump.run) and healthy
        pulled_in = wanted and (self.pump_contactor or not self.faults.hit("pump_no_start"))
        if pulled_in != self.pump_contactor:
            self.pump_contactor = pulled_in
            self._contactor_changed_s = self.time_s
            self.water.set_pump(pulled_in)

    def pump_running(self) -> bool:
        """Return the pump's running contact."""
        return self.pump_contactor == (self.time_s - self._contactor_changed_s >= _RUNNING_S)

    def charge(self, tank_name: str, litres: float, batch: Batch, strength_accuracy_pct: float = 2.0) -> None:
        """Pour stock into a tank; it mixes with what is there, and fills hoses that hold water with itself.

        Its real strength is off by a hidden factor whose k = 2 is `strength_accuracy_pct`.
        """
        if tank_name not in self.tanks:
            raise ChargeError(f"got the tank {tank_name!r}; known are {', '.join(self.tanks)}")
        tank = self.tanks[tank_name]
        room_l = tank.volume_l - tank.litres
        if not 0.0 < litres <= room_l:
            raise ChargeError(
                f"got {litres:g} L for tank {tank_name}; expected more than 0 and up to its room, {room_l:g} L"
            )
        strength = self.tolerances.around("strength", strength_accuracy_pct, f"{tank_name}.{len(self.batches)}")
        real = Batch(
            {name: g_l * strength for name, g_l in batch.nutrients_g_l.items()},
            batch.product_g_l * strength,
            batch.ec_ms_cm_per_g_l,
        )
        if tank.litres:
            real = mixed([(self.batches[tank.batch], tank.litres), (real, litres)])
        self.batches.append(real)
        self._ec_of.append(real.ec_of_stock)
        tank.batch = len(self.batches) - 1
        tank.litres += litres
        for injector in self._pumps:
            if injector.tank is tank:
                injector.prime()
        self.revision += 1

    def dip(self, ms_cm: float | None) -> None:
        """Hold the line's probe in a solution, or put it back into the line."""
        self.dipped_ms_cm = ms_cm
        self.revision += 1

    @property
    def power_kw(self) -> float:
        """Electrical power that the pump takes now, for the water that passes at its pressure."""
        return self.water.flow_l_s * self.water.pressure_kpa / 1000.0 / self.pump_efficiency

    def fault(self, fault: Fault, at_s: float | None = None) -> None:
        """Put a checked fault on or off, now or at a plant time."""
        if at_s is not None and at_s > self.time_s:
            self.faults.schedule(at_s, fault)
            self._next_fault_s = self.faults.next_s()
            return
        self.revision += 1
        self.faults.switch(fault)
        if fault.on and fault.name == "probe_drift":
            self.drift_began_s = self.time_s
        if fault.on and fault.name == "relay_reboot":
            self.faults.active.pop(fault.name)
            for module in self._watched:
                module.reboot(self.time_s)
        self._trouble()
        self.wire()

    def _run_due_faults(self) -> None:
        while self.faults.next_s() <= self.time_s:
            self.fault(self.faults.take_due())
        self._next_fault_s = self.faults.next_s()

    def _trouble(self) -> None:
        """Let the parts suffer the faults that are on; those of wires and instruments are read where they are."""
        faults, water, meter = self.faults, self.water, self.meter
        water.block_filter(faults.number("blocked_filter", "flow_factor", 1.0))
        water.burst(faults.number("burst", "flow_share", 0.0))
        water.weaken(faults.number("low_pressure", "factor", 1.0))
        for name, block in water.blocks.items():
            block.slowness = faults.number("slow_valve", "travel_factor", 1.0, name)
        meter.stuck = faults.hit("flow_meter_stuck")
        meter.err_by(faults.number("flow_meter_high", "factor", 1.0) * faults.number("flow_meter_low", "factor", 1.0))
        for name, injector in self.injectors.items():
            injector.airlock = faults.number("airlock", "share", 0.0, name)
            injector.siphon_l_h = faults.number("siphon", "l_h", 0.0, name)
            high = faults.number("injector_meter_high", "factor", 1.0, name)
            injector.meter_fault = high * faults.number("injector_meter_low", "factor", 1.0, name)
        for name, tank in self.tanks.items():
            tank.outlet_dry = faults.hit("empty_tank", name)
        self._back_l = faults.number("backflow", "l_h", 0.0) * STEP_S / 3600.0


def _lacking(site: Site) -> set[str]:
    """Return the faults of parts that the site has not."""
    lacking = set()
    if site.pump is None:
        lacking |= {"pump_trip", "pump_no_start", "backflow"}
    if site.filter is None:
        lacking.add("backwash_stuck")
    if site.weather is None or site.weather.rain is None:
        lacking.add("rain")
    if site.weather is None or site.weather.wind is None:
        lacking.add("wind")
    if site.main.line_ec is None:
        lacking |= {"probe_drift", "probe_stuck"}
    return lacking

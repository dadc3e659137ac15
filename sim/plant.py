"""The simulated plant: relays and contactors, water, stock and pipes, moved on in steps finer than any scan."""

import math
from collections.abc import Mapping

from sim.faults import Fault, Faults
from sim.relays import OutputModule
from sim.site import Site
from sim.stock import Batch, Injector, Tank, lag_share, mixed
from sim.tolerances import Tolerances
from sim.transport import BlockLine
from sim.water import BlockWater, Water

STEP_S = 0.0937
"""Incommensurate with any scan on purpose: the plant never moves in step with its controller."""
WATCHDOG_S = 5.0
BACKGROUND_EC_MS_CM = 0.6
_EC_ADDITIVITY = 0.96
"""Salts in a line raise EC less than each alone: domain figure for fertiliser in irrigation water."""
_PROBE_S = 8.0
_RUNNING_S = 0.5
"""The pump's auxiliary contact follows its contactor after this time."""
_STRENGTH_PCT = 1.0
_EMITTER_PCT = 3.0
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
        self.modules = {name: self._module(name) for name in site.device}
        self._watched = tuple(self.modules.values())
        self.tanks = {name: Tank(tank.volume_l) for name, tank in site.tank.items()}
        self.injectors = {name: self._injector(name) for name in site.injector}
        self._pumps = tuple(self.injectors.values())
        self._build_blocks()
        self._meter_tolerance = tolerances.within("main_meter", site.main["water"].accuracy_pct_of_reading)
        self.meter_factor = self._meter_tolerance
        """What the main meter shows for one litre now."""
        self.meter_stuck = False
        self.metered_l = 0.0
        """What the main meter has counted, with its error."""
        self.main_l_s = 0.0
        self.water_l = 0.0
        """What has really passed it."""
        self.injected_l: dict[int, float] = {}
        """Stock that has left the tanks, by batch."""
        self.held_l: dict[int, float] = {}
        """Stock that has entered the main while nothing flowed, by batch."""
        self.lost_l: dict[int, float] = {}
        self.ec_rise_ms_cm = 0.0
        self.probe_rise_ms_cm = 0.0
        self.pump_contactor = False
        self._contactor_changed_s = -_RUNNING_S
        self.faults = Faults({"block": tuple(site.block), "injector": tuple(site.injector), "tank": tuple(site.tank)})
        self._next_fault_s = self.faults.next_s()
        self.wire()

    def _module(self, device: str) -> OutputModule:
        points = self.site.device[device].points.values()
        refs = [f"{device}.{point.name}" for point in points if point.table == "coil"]
        return OutputModule(refs, WATCHDOG_S, self.wire)

    def _injector(self, name: str) -> Injector:
        sheet = self.site.injector[name]
        curve = self.tolerances.within("injector_curve", sheet.curve_accuracy_pct, name)
        meter = self.tolerances.within("injector_meter", sheet.meter.accuracy_pct_of_reading, name)
        return Injector(sheet, self.tanks[sheet.tank], curve, meter)

    def _build_blocks(self) -> None:
        """Lay every block's own pipes from the injection point on; the blocks meet there, at the shed."""
        self.lines: dict[str, BlockLine] = {}
        waters: dict[str, BlockWater] = {}
        for name, block in self.site.block.items():
            volume = self.tolerances.around("pipe_volume", block.volume_accuracy_pct, name)
            emitter = self.tolerances.within("emitter_flow", _EMITTER_PCT, name)
            self.lines[name] = BlockLine(block, volume)
            waters[name] = BlockWater(block, volume, emitter)
        self.water = Water(waters, max(block.nominal_l_s for block in self.site.block.values()))
        self._paths = tuple((waters[name], self.lines[name]) for name in self.site.block)

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
            module.watch(now_s)
        if now_s >= self._next_fault_s:
            self._run_due_faults()
        water = self.water
        if water.moving:
            water.step(STEP_S)
        stock = []
        moved_l = 0.0
        for pump in self._pumps:
            drawn_l = pump.step(STEP_S, _INJECTOR_SHARE)
            if drawn_l:
                stock.append((pump.tank.batch, drawn_l))
                moved_l += drawn_l
        if stock:
            self._add(self.injected_l, stock, 1.0)
        if water.flow_l_s:
            self._carry(water.flow_l_s * STEP_S, stock, moved_l)
        else:
            self.main_l_s = 0.0
            self._add(self.held_l, stock, 1.0)
        self.probe_rise_ms_cm += (self.ec_rise_ms_cm - self.probe_rise_ms_cm) * _PROBE_SHARE

    def _carry(self, flow_l: float, stock: list[tuple[int, float]], moved_l: float) -> None:
        """Share the step's water and stock among the open blocks and a burst."""
        main_l = flow_l - moved_l if moved_l < flow_l else 0.0
        self.main_l_s = main_l / STEP_S
        self.water_l += main_l
        if not self.meter_stuck:
            self.metered_l += main_l * self.meter_factor
        if self.held_l:
            stock = [*stock, *self.held_l.items()]
            self.held_l = {}
        rise = stock_l = 0.0
        for batch, litres in stock:
            rise += self.batches[batch].ec_of_stock * litres
            stock_l += litres
        self.ec_rise_ms_cm = _EC_ADDITIVITY * rise / (flow_l if flow_l > stock_l else stock_l)
        for water, line in self._paths:
            if water.inflow_l_s:
                line.push(water.emitting_l_s * STEP_S, stock, water.inflow_l_s * STEP_S / flow_l)
        if self.water.burst_l_s:
            self._add(self.lost_l, stock, self.water.burst_l_s * STEP_S / flow_l)

    @staticmethod
    def _add(total: dict[int, float], stock: list[tuple[int, float]], share: float) -> None:
        for batch, litres in stock:
            total[batch] = total.get(batch, 0.0) + litres * share

    def output_is_on(self, ref: str) -> bool:
        """Return whether the relay of an output is energised."""
        return self.modules[ref.partition(".")[0]].on[ref]

    def set_drive(self, ref: str, drive: float) -> None:
        """Take a new value of an analogue output, 0 to 1."""
        for name, sheet in self.site.injector.items():
            if sheet.drive == ref:
                self.injectors[name].drive = drive
                self.injectors[name].settle()

    def wire(self) -> None:
        """Carry relays and faults through the contactors to the motors and valves, as the wires do."""
        active = self.faults.active
        self._wire_pump(active)
        for name, block in self.site.block.items():
            shut, stuck = active.get("valve_stuck_shut"), active.get("valve_stuck_open")
            on = self.output_is_on(block.valve) or (stuck is not None and stuck.hits("block", name))
            self.water.set_valve(name, on and not (shut is not None and shut.hits("block", name)))
        for name, injector in self.injectors.items():
            sheet = self.site.injector[name]
            injector.contactor_in = self.output_is_on(sheet.run) and self.pump_contactor
            injector.valve_open = self.output_is_on(sheet.valve)
            injector.settle()

    def _wire_pump(self, active: Mapping[str, Fault]) -> None:
        wanted = self.output_is_on(self.site.pump_run) and "estop" not in active and "pump_trip" not in active
        pulled_in = wanted and (self.pump_contactor or "pump_no_start" not in active)
        if pulled_in != self.pump_contactor:
            self.pump_contactor = pulled_in
            self._contactor_changed_s = self.time_s
            self.water.set_pump(pulled_in)

    def pump_running(self) -> bool:
        """Return the pump's running contact."""
        return self.pump_contactor == (self.time_s - self._contactor_changed_s >= _RUNNING_S)

    def charge(self, tank_name: str, litres: float, batch: Batch) -> None:
        """Pour stock into a tank; it mixes with what is there. Its real strength is off by the hidden tolerance."""
        if tank_name not in self.tanks:
            raise ChargeError(f"got the tank {tank_name!r}; known are {', '.join(self.tanks)}")
        tank = self.tanks[tank_name]
        room_l = tank.volume_l - tank.litres
        if not 0.0 < litres <= room_l:
            raise ChargeError(
                f"got {litres:g} L for tank {tank_name}; expected more than 0 and up to its room, {room_l:g} L"
            )
        strength = self.tolerances.within("strength", _STRENGTH_PCT, f"{tank_name}.{len(self.batches)}")
        real = Batch(
            {name: g_l * strength for name, g_l in batch.nutrients_g_l.items()},
            batch.product_g_l * strength,
            batch.ec_ms_cm_per_g_l,
        )
        if tank.litres:
            real = mixed([(self.batches[tank.batch], tank.litres), (real, litres)])
        self.batches.append(real)
        tank.batch = len(self.batches) - 1
        tank.litres += litres
        self.revision += 1

    def fault(self, fault: Fault, at_s: float | None = None) -> None:
        """Put a checked fault on or off, now or at a plant time."""
        if at_s is not None and at_s > self.time_s:
            self.faults.schedule(at_s, fault)
            self._next_fault_s = self.faults.next_s()
            return
        self.revision += 1
        self.faults.switch(fault)
        self._apply(fault)
        self.wire()

    def _run_due_faults(self) -> None:
        while self.faults.next_s() <= self.time_s:
            self.fault(self.faults.take_due())
        self._next_fault_s = self.faults.next_s()

    def _apply(self, fault: Fault) -> None:
        """Carry out what a fault does to the parts; what it does to wires and instruments is read where they are."""
        match fault.name:
            case "blocked_filter":
                self.water.block_filter(fault.number("flow_factor") if fault.on else 1.0)
            case "burst":
                self.water.burst(fault.number("flow_share") if fault.on else 0.0)
            case "low_pressure":
                self.water.weaken(fault.number("factor") if fault.on else 1.0)
            case "airlock" | "siphon" | "injector_meter_high":
                self._trouble_injectors(fault)
            case "empty_tank":
                for name, tank in self.tanks.items():
                    tank.outlet_dry = fault.on and fault.hits("tank", name)
            case "flow_meter_high":
                self.meter_factor = self._meter_tolerance * (fault.number("factor") if fault.on else 1.0)
            case "flow_meter_stuck":
                self.meter_stuck = fault.on
            case "relay_reboot" if fault.on:
                self.faults.active.pop(fault.name)
                for module in self._watched:
                    module.reboot(self.time_s)

    def _trouble_injectors(self, fault: Fault) -> None:
        for name, injector in self.injectors.items():
            on = fault.on and fault.hits("injector", name)
            match fault.name:
                case "airlock":
                    injector.airlock = on
                case "siphon":
                    injector.siphon_l_h = fault.number("l_h") if on else 0.0
                case _:
                    injector.meter_fault = fault.number("factor") if on else 1.0

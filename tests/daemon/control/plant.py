"""Plants for the tests of the core: sites made from Kestrel Bend, and a small plant in memory that `decide` can run.

The plant knows volumes and rates alone: water flows when pump and valve are on, stock when injector and valve are.
"""

import functools
import itertools
import math
import tomllib
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar, cast

from daemon.control.decide import Decision, State, decide
from daemon.control.image import SAFE, ChannelImage, Image, LedgerHealth, Now, Outputs
from daemon.control.requests import Request
from daemon.control.states import Phase, ProcedureState
from daemon.decisions.base import Decision as Decision_
from daemon.decisions.base import Decisions
from daemon.decisions.crops import Cap
from daemon.decisions.kinds import KINDS
from daemon.equipment import DisplacementTank, DutyPump, Injector, MeteringPump, Venturi
from daemon.evidence import Dose, Evidence
from daemon.messages import Answer, Verb
from daemon.planning.night import plan_run
from daemon.recipe import Recipe
from daemon.site import Plant
from daemon.site_file import parse_site
from drivers.profile import load_profiles
from drivers.reading import Quality, Reading
from tests.daemon.decisions.tanks import NOW, tank_of

CREEK = Path(__file__).parents[2] / "creek"
"""The one-block plant's decisions."""
TWO_BUSES = Path(__file__).parents[2] / "two_buses.toml"
EVERY_KIND = Path(__file__).parents[2] / "every_kind.toml"

WIDE = """
[injector.b]
kind = "metering_pump"
tank = "b"
valve = "relays.out6"
run = "relays.out7"
drive = "signals.ao2"
meter = { point = "signals.count3", per_count = 0.01, accuracy_pct_of_reading = 1.0 }
curve = [[0.1, 50.0], [0.5, 250.0], [1.0, 500.0]]
curve_accuracy_pct = 3.0
stroke_window_s = 10.0
pressure_kpa = 800.0

[tank.b]
volume_l = 1000.0
content = { point = "signals.ai6", at_low = 0.0, at_high = 1200.0, accuracy_pct_of_span = 0.5 }
low_l = 40.0

[block.ridge]
area_ha = 1.6
valve = "relays.out5"
travel_s = 4.0
pipes = [{ length_m = 4.0, bore_mm = 103.6 }]
submain = { length_m = 3.0, bore_mm = 75.4, laterals = 53 }
lateral = { length_m = 2.5, bore_mm = 13.6, emitters = 200, emitter_l_h = 1.6 }
volume_accuracy_pct = 12.0
flow_accuracy_pct = 10.0
drains = false
"""
"""A second block and a second injector."""

POTASSIUM = tank_of("potassium", "b", {"N": 31.0, "K": 46.4}, product_g_l=125.0, ec_ms_cm_per_g_l=1.25, batch="b_1")
"""In channel b's tank, as strong in nitrogen as channel a's, so that litres compare."""

SMALL = {
    "length_m = 420.0": "length_m = 10.0",
    "length_m = 150.0": "length_m = 4.0",
    "length_m = 100.0": "length_m = 2.5",
    "min_off_s = 300.0": "min_off_s = 20.0",
    "settle_s = 20.0": "settle_s = 5.0",
    "fill_max_s = 900.0": "fill_max_s = 120.0",
    "pause_max_s = 300.0": "pause_max_s = 40.0",
    "hold_max_s = 1800.0": "hold_max_s = 60.0",
}
"""Kestrel Bend with pipes and times so short that a night is some 350 scans."""


def site_text(changes: Mapping[str, str] | None = None, more: str = "", base: Path = TWO_BUSES) -> str:
    """Return a site file's text (Kestrel Bend's) with parts of it exchanged, each of which must be there."""
    text = base.read_text("utf-8")
    for old, new in (changes or {}).items():
        if old not in text:
            raise ValueError(f"the site file holds no {old!r}")
        text = text.replace(old, new)
    return text + more


def make_plant(text: str) -> Plant:
    """Return the plant of a site file's text."""
    return parse_site(text, load_profiles())


@functools.cache
def kestrel() -> Plant:
    """Return the demo's plant."""
    return make_plant(site_text())


@functools.cache
def small() -> Plant:
    """Return Kestrel Bend with short pipes and times."""
    return make_plant(site_text(SMALL))


@functools.cache
def wide() -> Plant:
    """Return the small plant with a second block and a second injector, and a flow meter that spans both blocks."""
    spans = {"at_high = 60.0": "at_high = 100.0", "flow_band_pct = 20.0": "flow_band_pct = 15.0"}
    return make_plant(site_text({**SMALL, **spans}, WIDE))


def demo_decisions(**changes: Mapping[str, object]) -> Decisions:
    """Return the demo's decisions, with keys of a `kind` changed: program={"dose_kg_ha": 5.0}."""
    found: dict[tuple[str, str], Decision_] = dict(POTASSIUM)
    for kind, items in tomllib.loads((CREEK / "decisions.toml").read_text("utf-8")).items():
        for key, body in items.items():
            found[kind, key] = KINDS[kind].model_validate({**body, **changes.get(kind, {})})
    return found


def injection(dose_kg_ha: float, inject_m3: float, stock: str = "calcium") -> dict[str, object]:
    """Return one injection of a program: nitrogen from `stock`."""
    return {"stock": stock, "nutrient": "N", "dose_kg_ha": dose_kg_ha, "inject_m3": inject_m3}


def demo_recipe() -> Recipe:
    """Return the demo's own night."""
    return plan_run(kestrel(), demo_decisions(), "creek_night", "run-1", NOW).recipe


def short_recipe(run: str = "run-1") -> Recipe:
    """Return a night of 3 m3 for the small plant: 10.7 L of stock at some 240 L/h, under a hard cap 8 % above it."""
    decisions = {
        **demo_decisions(program={"water_m3": 3.0, "injections": [injection(0.1038, 1.5)]}),
        ("cap", "run"): Cap(
            nutrient="N", kg_ha=0.1038 * 1.08, over="event", basis="each_hectare", strict="hard", why="made up"
        ),
    }
    return plan_run(small(), decisions, "creek_night", run, NOW).recipe


def wide_recipe(run: str = "run-1") -> Recipe:
    """Return a night of both blocks and channels on the wide plant: b gives half of a's stock, and is done first."""
    decisions = demo_decisions(
        shift={"blocks": ["creek", "ridge"]},
        program={"water_m3": 5.0, "injections": [injection(0.1038, 2.0), injection(0.0519, 1.2, "potassium")]},
    )
    return plan_run(wide(), decisions, "creek_night", run, NOW).recipe


class Rig:
    """A plant in memory and the loop around `decide`. Faults are set on its fields and last until unset."""

    def __init__(self, plant: Plant, state: State | None = None, at_s: float = 5000.0) -> None:
        site = plant.site
        self.plant = plant
        self.state = state if state is not None else State()
        self.at_s = at_s
        self.held: Outputs = SAFE
        """What the output module holds: the last outputs written to it."""
        self.flow_m3_h = {name: block.flow_m3_h for name, block in site.block.items()}
        self.pressure_kpa = 300.0
        self.water_l = 0.0
        self.stock_l = dict.fromkeys(site.injector, 0.0)
        self.content_l = dict.fromkeys(site.injector, 800.0)
        self.water_counts = 0.0
        self.stock_counts = dict.fromkeys(site.injector, 0.0)
        self.bad: set[str] = set()
        """Readings that come BAD, by name (see `reading`)."""
        self.stale_s: dict[str, float] = {}
        self.forced: dict[str, float] = {}
        """Readings that show this, whatever is so."""
        self.line_ec_ms_cm = 0.4
        """Without what is injected."""
        self.rise_ms_cm = 0.0
        """What is injected adds to it."""
        self.strength = 1.0
        """Of the stock in the tanks, of what was planned with."""
        self.filter_kpa = 10.0
        self.is_self_washing = False
        """The filter washes by itself."""
        self.washed_m3_h = 10.0
        """What a backwash takes to the drain, besides the blocks' flow."""
        self.is_counter_stuck = False
        self.siphon_l_h = 0.0
        self.slip = 1.0
        """What the injectors give of what their calibration promises."""
        self.silent: set[str] = set()
        """Injectors that pump nothing."""
        self.commit_scans = 1
        """Scans until a row is durable."""
        self.is_ledger_stalled = False
        self.is_writable = True
        self._durable = self.state.emitted
        self._submitted: list[tuple[int, int, float]] = []
        """(rows emitted up to it, scan, second) of each commit under way, the oldest first."""
        self.rows: list[Evidence] = []
        self.answers: list[Answer] = []
        self.steps = 0
        self.image: Image | None = None
        self.watch: Watcher | None = None

    # What is so.

    def _move(self, dt_s: float) -> None:
        """Let the plant run for a while under what its outputs hold."""
        flow_m3_h = self.true_flow_m3_h()
        water_l = flow_m3_h / 3.6 * dt_s
        self.water_l += water_l
        site = self.plant.site
        if not self.is_counter_stuck:
            self.water_counts = (self.water_counts + water_l / (site.main.water.per_count or 1.0)) % 2**32
        self.rise_ms_cm = 0.0
        run = self.state.run
        plans = {plan.channel: plan for plan in run.recipe.channels} if run is not None else {}
        for name, injector in site.injector.items():
            output = self.held.channels.get(name)
            rate_l_h = self.siphon_l_h
            if output is not None and output.run and output.valve and name not in self.silent:
                rate_l_h += self.slip * _rate_l_h(injector, output.drive)
            stock_l = rate_l_h / 3600.0 * dt_s
            self.stock_l[name] += stock_l
            if water_l and name in plans:
                plan = plans[name]
                is_paced = isinstance(injector, DutyPump) and output is not None and output.valve
                out_l = stock_l
                if isinstance(injector, DisplacementTank):  # fully mixed, and what counts is the water through it
                    tank_l, through_l = site.tank[injector.tank].volume_l, self.stock_l[name]
                    out_l = tank_l * math.exp(-through_l / tank_l) * math.expm1(stock_l / tank_l)
                part = 1.0 if is_paced else out_l / (plan.ratio * water_l)  # strokes have mixed where the probe is
                self.rise_ms_cm += self.strength * plan.ec_rise_ms_cm * part
            self.content_l[name] -= stock_l
            self.stock_counts[name] = (self.stock_counts[name] + stock_l / (injector.meter.per_count or 1.0)) % 2**32

    @property
    def is_washing(self) -> bool:
        """Whether a backwash is under way."""
        return self.held.backwash or self.is_self_washing

    def true_flow_m3_h(self) -> float:
        """Return the flow past the main meter under what the outputs hold."""
        site, held = self.plant.site, self.held
        if not held.blocks or (site.pump is not None and not held.pump):
            return 0.0
        is_washing = self.is_washing and site.main.comes_before("meter", "filter")
        return sum(self.flow_m3_h[block] for block in held.blocks) + is_washing * self.washed_m3_h

    # What the controller sees.

    def reading(self, name: str, value: float) -> Reading:
        """Return the reading of `name` under the faults that are set on it."""
        if name in self.bad:
            return Reading(math.nan, Quality.BAD, self.at_s)
        return Reading(self.forced.get(name, value), Quality.GOOD, self.at_s - self.stale_s.get(name, 0.0))

    def see(self) -> Image:
        """Return this scan's image."""
        site, held = self.plant.site, self.held
        outputs = {f"valve.{name}": name in held.blocks for name in site.block}
        if site.pump is not None:
            outputs["pump"] = held.pump
        if site.filter is not None and site.filter.backwash is not None:
            outputs["backwash"] = held.backwash
        for name, injector in site.injector.items():
            channel = held.channels.get(name)
            if not isinstance(injector, Venturi | DisplacementTank):
                outputs[f"injection_valve.{name}"] = channel is not None and channel.valve
            outputs[f"injector.{name}"] = channel is not None and channel.run
        flow_m3_h = self.true_flow_m3_h()
        per_count_l = site.main.water.per_count or 1.0
        has_contact = site.filter is not None and site.filter.backwashing is not None
        return Image(
            flow_m3_h=self.reading("flow", flow_m3_h) if site.main.flow is not None else None,
            water_l=self.reading("water", math.floor(self.water_counts) * per_count_l),
            pressure_kpa=self.reading("pressure", self.pressure_kpa if flow_m3_h else 0.0),
            background_ec_ms_cm=self.reading("background_ec", 0.4) if site.main.background_ec is not None else None,
            line_ec_ms_cm=(
                self.reading("line_ec", self.line_ec_ms_cm + self.rise_ms_cm) if site.main.line_ec is not None else None
            ),
            pump_running=self.reading("pump_running", float(held.pump)) if site.pump is not None else None,
            emergency_stop_healthy=self.reading("emergency_stop", 1.0),
            selector_auto=self.reading("selector", 1.0),
            reset_button=self.reading("reset", 0.0),
            output_watchdog_s=self.reading("watchdog", 5.0),
            backwashing=self.reading("backwashing", float(self.is_washing)) if has_contact else None,
            filter_difference_kpa=self.reading("filter_kpa", self.filter_kpa) if site.filter is not None else None,
            channels={name: self._channel(name, injector) for name, injector in site.injector.items()},
            outputs={role: self.reading(f"output.{role}", float(on)) for role, on in outputs.items()},
            ledger=self._ledger(),
            weather={name: self.reading(name, 0.0) for name, ref in site.weather or () if ref is not None},
        )

    def _channel(self, name: str, injector: Injector) -> ChannelImage:
        stock_l = math.floor(self.stock_counts[name]) * (injector.meter.per_count or 1.0)
        if self.plant.site.tank[injector.tank].content is None:
            content = Reading(math.nan, Quality.BAD, self.at_s)
        else:
            content = self.reading(f"content.{name}", self.content_l[name])
        return ChannelImage(self.reading(f"stock.{name}", stock_l), content)

    def _ledger(self) -> LedgerHealth:
        """Make durable what was submitted long enough ago, unless the ledger is stalled."""
        while self._submitted and not self.is_ledger_stalled and self.is_writable:
            emitted, scan, _ = self._submitted[0]
            if self.steps - scan < self.commit_scans:
                break
            self._durable = emitted
            del self._submitted[0]
        pending_s = self.at_s - self._submitted[0][2] if self._submitted else 0.0
        return LedgerHealth(self._durable, pending_s, self.is_writable)

    # One scan and many.

    def scan(self, *verbs: Verb | Request, dt_s: float = 1.0) -> Decision:
        """Let time pass, then do one scan with these commands."""
        requests = tuple(verb if isinstance(verb, Request) else Request(f"c{self.steps}", verb) for verb in verbs)
        self._move(dt_s)
        self.at_s += dt_s
        image, now = self.see(), Now(dt_s, self.at_s)
        self.image = image
        decision = decide(self.plant, self.state, image, requests, now)
        if self.watch is not None:
            self.watch(self, image, decision, requests, now)
        if decision.entries:
            self._submitted.append((decision.state.emitted, self.steps, self.at_s))
        self.state, self.held = decision.state, decision.outputs
        self.rows.extend(decision.entries)
        self.answers.extend(decision.answers)
        self.steps += 1
        return decision

    def start(self, *recipes: Recipe) -> Answer:
        """Ask for runs, one after the other, and return the answer."""
        return self.scan(Request(f"start-{self.steps}", Verb.START, recipes)).answers[-1]

    def until(self, done: Callable[[State], bool], *, most: int = 20_000, dt_s: float = 1.0) -> Decision:
        """Scan until the state is as wanted. Fails when it does not come to that."""
        for _ in range(most):
            decision = self.scan(dt_s=dt_s)
            if done(decision.state):
                return decision
        raise AssertionError(f"not reached in {most} scans; the unit is {self.state.unit}")

    def until_phase(self, phase: Phase, *, dt_s: float = 1.0) -> Decision:
        """Scan until the running shift is in `phase`."""
        return self.until(lambda state: state.unit == changed(state.unit, procedure=_P.RUNNING, phase=phase), dt_s=dt_s)

    def until_injecting(self, seconds: int = 5) -> Decision:
        """Scan until every injector of the run has been on for a while."""
        self.until(is_injecting)
        return self.scans(seconds)

    def until_end(self, *, dt_s: float = 1.0) -> Decision:
        """Scan until the procedure has ended."""
        return self.until(lambda state: state.unit.procedure in (_P.COMPLETE, _P.STOPPED, _P.ABORTED), dt_s=dt_s)

    def scans(self, count: int, dt_s: float = 1.0) -> Decision:
        """Do `count` scans and return the last decision."""
        for _ in range(count - 1):
            self.scan(dt_s=dt_s)
        return self.scan(dt_s=dt_s)

    def press_reset(self) -> None:
        """Press the reset button at the machine for three seconds and let go."""
        self.scan()
        self.forced["reset"] = 1.0
        self.scans(3)
        del self.forced["reset"]
        self.scan()

    def kinds(self) -> Counter[str]:
        """Return how many rows of each class were emitted."""
        return Counter(type(row).__name__ for row in self.rows)


_P = ProcedureState
Watcher = Callable[[Rig, Image, Decision, tuple[Request, ...], Now], None]
Row = TypeVar("Row")
Record = TypeVar("Record")


def changed(record: Record, **changes: Any) -> Record:
    """Return a frozen record with fields exchanged, be it a dataclass or a named tuple."""
    made: Any = record
    return cast(Record, made._replace(**changes) if isinstance(record, tuple) else replace(made, **changes))


def is_injecting(state: State) -> bool:
    """Return whether an injector is commanded on."""
    return any(channel.run for channel in state.outputs.channels.values())


def reached(phase: Phase, watch: Watcher | None = None, plant: Callable[[], Plant] = small) -> Rig:
    """Return a rig that runs the short recipe on the small plant, or one like it, and has come to `phase`."""
    rig = Rig(plant())
    rig.watch = watch
    answer = rig.start(short_recipe())
    if not answer.accepted:
        raise AssertionError(answer.reason)
    if phase is Phase.INJECT:
        rig.until_injecting()
    elif phase is not Phase.FILL:
        rig.until_phase(phase)
    else:
        rig.scans(3)
    return rig


def of_kind(rows: Iterable[Evidence], kind: type[Row]) -> list[Row]:
    """Return the rows of one class, in order."""
    return [row for row in rows if isinstance(row, kind)]


def metered(rows: Iterable[Evidence]) -> list[Dose]:
    """Return the doses by the injectors' meters, in order."""
    return [row for row in of_kind(rows, Dose) if row.estimate == "METER"]


def _rate_l_h(injector: Injector, drive: float) -> float:
    """Return what the injector gives at `drive`: straight lines through its calibration, or its one rate."""
    if not isinstance(injector, MeteringPump):
        return injector.rate_l_h
    for (drive_0, rate_0), (drive_1, rate_1) in itertools.pairwise(injector.curve):
        if drive <= drive_1:
            return max(0.0, rate_0 + (rate_1 - rate_0) * (drive - drive_0) / (drive_1 - drive_0))
    return injector.curve[-1][1]

"""Nights of `decide` against the simulator's plant in one process, without wire, ledger or clock: for many seeds.

Readings are the instruments' own values put into the site's units here, by lines written apart from the driver's.
"""

import math
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path

from daemon.agronomy.tank import contents_at
from daemon.control.decide import Decision, State, decide
from daemon.control.image import ChannelImage, ChannelOutput, Image, LedgerHealth, Now, Outputs
from daemon.control.requests import Request
from daemon.control.states import ACTIVE
from daemon.decisions.base import Decisions
from daemon.decisions.kinds import KINDS
from daemon.equipment import DisplacementTank, MeteringPump, Signal, VariableSpeedPump, Venturi
from daemon.evidence import Evidence
from daemon.messages import Verb
from daemon.planning.night import plan_run
from daemon.recipe import Recipe
from daemon.site import Plant
from daemon.site_file import parse_site
from drivers.profile import load_profiles
from drivers.reading import Quality, Reading
from sim.instruments import Instruments
from sim.plant import Plant as SimulatedPlant
from sim.site import Site as SimulatedSite
from sim.site import read_site
from sim.stock import Batch
from sim.tolerances import Tolerances
from sim.truth import truth
from tests.night.sites import KESTREL_BEND, START, cut, edited

PROFILES = Path(__file__).parents[2] / "drivers" / "profiles"
_SOUND_MA = (3.6, 21.0)
"""A current beyond these is a broken wire or a short circuit (NAMUR NE 43)."""
_LONGEST_S = 24 * 3600.0


class CoreNight:
    """A plant drawn by `seed` and the loop around `decide`."""

    def __init__(self, plant: Plant, site_file: Path, tolerances: Tolerances, scan_s: float = 1.0) -> None:
        self.plant = plant
        self.sim = SimulatedPlant(_simulated(site_file, site_file.read_text("utf-8")), tolerances)
        self.instruments = Instruments(self.sim)
        self.scan_s = scan_s
        self.state = State()
        self.rows: list[Evidence] = []
        self.began_s = self.at_s = 1000.0
        self._relays = self._output_refs()
        self._module = self.sim.modules[plant.site.safety.output_watchdog_s.partition(".")[0]]

    def charge(self, tank: str, litres: float, batch: Batch) -> None:
        """Pour stock into a tank of the simulated plant."""
        self.sim.charge(tank, litres, batch)

    def run(self, *recipes: Recipe) -> Iterator[Decision]:
        """Start the shifts and yield every scan's decision until the last has ended."""
        requests: tuple[Request, ...] = (Request("start", Verb.START, recipes),)
        while True:
            decision = self.scan(requests)
            requests = ()
            yield decision
            if decision.state.unit.procedure not in ACTIVE:
                return
            if self.at_s > _LONGEST_S:
                raise AssertionError("the night does not end")

    def scan(self, requests: tuple[Request, ...] = ()) -> Decision:
        """Let the plant run for a scan's time, then do one scan."""
        self.wait(self.scan_s)
        decision = decide(self.plant, self.state, self.image(), requests, Now(self.scan_s, self.at_s))
        self.state = decision.state
        self.rows += decision.entries
        self._write(decision.outputs)
        return decision

    def wait(self, seconds: float) -> None:
        """Let the plant run for some time with nobody at it."""
        self.sim.advance(seconds)
        self.at_s += seconds

    def truth_kg(self) -> dict[str, dict[str, float]]:
        """Return what has left the emitters of each block, by nutrient."""
        return {name: block["delivered_kg"] for name, block in truth(self.sim)["blocks"].items()}

    def image(self) -> Image:
        """Return what one scan reads now."""
        site, values = self.plant.site, self.instruments.values()
        main, safety = site.main, site.safety

        def signal(sheet: Signal | None) -> Reading | None:
            return None if sheet is None else needed(sheet)

        def needed(sheet: Signal) -> Reading:
            shown = values[sheet.point]
            is_sound = sheet.at_low is None or _SOUND_MA[0] <= shown <= _SOUND_MA[1]
            return self._good(_in_units(sheet, shown)) if is_sound else self._bad()

        def switch(ref: str | None) -> Reading | None:
            return None if ref is None else self._good(values[ref])

        contents = {name: site.tank[injector.tank].content for name, injector in site.injector.items()}
        return Image(
            flow_m3_h=signal(main.flow),
            water_l=needed(main.water),
            pressure_kpa=needed(main.pressure),
            background_ec_ms_cm=signal(main.background_ec),
            line_ec_ms_cm=signal(main.line_ec),
            pump_running=switch(site.pump.running if site.pump is not None else None),
            emergency_stop_healthy=self._good(values[safety.emergency_stop_healthy]),
            selector_auto=self._good(values[safety.selector_auto]),
            reset_button=self._good(values[safety.reset_button]),
            output_watchdog_s=self._good(self._module.setting_s),
            backwashing=switch(site.filter.backwashing if site.filter is not None else None),
            filter_difference_kpa=signal(site.filter.pressure_difference if site.filter is not None else None),
            channels={
                name: ChannelImage(needed(injector.meter), signal(contents[name]) or self._bad())
                for name, injector in site.injector.items()
            },
            outputs={role: self._good(float(self.sim.output_is_on(ref))) for role, ref in self._relays.items()},
            ledger=LedgerHealth(self.state.emitted, 0.0, True),
            weather={name: self._good(values[ref]) for name, ref in site.weather or () if ref is not None},
            output_uptime_s=self._uptime_s(),
            reverse_flow=switch(main.reverse_flow),
            far_ec_ms_cm={name: needed(block.far_ec) for name, block in site.block.items() if block.far_ec is not None},
        )

    def _uptime_s(self) -> Reading | None:
        """Return the output module's own seconds, where the site has a point for them."""
        if self.plant.site.safety.output_uptime_s is None:
            return None
        return self._good(float(int(self.sim.time_s - self._module.booted_s)))

    def _good(self, value: float) -> Reading:
        return Reading(value, Quality.GOOD, self.at_s)

    def _bad(self) -> Reading:
        return Reading(math.nan, Quality.BAD, self.at_s)

    def _output_refs(self) -> dict[str, str]:
        site = self.plant.site
        refs = {f"valve.{name}": block.valve for name, block in site.block.items()}
        if site.pump is not None:
            refs["pump"] = site.pump.run
        if site.filter is not None and site.filter.backwash is not None:
            refs["backwash"] = site.filter.backwash
        for name, injector in site.injector.items():
            if isinstance(injector, Venturi | DisplacementTank):
                refs[f"injector.{name}"] = injector.valve
            else:
                refs[f"injection_valve.{name}"] = injector.valve
                refs[f"injector.{name}"] = injector.run
        return refs

    def _write(self, outputs: Outputs) -> None:
        wanted: dict[str, dict[str, bool]] = {}
        for role, ref in self._relays.items():
            kind, _, name = role.partition(".")
            channel = outputs.channels.get(name, ChannelOutput())
            on = {
                "pump": outputs.pump,
                "backwash": outputs.backwash,
                "valve": name in outputs.blocks,
                "injection_valve": channel.valve,
                "injector": channel.run,
            }[kind]
            wanted.setdefault(ref.partition(".")[0], {})[ref] = on
        for device, relays in wanted.items():
            self.sim.modules[device].hear(self.sim.time_s)
            self.sim.modules[device].write(relays, self.sim.time_s)
        pump = self.plant.site.pump
        if isinstance(pump, VariableSpeedPump):
            self.sim.set_drive(pump.speed, outputs.pump_speed)
        for name, injector in self.plant.site.injector.items():
            if isinstance(injector, MeteringPump):
                self.sim.set_drive(injector.drive, outputs.channels.get(name, ChannelOutput()).drive)


def _in_units(sheet: Signal, shown: float) -> float:
    """Return what an instrument shows (mA of a 4 to 20 mA loop, counts) in the signal's unit."""
    if sheet.per_count is not None:
        return shown * sheet.per_count
    if sheet.at_low is None or sheet.at_high is None:
        return shown
    return sheet.at_low + (shown - 4.0) / 16.0 * (sheet.at_high - sheet.at_low)


def shorter_site(folder: Path, part: float, changes: Mapping[str, str]) -> Path:
    """Write Kestrel Bend with all pipes at `part` of their length, so that a shift takes minutes, and more changes."""
    text = (KESTREL_BEND / "site.toml").read_text("utf-8")
    text = re.sub(r"length_m = ([\d.]+)", lambda found: f"length_m = {float(found[1]) * part:g}", text)
    file = folder / "site.toml"
    file.write_text(edited(text, changes), "utf-8")
    return file


def kestrel_night(
    site_file: Path,
    seed: int,
    programs: Sequence[str],
    *,
    share: float = 1.0,
    perfect: bool = False,
    scan_s: float = 2.0,
    make: Callable[[Plant, Path, Tolerances, float], CoreNight] = CoreNight,
) -> tuple[CoreNight, tuple[Recipe, ...]]:
    """Return a charged night of Kestrel Bend's programs, their water and doses cut to `share`, and its recipes."""
    decisions = cut((KESTREL_BEND / "decisions.toml").read_text("utf-8"), share)
    return charged_night(site_file, decisions, seed, programs, perfect=perfect, scan_s=scan_s, make=make)


def charged_night(
    site_file: Path,
    decisions: str,
    seed: int,
    programs: Sequence[str],
    *,
    perfect: bool = False,
    scan_s: float = 2.0,
    make: Callable[[Plant, Path, Tolerances, float], CoreNight] = CoreNight,
    brew: Callable[[str, Batch], Batch] = lambda _, batch: batch,
    fixed: Mapping[str, float] | None = None,
) -> tuple[CoreNight, tuple[Recipe, ...]]:
    """Return a night of the programs that `decisions` hold, its tanks charged as they say, and its recipes.

    `brew` makes what is really poured into a tank of what was written down; `fixed` are hidden factors that are not
    drawn.
    """
    text = site_file.read_text("utf-8")
    plant = _plant(text)
    night = make(plant, site_file, Tolerances(seed, perfect=perfect, fixed=fixed), scan_s)
    for tank, litres, batch in _charges(text, decisions):
        night.charge(tank, litres, brew(tank, batch))
    return night, tuple(_recipe(text, decisions, program) for program in programs)


@cache
def _plant(site: str) -> Plant:
    return parse_site(site, load_profiles())


@cache
def _simulated(site_file: Path, site: str) -> SimulatedSite:
    """Read the simulator's site; by its text too, for a file may be written anew."""
    return read_site(site_file, PROFILES)


@cache
def decided(decisions: str) -> Decisions:
    """Return the decisions that a file of them holds."""
    content = tomllib.loads(decisions)
    return {
        (kind, key): KINDS[kind].model_validate(body) for kind, items in content.items() for key, body in items.items()
    }


@cache
def _charges(site: str, decisions: str) -> tuple[tuple[str, float, Batch], ...]:
    charges = []
    for tank in _plant(site).site.tank:
        held = contents_at(tank, decided(decisions), START)
        assert held is not None
        batch = Batch(held.nutrients_g_l, held.product_g_l, held.products_ec_ms_cm_per_g_l or 0.0)
        charges.append((tank, held.litres, batch))
    return tuple(charges)


def recipe_of(site_file: Path, decisions: str, program: str) -> Recipe:
    """Return what is planned for a program by the decisions of a file."""
    return _recipe(site_file.read_text("utf-8"), decisions, program)


@cache
def _recipe(site: str, decisions: str, program: str) -> Recipe:
    return plan_run(_plant(site), decided(decisions), program, program, START).recipe

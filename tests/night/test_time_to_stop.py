"""From a fault to the injector without energy, measured in the simulated plant, against the time each row declares.

A fault begins just after a scan, which is its worst moment, with stock in all the pipes. Core only: what the wire adds
is in tests/chaos. Printed as a table, and recorded.
"""

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from daemon.control.cause import Interlock
from daemon.control.decide import Decision
from daemon.control.image import Image, LedgerHealth, Outputs
from daemon.control.interlocks import BY_CODE
from daemon.control.states import Effect, Phase
from drivers.reading import Quality, Reading
from sim.truth import truth
from tests.figures import record
from tests.night.core import CoreNight, kestrel_night, shorter_site
from tests.night.fault_table import TABLE

_WAITS = {
    "min_off_s = 300.0": "min_off_s = 5.0",
    "settle_s = 20.0": "settle_s = 10.0",
    "fill_max_s = 900.0": "fill_max_s = 120.0",
    "pause_max_s = 300.0": "pause_max_s = 100.0",
}
_LOADED_S = 60.0
"""Of INJECT before the fault."""
_LOOK_S = 0.1
_LONGEST_S = 400.0
_AFTER_ALARM_S = 120.0
_RETRIED = frozenset({"airlock"})
"""Causes after which the injector may come on once more, with the fault still there: only a trial tells an air lock."""
_PHASES = {"siphon": Phase.PREWET}
"""A siphon is one only while the injector is off: while it is on nobody can tell its stock from the pump's."""
_CUT_SLACK_S = 0.2
Change = Callable[[Image], Image]


def _bad(reading: Reading | None) -> Reading:
    assert reading is not None
    return Reading(math.nan, Quality.BAD, reading.at_s)


def _shows(reading: Reading | None, value: float) -> Reading:
    assert reading is not None
    return Reading(value, Quality.GOOD, reading.at_s)


def _channel(image: Image, **changes: Any) -> Image:
    made = {name: getattr(image.channels["a"], name) for name in changes}
    channel = image.channels["a"]._replace(**{name: change(made[name]) for name, change in changes.items()})
    return replace(image, channels={**image.channels, "a": channel})


_IMAGES: dict[str, Change] = {
    "outputs-unseen": lambda i: replace(i, outputs={name: _bad(r) for name, r in i.outputs.items()}),
    "outputs-lost": lambda i: replace(i, outputs={name: _bad(r) for name, r in i.outputs.items()}),
    "outputs-differ": lambda i: replace(i, outputs={**i.outputs, "pump": _shows(i.outputs["pump"], 0.0)}),
    "watchdog-unset": lambda i: replace(i, output_watchdog_s=_shows(i.output_watchdog_s, 0.0)),
    "record-late": lambda i: replace(i, ledger=LedgerHealth(i.ledger.durable, 0.0, False)),
    "flow-not-proven": lambda i: replace(i, flow_m3_h=_bad(i.flow_m3_h)),
    "water-count-bad": lambda i: replace(i, water_l=_bad(i.water_l)),
    "injector-meter-bad": lambda i: _channel(i, stock_l=_bad),
    "tank-level-bad": lambda i: _channel(i, content_l=_bad),
    "pressure-high": lambda i: replace(i, pressure_kpa=_shows(i.pressure_kpa, 900.0)),
    "pressure-low": lambda i: replace(i, pressure_kpa=_shows(i.pressure_kpa, 20.0)),
    "line-ec-high": lambda i: replace(i, line_ec_ms_cm=_shows(i.line_ec_ms_cm, 9.0)),
}
"""What no fault of the simulator makes: a reading is changed on its way."""


class _Night(CoreNight):
    """Looks at the contactors ten times a second, and may have its readings changed or its outputs cut."""

    change: Change = staticmethod(lambda image: image)
    is_cut = False
    fault_s = math.inf
    injector_s = 0.0
    """How long it was on after the fault, until it first went off."""
    is_off = False
    again_s = math.inf
    """First seen on once more, after the fault."""
    pump_s = math.inf
    """First seen without, after the fault."""

    def wait(self, seconds: float) -> None:
        for _ in range(round(seconds / _LOOK_S)):
            super().wait(_LOOK_S)
            since_s = self.at_s - self.fault_s
            if since_s > 0.0:
                is_on = any(injector.contactor_in for injector in self.sim.injectors.values())
                if is_on and self.is_off:
                    self.again_s = min(self.again_s, since_s)
                elif is_on:
                    self.injector_s = since_s
                self.is_off |= not is_on
                if not self.sim.pump_contactor:
                    self.pump_s = min(self.pump_s, since_s)

    def image(self) -> Image:
        return self.change(super().image())

    def _write(self, outputs: Outputs) -> None:
        if not self.is_cut:
            super()._write(outputs)


@dataclass(frozen=True, slots=True)
class _Stop:
    """What was measured of one cause."""

    code: str
    fault: str
    declared_s: float
    seen_s: float
    injector_s: float
    pump_s: float
    stock_l: float
    again_s: float


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a site where a night takes minutes."""
    return shorter_site(tmp_path_factory.mktemp("stops"), 0.05, _WAITS)


def _at(site: Path, phase: Phase) -> _Night:
    """Return a night well into the phase, at the end of a scan; in INJECT with stock in all the pipes."""
    night, recipes = kestrel_night(site, 1, ("low_night",), share=0.05, make=_Night)
    assert isinstance(night, _Night)
    entered_s = None
    for decision in night.run(*recipes):
        if decision.state.unit.phase is phase and entered_s is None:
            entered_s = night.at_s
        if phase is not Phase.INJECT and entered_s is not None:
            night.fault_s = night.at_s
            return night
        if entered_s is not None and night.at_s - entered_s >= _LOADED_S and _is_on(decision):
            night.fault_s = night.at_s
            return night
    raise AssertionError(f"never in {phase}")


def _is_on(decision: Decision) -> bool:
    return any(channel.run for channel in decision.outputs.channels.values())


def _stock_l(night: CoreNight) -> float:
    return float(sum(truth(night.sim)["stock_injected_l"].values()))


def _measured(night: _Night, row: Interlock, fault: str) -> _Stop:
    """Scan until the row has been in force for a while, or for long enough in vain."""
    before_l, seen_s = _stock_l(night), math.inf
    while night.at_s - night.fault_s < min(_LONGEST_S, seen_s + _AFTER_ALARM_S):
        if row.code in night.scan().verdict.causes:
            seen_s = min(seen_s, night.at_s - night.fault_s)
    declared_s = row.safety_time_s(night.plant.site)
    stock_l = _stock_l(night) - before_l
    return _Stop(row.code, fault, declared_s, seen_s, night.injector_s, night.pump_s, stock_l, night.again_s)


def _stops(site: Path) -> list[_Stop]:
    found = []
    for row in TABLE:
        code = row.ends[2].alarm
        if code:
            night = _at(site, _PHASES.get(code, Phase.INJECT))
            night.sim.fault(night.sim.faults.check(row.fault, True, row.parameters))
            found.append(_measured(night, BY_CODE[code], row.id))
    for code, change in _IMAGES.items():
        night = _at(site, Phase.INJECT)
        night.change = change
        found.append(_measured(night, BY_CODE[code], "a reading"))
    return found


def _told(stops: list[_Stop]) -> str:
    head = f"{'cause':22} {'fault':26} {'declared s':>10} {'seen s':>7} {'injector s':>10} {'pump s':>7} {'stock l':>8}"
    head += f" {'on again s':>10}"
    lines = [
        f"{s.code:22} {s.fault:26} {s.declared_s:10.1f} {s.seen_s:7.1f} {s.injector_s:10.1f} {s.pump_s:7.1f} "
        f"{s.stock_l:8.2f} {s.again_s:10.1f}"
        for s in stops
    ]
    return "\n".join((head, *lines))


def test_every_cause_stops_the_injector_within_its_declared_time(site: Path) -> None:
    """Guards invariants 1 and 5: seen in time, and no energy after it; the pump too where all is let go."""
    stops = _stops(site)
    sys.stdout.write(f"\n{_told(stops)}\n")
    assert len({stop.code for stop in stops}) >= 24
    late = []
    for stop in stops:
        effect = BY_CODE[stop.code].effect
        is_late = stop.injector_s > stop.declared_s and effect is not Effect.NONE
        is_late |= stop.pump_s > stop.declared_s and effect in (Effect.RELEASE, Effect.ZERO)
        # Where another cause has shut the injector already, this one may come later.
        is_late |= stop.seen_s > stop.declared_s and (stop.injector_s > stop.declared_s or stop.injector_s == 0.0)
        if is_late:
            late.append(stop)
    assert not late, _told(late)
    assert {stop.code for stop in stops if stop.again_s < math.inf} <= _RETRIED
    acting = [stop for stop in stops if BY_CODE[stop.code].effect is not Effect.NONE]
    nearest = max(acting, key=lambda stop: stop.injector_s / stop.declared_s)
    most = max(acting, key=lambda stop: stop.stock_l)
    codes = {stop.code for stop in stops}
    record(
        "time_to_stop",
        claim="from a fault to the injector without energy, per cause",
        test="tests/night/test_time_to_stop.py",
        aim="each within instrument + delay + 2 scans",
        reached=f"{len(codes)} causes by {len(stops)} faults, all in time; nearest to its limit {nearest.code} "
        f"({nearest.injector_s:.1f} of {nearest.declared_s:.1f} s); most stock meanwhile {most.stock_l:.2f} L "
        f"({most.code}); the whole table is printed by the test with -s",
        limit="core and simulated plant",
    )


@pytest.mark.parametrize("is_dead", [True, False], ids=["dead daemon", "cut bus"])
def test_the_modules_own_time_out_stops_all(site: Path, is_dead: bool) -> None:
    """Guards invariant 6 and the floor below it: with nobody heard, the output module lets go by itself."""
    night = _at(site, Phase.INJECT)
    night.is_cut = True
    for _ in range(30):
        if is_dead:
            night.wait(night.scan_s)
        else:
            night.scan()
    time_out_s = night.image().output_watchdog_s
    assert time_out_s is not None and 0.0 < time_out_s.value <= night.plant.site.safety.max_watchdog_s
    limit_s = time_out_s.value + _CUT_SLACK_S
    assert 0.0 < night.injector_s <= limit_s
    assert 0.0 < night.pump_s <= limit_s

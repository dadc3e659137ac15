"""Nights on a plant with one of everything: every kind of bus, device and injector, through the real links.

The pipes are cut short so that a shift takes minutes. Each tank holds one nutrient: the truth tells the five injectors
apart.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import uvloop

from daemon.agronomy.tank import contents_of
from daemon.cli import night
from daemon.cli.night import Night, ledger_of, on_free_ports, run_night
from daemon.cli.simulator import Simulator
from daemon.control.image import ChannelOutput
from daemon.control.states import Phase
from daemon.equipment import DisplacementTank, VariableSpeedPump
from daemon.evidence import Dose
from daemon.ledger.reports import RunReport, run_report
from daemon.recipe import ChannelPlan
from daemon.runtime.scan import Scanned
from daemon.runtime.service import Service
from drivers.health import DeviceHealth, DeviceState
from tests.night.sites import START, edited

pytestmark = pytest.mark.plant

_TESTS = Path(__file__).parents[1]
_PIPES = 0.02
"""Of their length."""
_SHORT = {
    "timeout_s = 0.5": "timeout_s = 5.0",  # time-outs are in real time, and this computer may be busy
    "timeout_s = 0.4": "timeout_s = 5.0",
    "timeout_s = 0.8": "timeout_s = 5.0",
    "scan_s = 1.0": "scan_s = 2.0",
    "min_off_s = 120.0": "min_off_s = 10.0",
    "settle_s = 20.0": "settle_s = 10.0",
    "wash_every_m3 = 150.0": "wash_every_m3 = 6.0",
    "volume_l = 120.0": "volume_l = 8.0",  # the displacement tank
    "rate_l_h = 400.0": "rate_l_h = 1200.0",
}
_AS_IT_IS: Mapping[str, str] = {}
_NO_FLOW = {'flow = { point = "meter.flow_m3_h", accuracy_pct_of_reading = 0.5, stale_s = 4.0 }\n': ""}
_DISPLACED = {
    'order = ["meter", "filter", "injection", "probe"]': 'order = ["filter", "meter", "injection", "probe"]',
    'backwash = "station.out2"\n': "",
    "wash_at_kpa = 60.0\n": "",
    "wash_every_m3 = 6.0": "wash_every_m3 = 2.0",  # the filter's own setting, where the output is not ours
}
_SEED = "3"
_EXACT = 0.005
_OFF = ChannelOutput()


@dataclass(frozen=True, slots=True)
class _Watched:
    """A night that has been run, and what was seen of it."""

    ran: Night
    reports: Sequence[RunReport]
    scans: Sequence[Scanned]
    set_values: Sequence[tuple[float, float]]
    """What read back in each scan: the drive of the metering pump and the speed of the main pump."""
    devices: Mapping[str, DeviceHealth]
    accounts: Sequence[Mapping[str, Any]]
    """The plant's own, at the beginning and at the end of each run."""

    def of_run(self, number: int) -> list[Scanned]:
        """Return the scans of one run."""
        return [s for s in self.scans if (run := s.decision.state.run) and run.recipe.run == self.ran.runs[number]]

    def doses(self) -> Iterator[tuple[Dose, ChannelPlan, float]]:
        """Yield each dose with its channel's plan and the milligrams that really left the block's emitters."""
        for number, (report, accounts) in enumerate(zip(self.reports, pairwise(self.accounts), strict=True)):
            run = self.of_run(number)[0].decision.state.run
            assert run is not None
            plans = {plan.channel: plan for plan in run.recipe.channels}
            for dose in report.metered:
                before, after = (a["blocks"][dose.block]["delivered_kg"].get(dose.nutrient, 0.0) for a in accounts)
                yield dose, plans[dose.channel], 1e6 * (after - before)


def _run(
    folder: Path, *options: str, programs: Sequence[str], changes: Mapping[str, str] = _AS_IT_IS, without: str = ""
) -> _Watched:
    """Run a night to its end on a plant with these changes, and `without` these sections, as a pattern."""
    services: list[Service] = []
    scans: list[Scanned] = []
    set_values: list[tuple[float, float]] = []
    devices: dict[str, DeviceHealth] = {}
    accounts: dict[str, Mapping[str, Any]] = {}

    class Witness(Simulator):
        """Asked for its account as each run begins; between two of them the displacement tank is filled up."""

        async def advance(self, seconds: float) -> None:
            run = services[0].scanner.state.run if services else None
            if run is not None and run.recipe.run not in accounts:
                accounts[run.recipe.run] = await self.ask("truth")
                if len(accounts) > 1:
                    await _fill_up(self, services[0])
            await super().advance(seconds)

    def watch(service: Service, simulator: Simulator, scanned: Scanned) -> None:
        if not services:
            services.append(service)
        scans.append(scanned)
        seen = service.field._readings
        speed = seen["drive.speed_fraction_state"].value if service.plant.site.pump is not None else 0.0
        set_values.append((seen["outputs.ao1_state"].value, speed))
        devices.update(service.field.device_health())

    site_file = folder / "site.toml"
    site_file.write_text(_site(folder, changes, without), "utf-8")
    decisions_file = _TESTS / "every_kind_decisions.toml"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(night, "Simulator", Witness)
        ran = uvloop.run(run_night(site_file, decisions_file, programs, folder, START, options=options, watch=watch))
    reports = [report for run in ran.runs if (report := run_report(ledger_of(folder), run)) is not None]
    return _Watched(ran, reports, scans, set_values, devices, [*accounts.values(), ran.truth])


def _site(folder: Path, changes: Mapping[str, str], without: str) -> str:
    text = (_TESTS / "every_kind.toml").read_text("utf-8")
    text = re.sub(r"length_m = ([\d.]+)", lambda found: f"length_m = {float(found[1]) * _PIPES:g}", text)
    text = edited(text, {**_SHORT, "/tmp/every-kind-line": str(folder / "line"), **changes})
    return on_free_ports(re.sub(rf"\[({without})\]\n(.+\n)+", "", text) if without else text)


async def _fill_up(simulator: Simulator, service: Service) -> None:
    """Fill the displacement tank up with its stock, as people do between two shifts."""
    tank = service.plant.site.injector["e"].tank
    held_l = (await simulator.ask("truth"))["tank_l"][tank]
    contents = contents_of(tank, service.decided.newest)
    assert contents is not None
    await simulator.ask(
        "charge",
        tank=tank,
        litres=service.plant.site.tank[tank].volume_l - held_l,
        nutrients_g_l=contents.nutrients_g_l,
        product_g_l=contents.product_g_l,
        ec_ms_cm_per_g_l=contents.products_ec_ms_cm_per_g_l,
    )


def _assert_well(watched: _Watched) -> None:
    """Every run complete and delivered by all injectors, no request of any device failed, and no mass missing."""
    site = watched.ran.plant.site
    ends = [report.ended.row for report in watched.reports if report.ended is not None]
    assert [(end.state, end.outcome) for end in ends] == [("COMPLETE", "DELIVERED")] * len(watched.ran.runs)
    for report in watched.reports:
        assert {stamped.row.channel for stamped in report.doses if stamped.row.injected_mg} == site.injector.keys()
        assert {stamped.row.code for stamped in report.alarms} <= {"filter-backwash"}
    assert watched.devices.keys() == site.device.keys()
    for name, health in watched.devices.items():
        assert health.state is DeviceState.ANSWERING, name
        assert (health.ok, health.last_failure) == (health.requests, ""), name
    assert watched.ran.truth["residual"] <= 1e-9


def _assert_exact(watched: _Watched) -> None:
    """The record is within 0.5 % of planned of the truth; a meter with coarser pulses within the last, begun one.

    A displacement tank's pulses are of water, and the last of them takes next to no stock along.
    """
    for dose, plan, true_mg in watched.doses():
        injector = watched.ran.plant.site.injector[dose.channel]
        is_of_stock = not isinstance(injector, DisplacementTank)
        pulse = (injector.meter.per_count or 0.0) / plan.stock_l if is_of_stock else 0.0
        assert abs(dose.delivered_mg - true_mg) <= max(_EXACT, pulse) * dose.planned_mg, dose


def _running(scanned: Scanned) -> frozenset[str]:
    return frozenset(name for name, channel in scanned.decision.outputs.channels.items() if channel.run)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> _Watched:
    """Run two shifts of a plant with tolerances and noise: all injectors at once, then one after the other."""
    return _run(tmp_path_factory.mktemp("whole"), "--seed", _SEED, programs=["together", "in_turn"])


def test_every_part_works_with_every_other(whole: _Watched) -> None:
    """Guards the whole: runs, devices and balance; and the truth lies in the k = 2 band of each dose."""
    _assert_well(whole)
    assert len(list(whole.doses())) == 2 * 5 + 5
    for dose, _, true_mg in whole.doses():
        assert abs(dose.delivered_mg - true_mg) <= dose.u_delivered_mg, dose


def test_injectors_together_and_in_turn(whole: _Watched) -> None:
    """Guards the order of a program: all five at once, or never two and in the order of the plan."""
    assert frozenset("abcde") in map(_running, whole.of_run(0))
    in_turn = ["".join(sorted(running)) for scanned in whole.of_run(1) if (running := _running(scanned))]
    assert list(dict.fromkeys(in_turn)) == ["e", "d", "c", "b", "a"]


def test_the_pump_ramps_up_and_holds_its_pressure(whole: _Watched) -> None:
    """Guards a drive: two starts, each from the lowest speed along the ramp, then its pressure within 5 %."""
    site, outputs = whole.ran.plant.site, [scanned.decision.outputs for scanned in whole.scans]
    pump = site.pump
    assert isinstance(pump, VariableSpeedPump)
    starts = [after.pump_speed for before, after in pairwise(outputs) if after.pump and not before.pump]
    assert starts == [pump.lowest_speed] * 2
    for before, after in pairwise(outputs):
        assert not before.pump or after.pump_speed - before.pump_speed <= site.site.scan_s / pump.ramp_s + 1e-9
        assert after.pump or after.pump_speed == 0.0
    steady = [
        scanned.image.pressure_kpa.value
        for scanned in whole.scans
        if scanned.decision.state.unit.phase in (Phase.PREWET, Phase.INJECT, Phase.FLUSH)
        and scanned.decision.facts.is_filter_quiet
        and scanned.decision.outputs.pump
    ]
    assert steady and all(kpa == pytest.approx(pump.pressure_kpa, rel=0.05) for kpa in steady)


def test_set_values_reach_their_devices(whole: _Watched) -> None:
    """Guards what is written and when: the next scan reads back what was wanted, in a register or in floats."""
    wanted = [
        (outputs.channels.get("a", _OFF).drive, outputs.pump_speed)
        for outputs in (scanned.decision.outputs for scanned in whole.scans)
    ]
    assert len({drive for drive, _ in wanted}) > 3 and len({speed for _, speed in wanted}) > 100
    for (drive, speed), (drive_seen, speed_seen) in zip(wanted, whole.set_values[1:], strict=False):
        assert drive_seen == pytest.approx(drive, abs=5e-4)
        assert speed_seen == pytest.approx(speed, abs=1e-4)


def test_every_instrument_tells_what_happens(whole: _Watched) -> None:
    """Guards the scales of EC, levels and the filter's contact: stock is seen in the line and gone from the tank."""
    first, last = whole.scans[0].image, whole.scans[-1].image
    rises = {
        phase: [
            scanned.image.line_ec_ms_cm.value - scanned.image.background_ec_ms_cm.value
            for scanned in whole.scans
            if scanned.image.line_ec_ms_cm and scanned.image.background_ec_ms_cm
            if scanned.decision.state.unit.phase is phase
        ]
        for phase in (Phase.PREWET, Phase.INJECT)
    }
    assert max(rises[Phase.PREWET]) < 0.2 and max(rises[Phase.INJECT]) > 2.0
    for name in "abcd":
        drawn_l = first.channels[name].content_l.value - last.channels[name].content_l.value
        assert drawn_l == pytest.approx(whole.ran.truth["stock_injected_l"][name], abs=1.5), name
    washing = [scanned for scanned in whole.scans if scanned.image.backwashing and scanned.image.backwashing.value]
    assert washing and not any(_running(scanned) for scanned in washing)
    assert any(scanned.decision.outputs.backwash for scanned in whole.scans)


def test_without_a_pump_and_a_flow_signal(tmp_path: Path) -> None:
    """Guards a scheme's pressure: pulses alone prove the flow, and all injectors dose by it as exactly."""
    watched = _run(tmp_path, "--perfect", programs=["together"], changes=_NO_FLOW, without=r"pump|device\.drive")
    assert all(scanned.image.flow_m3_h is None and scanned.image.pump_running is None for scanned in watched.scans)
    _assert_well(watched)
    _assert_exact(watched)


def test_with_the_meter_behind_a_filter_that_washes_itself(tmp_path: Path) -> None:
    """Guards a wash that only its contact tells of, behind which the meter sees the field's water alone."""
    watched = _run(tmp_path, "--perfect", programs=["together"], changes=_DISPLACED)
    assert watched.ran.truth["backwash_m3"] > 0.1
    assert not any(scanned.decision.outputs.backwash for scanned in watched.scans)
    assert any(scanned.decision.facts.is_washing for scanned in watched.of_run(0))
    assert not any(_running(scanned) for scanned in watched.scans if scanned.decision.facts.is_washing)
    _assert_well(watched)
    _assert_exact(watched)

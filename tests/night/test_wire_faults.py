"""Every wire fault on every transaction of a scan in every phase of a night.

Invariant 8 (never a wrong value with quality GOOD), invariant 1 (no injector without the readings that it depends on),
and the end of every run: a lawful one, with everything off.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
import uvloop

from daemon.cli.night import ledger_of
from daemon.control.image import Image
from daemon.control.states import Phase, ProcedureState
from daemon.ledger.reports import run_report
from daemon.runtime.scan import Scanned
from drivers.reading import Quality, Reading
from sim.wire_faults import WIRE_FAULTS
from tests.night.spoilt import READ, WRITE_COILS, WRITE_REGISTERS, SpoiltPlant, is_active, is_injecting, spoilt_plant

pytestmark = pytest.mark.plant

_TRANSACTIONS = {
    "read relays": ("relays", READ),
    "read signals": ("signals", READ),
    "write coils": ("relays", WRITE_COILS),
    "write drive": ("signals", WRITE_REGISTERS),
}
"""Every request that a scan of this plant makes."""
_SPOILT_SCANS = 3
_OFF_WITHIN = 2
"""Scans from the loss of a reading that injection depends on until the injector is off."""
_RECOVERED_WITHIN = 20
_LONGEST = 2000
"""Scans that a phase takes at most."""

_SITE = {
    "pipes = [{ length_m = 420.0": "pipes = [{ length_m = 15.0",
    "submain = { length_m = 150.0": "submain = { length_m = 12.0",
    "lateral = { length_m = 100.0": "lateral = { length_m = 4.0",
    "min_off_s = 300.0": "min_off_s = 5.0",
    "settle_s = 20.0": "settle_s = 60.0",
    "flush_factor = 1.5": "flush_factor = 3.0",
}
_DECISIONS = {
    "dose_kg_ha = 3.0": "dose_kg_ha = 0.2",
    "inject_m3 = 42.0": "inject_m3 = 3.0",
    "water_m3 = 84.0": "water_m3 = 8.3",
}
"""Pipes so short that a night is some 2500 scans, of which every phase has room for all of its faults."""


@dataclass(slots=True)
class _Night:
    """One night that is spoilt from end to end."""

    plant: SpoiltPlant
    turns: Counter[str] = field(default_factory=Counter)
    """Of each fault, so that its forms are gone through from one combination to the next."""
    done: set[tuple[Phase, str, str]] = field(default_factory=set)
    """Combinations of phase, transaction and fault that have been gone through."""
    blind: int = 0
    """Scans in a row without a reading that the injection depends on."""

    async def spoil(self, phase: Phase, transaction: str, fault: str) -> None:
        """Spoil one transaction for a few scans, and see the plant through it and well again."""
        bus, function = _TRANSACTIONS[transaction]
        strike = self.plant.spoil(bus, function, fault, self.turns[fault])
        for _ in range(_SPOILT_SCANS):
            if transaction == "write drive":
                await self.plant.nudge_drive()
            self.check(await self.plant.scan(), phase)
            if self.blind >= _OFF_WITHIN and transaction != "read relays":
                assert not (await self.plant.truth())["contactors"]["injector.a"]
        # On a loaded machine an answer may be late by itself, and the device then rests for one of the scans.
        assert strike.struck > 0, "the fault never met its transaction"
        await self.recover(phase)
        self.turns[fault] += strike.struck
        self.done.add((phase, transaction, fault))

    async def spoil_switching_off(self, fault: str) -> None:
        """Spoil the write that switches the injector off; the next one does."""
        strike = self.plant.spoil("relays", WRITE_COILS, fault, self.turns[fault], times=1)
        await self.plant.simulator.ask("fault", name="pressure_broken_wire", on=True)
        for _ in range(_OFF_WITHIN):
            self.check(await self.plant.scan(), Phase.INJECT)
        assert strike.struck == 1
        assert not (await self.plant.truth())["contactors"]["injector.a"]
        await self.plant.simulator.ask("fault", name="pressure_broken_wire", on=False)
        await self.recover(Phase.INJECT)
        self.turns[fault] += strike.struck

    async def recover(self, phase: Phase) -> None:
        """Let everything pass until every reading is GOOD again and, in INJECT, stock flows."""
        self.plant.calm()
        for _ in range(_RECOVERED_WITHIN):
            scanned = await self.plant.scan()
            self.check(scanned, phase)
            if not self.blind and (phase is not Phase.INJECT or is_injecting(scanned)):
                return
        raise AssertionError(f"not well again after {_RECOVERED_WITHIN} scans: {scanned.decision.verdict}")

    def check(self, scanned: Scanned, phase: Phase) -> None:
        """Hold a scan to the invariants."""
        assert scanned.decision.state.unit.phase is phase, (scanned.decision.state.unit, scanned.decision.verdict)
        assert not self.plant.wrong
        self.blind = 0 if all(reading.quality is Quality.GOOD for reading in _needed(scanned.image)) else self.blind + 1
        assert not is_injecting(scanned) or (phase is Phase.INJECT and self.blind < _OFF_WITHIN)

    async def until(self, phase: Phase) -> None:
        """Scan until the night is in `phase`, and the injector on in INJECT."""
        for _ in range(_LONGEST):
            scanned = await self.plant.scan()
            if scanned.decision.state.unit.phase is phase and (phase is not Phase.INJECT or is_injecting(scanned)):
                return
        raise AssertionError(f"never in {phase}: {scanned.decision.state.unit}")


def _needed(image: Image) -> Iterator[Reading]:
    """Yield the readings that an injection depends on."""
    assert image.flow_m3_h is not None and image.pump_running is not None
    yield from (image.flow_m3_h, image.water_l, image.pressure_kpa, image.pump_running)
    yield from (image.emergency_stop_healthy, image.selector_auto, image.output_watchdog_s, *image.outputs.values())
    for channel in image.channels.values():
        yield from channel


def test_every_fault_on_every_transaction_in_every_phase(tmp_path: Path) -> None:
    """One night, spoilt 224 times over: no wrong value, the injector off in time, everything recovers, COMPLETE."""
    uvloop.run(_spoilt_night(tmp_path))


async def _spoilt_night(folder: Path) -> None:
    async with spoilt_plant(folder, _SITE, _DECISIONS) as plant:
        night = _Night(plant)
        await plant.start_run()
        for phase in Phase:
            await night.until(phase)
            for fault in WIRE_FAULTS:
                for transaction in _TRANSACTIONS:
                    await night.spoil(phase, transaction, fault)
                if phase is Phase.INJECT:
                    await night.spoil_switching_off(fault)
        assert len(night.done) == len(Phase) * len(_TRANSACTIONS) * len(WIRE_FAULTS)
        while is_active(scanned := await plant.scan()):
            assert scanned.number < _LONGEST
        assert scanned.decision.state.unit.procedure is ProcedureState.COMPLETE
        run, truth = scanned.decision.state.run, await plant.truth()
        assert not any((*truth["outputs"].values(), *truth["contactors"].values()))
        assert plant.compared > 10_000 and not plant.wrong
    assert run is not None
    report = run_report(ledger_of(plant.service.folder), run.recipe.run)
    assert report is not None and report.doses
    for dose in report.metered:
        delivered_mg = 1e6 * truth["blocks"][dose.block]["delivered_kg"][dose.nutrient]
        assert abs(dose.delivered_mg - delivered_mg) <= dose.u_delivered_mg + 1.0, dose

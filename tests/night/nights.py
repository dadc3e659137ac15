"""A night in lockstep, watched: what the ledger says and what the simulator knows, at the same instants."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import uvloop

from daemon.cli import night
from daemon.cli.night import Night, ledger_of, run_night
from daemon.cli.simulator import Simulator
from daemon.control.lines import doses
from daemon.evidence import Dose
from daemon.ledger.reports import RunReport, run_report
from daemon.runtime.scan import Scanned
from daemon.runtime.service import Service
from tests.night.sites import BLOCK, PROGRAM, SHORT_NIGHT, SHORT_PIPES, START, write_scenario

CREEK_AS_IT_IS: Mapping[str, str] = {}


@dataclass(frozen=True, slots=True)
class Cut:
    """One instant: the dose rows as they would stand in the record, and the plant's own account."""

    scan: int
    scanned: Scanned
    doses: tuple[Dose, ...]
    truth: Mapping[str, Any]

    def truth_mg(self, dose: Dose) -> float:
        """Return what has really left the block's emitters."""
        return 1e6 * float(self.truth["blocks"][dose.block]["delivered_kg"].get(dose.nutrient, 0.0))

    def in_pipes_mg(self, dose: Dose) -> float:
        """Return what is really in the pipes to the only block, the main among them."""
        held = (self.truth["blocks"][dose.block]["in_pipes_kg"], self.truth["trunk_kg"])
        return 1e6 * sum(float(part.get(dose.nutrient, 0.0)) for part in held)


@dataclass(slots=True)
class Watched:
    """A night that has been run, its report and its cuts."""

    folder: Path
    night: Night
    report: RunReport
    cuts: list[Cut] = field(default_factory=list)
    scans: list[Scanned] = field(default_factory=list)
    """Every scan, where they were asked for."""

    @property
    def ledger(self) -> Path:
        """Where the night's ledger is."""
        return ledger_of(self.folder)

    def truth_kg(self, nutrient: str) -> float:
        """Return what had really left the block's emitters in the end."""
        return float(self.night.truth["blocks"][BLOCK]["delivered_kg"].get(nutrient, 0.0))

    def phases(self) -> list[str]:
        """Return the phases that ended, in their order."""
        return [phase.row.phase for phase in self.report.phases]


Look = Callable[[Service, Simulator, Scanned], None]


def watched_night(
    folder: Path,
    *,
    site: Mapping[str, str] = SHORT_PIPES,
    decisions: Mapping[str, str] = SHORT_NIGHT,
    options: Sequence[str] = (),
    faults: Sequence[tuple[str, float]] = (),
    cut_at: Collection[int] = (),
    keep_scans: bool = False,
    look: Look = lambda service, simulator, scanned: None,
) -> Watched:
    """Run one night to its end. `cut_at` are scans at which ledger and plant are compared."""
    cuts: list[Cut] = []
    scans: list[Scanned] = []
    services: list[Service] = []

    class Witness(Simulator):
        """Asked for its truth right before it moves on: at the very instant that the scan saw."""

        async def advance(self, seconds: float) -> None:
            newest = services[0].scanner.newest if services else None
            if newest is not None and newest.number in cut_at:
                cuts.append(_cut(services[0], newest, await self.ask("truth")))
            await super().advance(seconds)

    def watch(service: Service, simulator: Simulator, scanned: Scanned) -> None:
        if not services:
            services.append(service)
        if keep_scans:
            scans.append(scanned)
        look(service, simulator, scanned)

    files = write_scenario(folder, site, decisions)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(night, "Simulator", Witness)
        ran = uvloop.run(
            run_night(*files, [PROGRAM], folder / "db", START, options=options, faults=faults, watch=watch)
        )
    report = run_report(ledger_of(folder / "db"), ran.runs[0])
    assert report is not None
    return Watched(folder / "db", ran, report, cuts, scans)


def _cut(service: Service, scanned: Scanned, truth: Mapping[str, Any]) -> Cut:
    state = scanned.decision.state
    assert state.run is not None
    return Cut(scanned.number, scanned, doses(service.plant.site, state.run, state.lines), truth)

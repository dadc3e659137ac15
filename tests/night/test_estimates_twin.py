"""The estimates of a night in the core alone against its twin's: the same plant over Modbus TCP, ledger and all."""

from pathlib import Path
from typing import Any

import pytest

from daemon.cli.simulator import Simulator
from daemon.control.states import Phase
from daemon.evidence import DoseReconciled
from daemon.runtime.scan import Scanned
from daemon.runtime.service import Service
from tests.night.nights import watched_night
from tests.night.places import places
from tests.night.sites import PROGRAM

_COUNT_ML = 10
"""Of the injector's meter; the other estimates' registers are finer against their bands."""


def test_a_core_night_equals_its_twin_over_tcp(tmp_path: Path) -> None:
    """Guards the figures of the core's nights: over the wire a run's estimates are the same to its registers' steps."""
    shown: list[dict[str, Any]] = []

    def look(service: Service, _: Simulator, scanned: Scanned) -> None:
        if scanned.decision.state.unit.phase is Phase.FLUSH and not shown:
            snapshot = service.snapshot()
            assert snapshot is not None
            shown.extend(snapshot.estimates)

    twin = watched_night(tmp_path / "wire", options=["--perfect"], look=look)
    (over_wire,) = (stamped.row for stamped in twin.report.reconciled)
    (creek,) = (place for place in places(tmp_path) if place.name == "creek")
    night, recipes = creek.night(0, (PROGRAM,), perfect=True)
    for _ in night.run(*recipes):
        pass
    (in_core,) = (row for row in night.rows if isinstance(row, DoseReconciled))
    (at_flush,) = shown
    for name in ("meter", "tank", "ec"):
        assert at_flush[name]["litres"] == pytest.approx(getattr(over_wire, f"{name}_ml") / 1000.0, rel=0.05)
    assert at_flush["together"]["u_k2_litres"] > 0.0 and at_flush["channel"] == "a"
    assert abs(in_core.meter_ml - over_wire.meter_ml) <= 2 * _COUNT_ML
    for name in ("tank", "ec", "dose"):
        core_ml, wire_ml = (getattr(row, f"{name}_ml") for row in (in_core, over_wire))
        assert core_ml == pytest.approx(wire_ml, abs=0.1 * getattr(over_wire, f"u_{name}_ml"))
    assert (in_core.causes, in_core.tank_silent, in_core.ec_silent) == (over_wire.causes, "", "")

"""The whole commissioning at the simulated plant, over real Modbus TCP: its results beside what is hidden there."""

from collections.abc import Iterable
from pathlib import Path

import pytest

from tests.figures import record as keep_figure
from tests.night.whole import Off, commission_all

_SEEDS = 20


def _judge(found: Iterable[Off]) -> None:
    for off in found:
        assert abs(off.transit_pct) <= 5.0 and abs(off.injector_pct) <= 2.0, off
        assert abs(off.meter_pct) <= 2.0 and abs(off.probe_pct) <= 2.5, off


@pytest.mark.proof
@pytest.mark.timeout(900)
async def test_twenty_sites(tmp_path: Path) -> None:
    """Every step finds what is hidden, within what is asked of it, on twenty plants."""
    found = []
    for seed in range(1, _SEEDS + 1):
        folder = tmp_path / str(seed)
        folder.mkdir()
        found.append(await commission_all(seed, folder))
    pumps, evens = sum(off.pump_in_band for off in found), sum(off.du_in_band for off in found)

    def worst(name: str) -> float:
        return max(abs(float(getattr(off, name))) for off in found)

    keep_figure(
        "commissioned",
        claim="the commissioning finds what is hidden at a plant",
        test="tests/night/test_whole_commissioning.py, `-m proof`",
        aim="20 plants: transit 5 %, injector 2 %, meter 2 %, probe 2.5 %, pump in its k = 2, DU in its interval",
        reached=f"worst: transit {worst('transit_pct'):.1f} %, injector {worst('injector_pct'):.2f} %, meter "
        f"{worst('meter_pct'):.2f} %, probe {worst('probe_pct'):.2f} %; pump in its band {pumps} of {2 * _SEEDS}; "
        f"DU in its interval {evens} of {_SEEDS}",
        limit="Kestrel Bend with pipes of a tenth of their length; 400 draws of DU for each of 8 kinds of block are in "
        "every run",
    )
    _judge(found)
    assert pumps >= 2 * _SEEDS - 2 and evens >= _SEEDS - 2

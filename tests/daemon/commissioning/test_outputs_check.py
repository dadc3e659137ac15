"""The output check on paper: which valve wets what, and whether it is the meter or a block that is off."""

from collections.abc import Mapping
from datetime import UTC, datetime

import pytest

from daemon.commissioning.outputs_check import NOBODY, outputs_result
from daemon.commissioning.step import Entry, Result, Verdict, Work
from tests.daemon.commissioning.walk import plant_of

PLANT = plant_of("kestrel_bend")
BLOCKS = PLANT.site.block


def _result(
    shares: Mapping[str, float] | None = None, wets: Mapping[str, str] | None = None, meter: float = 1.0
) -> Result:
    """Return the result where each block gives a share of its own flow, by a meter that shows so much of it."""
    entries = []
    for name in BLOCKS:
        wet = (wets or {}).get(name, name)
        real = BLOCKS[wet if wet in BLOCKS else name].flow_m3_h * (shares or {}).get(name, 1.0) * meter
        kept = {"watch": ["flow_m3_h"], "samples": [[2.0 * n, real] for n in range(10)]}
        entries += [Entry(f"listen.{name}", kept), Entry(f"wet.{name}", {"wet": wet})]
    return outputs_result(Work(PLANT, "outputs", entries, "Tomas", datetime(2026, 9, 1, tzinfo=UTC), {}, "", ()))


def test_a_sound_plant_passes() -> None:
    """Blocks that differ within their accuracy are none of a technician's business."""
    found = _result({"creek": 0.88, "ridge": 1.12, "house": 0.92})
    assert found.verdict is Verdict.PASSED and not found.told


@pytest.mark.parametrize(("one", "other"), [("creek", "bridge"), ("hill", "river")])
def test_swapped_valves_are_named(one: str, other: str) -> None:
    """By who is wet; their flows are then each other's, and nothing else is told of them."""
    found = _result(wets={one: other, other: one})
    assert found.verdict is Verdict.FAILED
    assert f"valve.{one} and valve.{other} are swapped: each wets the other's block." in found.told
    assert len(found.told) == 3


def test_a_valve_that_wets_nothing_is_named() -> None:
    """With its point, and where its wire goes."""
    found = _result({"hill": 0.0}, {"hill": NOBODY})
    assert any("with hill opened no block is wet. Look at station.out5" in text for text in found.told)


@pytest.mark.parametrize(("share", "words"), [(0.6, "too little"), (1.4, "too much")])
def test_a_block_that_is_off_is_named(share: float, words: str) -> None:
    """One block beside the others."""
    found = _result({"ridge": share})
    assert found.verdict is Verdict.FAILED and any("flow of ridge: " in text and words in text for text in found.told)


@pytest.mark.parametrize("meter", [0.85, 1.15])
def test_all_blocks_alike_is_the_meter(meter: float) -> None:
    """What all have in common is no block's."""
    found = _result({"creek": 0.95, "house": 1.05}, meter=meter)
    assert any("rather the main meter" in text for text in found.told)
    assert not any("too little" in text or "too much" in text for text in found.told)


def test_a_flow_beyond_the_sites_band_is_told() -> None:
    """Guards tonight's start: control would not let it run, and says so before the night."""
    found = _result({"creek": 0.78})
    assert any("would not start. Test the main meter first" in text for text in found.told)

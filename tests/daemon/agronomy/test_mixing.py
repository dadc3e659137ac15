"""The order of mixing, and how much dissolving cools the water."""

import pytest

from daemon.agronomy.mixing import cooling_k, mixing_order
from tests.daemon.agronomy.mixes import parts, unknown


@pytest.mark.parametrize(
    ("name", "grams", "cools_k"),
    [("ammonium_nitrate", 200.0, 14.2), ("urea", 200.0, 11.3), ("potassium_nitrate", 100.0, 8.1)],
)
def test_cooling_of_the_domain_sheet(name: str, grams: float, cools_k: float) -> None:
    """Guards the heat balance: these grams in 1 kg of water (domain sheet, section 2; an upper bound)."""
    assert cooling_k(parts(**{name: grams}), 1000.0) == pytest.approx(cools_k, abs=0.4)


def test_an_unknown_heat_is_said_and_a_liquid_of_unknown_heat_counts_for_nothing() -> None:
    """Guards against a cooling that leaves a salt out without a word."""
    known = parts(urea=100.0)
    assert cooling_k([*known, (unknown(heat_j_g=None), 50.0)], 900.0) is None
    with_liquid = cooling_k([*known, (unknown(heat_j_g=None, is_liquid=True), 0.001)], 900.0)
    assert with_liquid == pytest.approx(cooling_k(known, 900.0), rel=1e-4)
    assert cooling_k([], 1000.0) == 0.0


def test_water_first_then_acid_then_what_cools() -> None:
    """Guards the order: acid goes into water, what cools goes in last, and the mark is filled to at the end."""
    mix = parts(potassium_nitrate=80.0, map=50.0, phosphoric_acid=20.0, urea=100.0)
    steps = mixing_order(mix, cooling_k(mix, 850.0))
    said = [step.what for step in steps]
    assert "half to two thirds" in said[0]
    assert [next(i for i, what in enumerate(said) if title in what) for title in ("phosphoric", "MAP", "urea")] == [
        1,
        2,
        3,
    ]
    assert "potassium nitrate" in said[4]
    assert "mark" in said[5]
    assert any("never water to it" in caution for caution in steps[1].cautions)
    assert "warmest water" in steps[0].cautions[0]


def test_liquids_are_poured_and_nothing_needs_no_steps() -> None:
    """Guards the two ends: a liquid is not stirred until dissolved, and an empty mix has no steps."""
    (_, pour, _) = mixing_order([(unknown(is_liquid=True), 100.0)], None)
    assert pour.what.startswith("pour in")
    assert mixing_order([], 0.0) == ()

"""Indices against the domain sheet's worked rows (U1 to U4) and published examples; their interval against draws."""

import math
import random

import pytest

from daemon.commissioning.uniformity import (
    Likely,
    design_eu_pct,
    doses,
    du_lq_pct,
    likely,
    uniformity,
    worst_quarter_kg_ha,
)

A = (3.8, 4.0, 4.1, 3.9, 3.6, 4.2, 4.0, 3.7, 3.5, 4.1, 4.0, 3.9, 3.2, 4.3, 4.0, 3.8)
EC = (1.42, 1.40, 1.38, 1.41, 1.36, 1.43, 1.40, 1.37, 1.35, 1.42, 1.41, 1.39, 1.30, 1.44, 1.40, 1.38)
B = (10.0, 12.0, 14.0, 16.0, 18.0, 20.0, 22.0, 24.0)
C = (25.0,) * 3 + (20.0,) * 3 + (15.0,) * 3 + (10.0,) * 3


@pytest.mark.parametrize(
    ("values", "cu", "du", "us"),
    [(A, 94.565, 90.177, 92.822), (B, 76.471, 64.706, 71.182), (C, 71.429, 57.143, 66.636)],
    ids=["U1", "U2", "C"],
)
def test_indices(values: tuple[float, ...], cu: float, du: float, us: float) -> None:
    """Christiansen (Hilgardia 1942), low quarter, and Bralts' statistical uniformity by the sample's deviation."""
    found = uniformity(values)
    assert (found.cu_pct, found.du_lq_pct, found.us_pct) == pytest.approx((cu, du, us), abs=0.001)


def test_the_dose_is_volume_times_ec_rise() -> None:
    """U3: EC alone looks even (DU 96.7 and 95.1), what the cans got of the fertiliser is not (85.7)."""
    dose = uniformity(doses(A, EC, 0.45))
    assert (dose.cu_pct, dose.du_lq_pct) == pytest.approx((92.410, 85.690), abs=0.001)
    assert uniformity(EC).du_lq_pct == pytest.approx(96.68, abs=0.01)
    assert uniformity([one - 0.45 for one in EC]).du_lq_pct == pytest.approx(95.09, abs=0.01)
    assert worst_quarter_kg_ha(7.5, dose) == pytest.approx(7.5 * 0.8569, abs=0.001)


@pytest.mark.parametrize(
    ("cv", "emitters", "least", "mean", "eu"), [(0.05, 1.0, 0.95, 1.0, 88.9675), (0.07, 4.0, 3.6, 3.9, 88.20)]
)
def test_design_uniformity(cv: float, emitters: float, least: float, mean: float, eu: float) -> None:
    """U4: Keller and Karmeli (1974)."""
    assert design_eu_pct(cv, emitters, least, mean) == pytest.approx(eu, abs=0.005)


def test_a_published_drip_example() -> None:
    """Mean 0.48, low quarter 0.44 gal/h: 92 % (an extension service's drip example, as the domain sheet has it)."""
    values = [0.44] * 4 + [0.4933] * 12
    assert du_lq_pct(values) == pytest.approx(91.67, abs=0.1)


def test_one_can_more_never_makes_a_jump() -> None:
    """The quarter's boundary is weighted: with the same spread, 16 to 20 cans have much the same index."""
    found = [du_lq_pct([10.0 + 5.0 * (place + 0.5) / n for place in range(n)]) for n in range(16, 21)]
    assert max(found) - min(found) < 0.2


@pytest.mark.parametrize("cv", [0.03, 0.08, 0.15, 0.25])
@pytest.mark.parametrize("n", [16, 32])
def test_the_interval_holds_the_blocks_own_index(n: int, cv: float) -> None:
    """At least 95 of 100 samples of a block of 1,600 emitters have its own DU in their interval, which still tells."""
    dice = random.Random(round(1000.0 * cv) + n)
    held, width = 0, 0.0
    count = 400
    block = [max(0.0, dice.gauss(4.0, 4.0 * cv)) for _ in range(1600)]
    whole = du_lq_pct(block)
    for _ in range(count):
        found = uniformity(dice.sample(block, n))
        held += abs(found.du_lq_pct - whole) <= found.du_u_pct
        width += found.du_u_pct / count
    assert held / count >= 0.95
    assert width <= 400.0 * cv / math.sqrt(n), "an interval that holds everything says nothing"


def test_what_unevenness_comes_from() -> None:
    """Blocked emitters stand alone, pressure explains itself where it was taken, and the rest is the emitters'."""
    dice = random.Random(3)
    even = [dice.gauss(4.0, 0.1) for _ in range(16)]
    assert likely(even) is Likely.EVEN
    assert likely([*even[:13], 0.5, 1.0, 0.2]) is Likely.BLOCKAGE
    pressures = [200.0 - 8.0 * place for place in range(16)]
    by_pressure = [0.28 * pressure**0.5 * dice.gauss(1.0, 0.01) for pressure in pressures]
    assert likely(by_pressure, pressures) is Likely.PRESSURE
    worn = [dice.gauss(4.0, 0.6) for _ in range(16)]
    assert likely(worn, [150.0 + dice.gauss(0.0, 2.0) for _ in range(16)]) is Likely.EMITTERS
    assert likely(by_pressure) is Likely.EMITTERS, "nobody can tell without pressures"


@pytest.mark.parametrize(
    ("values", "says"),
    [((1.0,) * 7, "got 7 cans"), ((1.0,) * 8 + (-0.1,), "0 or more"), ((0.0,) * 8, "nothing in any can")],
)
def test_what_is_no_sample_is_refused(values: tuple[float, ...], says: str) -> None:
    """With what was got and what is expected."""
    with pytest.raises(ValueError, match=says):
        uniformity(values)
    with pytest.raises(ValueError, match="one of each"):
        doses(A, EC[:3], 0.45)
    with pytest.raises(ValueError, match="below the water's"):
        doses(A, EC, 1.31)

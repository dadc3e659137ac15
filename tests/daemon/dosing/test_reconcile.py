"""What witnesses say together: which of two unknowns is wrong, and that the probe is never blamed first."""

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.dosing.agreement import Estimate
from daemon.dosing.reconcile import CAUSES, FLAGGED, Witnesses, reconcile, with_strength

_DRAWS = 20_000


def _said(
    meter: float,
    tank: float | None,
    ec: float | None,
    *,
    is_by_bucket: bool = True,
    idle_l: float = 0.0,
    idle_s: float = 0.0,
) -> Witnesses:
    return Witnesses(
        meter=Estimate(meter, 1.2),
        tank=None if tank is None else Estimate(tank, 1.5),
        ec=None if ec is None else Estimate(ec, 4.0),
        strength_pct=2.0,
        is_by_bucket=is_by_bucket,
        idle_l=idle_l,
        idle_s=idle_s,
    )


@pytest.mark.parametrize(
    ("witnesses", "causes"),
    [
        (_said(100.0, 100.5, 99.0), ()),
        (_said(100.0, None, None), ()),
        (_said(115.0, 100.0, 101.0), ("meter-high", "tank-filled", "gauge")),
        (_said(85.0, 100.0, 101.0), ("meter-low", "tank-leaks", "gauge")),
        (_said(100.0, 115.0, 99.0), ("tank-leaks", "gauge", "meter-low")),  # EC is with the meter
        (_said(100.0, 85.0, 99.0), ("tank-filled", "gauge", "meter-high")),
        (_said(100.0, 115.0, None), ("meter-low", "tank-leaks", "gauge")),
        (_said(100.0, 102.5, 99.0, idle_l=3.0, idle_s=900.0), ("tank-leaks", "gauge")),  # 12 L/h at rest
        (_said(100.0, 102.5, 99.0, idle_l=3.0, idle_s=9000.0), ()),  # 1.2 L/h
        (_said(100.0, 100.0, 88.0), ("mix-weak", "after-the-meter", "probe")),
        (_said(100.0, 100.0, 112.0), ("mix-strong", "probe")),
        (_said(100.0, None, 88.0), ("mix-weak", "meter-high", "after-the-meter", "probe")),
        (_said(100.0, None, 112.0), ("mix-strong", "meter-low", "probe")),
    ],
)
def test_causes(witnesses: Witnesses, causes: tuple[str, ...]) -> None:
    """Guards the ranking: volume by meter against tank, strength by EC over volume, a leak by the tank at rest."""
    found = reconcile(witnesses).causes
    assert found == causes
    assert set(found) <= CAUSES.keys()


@given(
    meter=st.floats(1.0, 500.0),
    tank=st.none() | st.floats(0.0, 500.0),
    ec=st.none() | st.floats(0.0, 500.0),
    is_by_bucket=st.booleans(),
    idle_l=st.floats(-5.0, 50.0),
)
def test_the_probe_is_never_blamed_first(
    meter: float, tank: float | None, ec: float | None, is_by_bucket: bool, idle_l: float
) -> None:
    """Guards practice: whatever they say, the probe comes last; what agrees is not blamed; nothing is said of none."""
    found = reconcile(_said(meter, tank, ec, is_by_bucket=is_by_bucket, idle_l=idle_l, idle_s=600.0))
    assert found.causes[:1] != ("probe",)
    assert "probe" not in found.causes[:-1]
    assert (found.volume_en is None) is (tank is None) and (found.strength_en is None) is (ec is None)
    ens = [abs(en) for en in (found.volume_en, found.strength_en) if en is not None]
    if not found.causes:
        assert all(en <= FLAGGED for en in ens)
    assert found.dose.u > 0.0


def test_a_level_that_agrees_says_nothing_of_the_mix() -> None:
    """Guards what is independent: a tank beside the meter makes the volume surer, and the strength no bit."""
    alone, both = (reconcile(_said(100.0, tank, None)).dose for tank in (None, 100.0))
    assert both.u < alone.u
    assert both.u > 2.0  # the strength's own 2 % of 100 L


def test_ec_by_a_bucket_test_shares_the_strength() -> None:
    """Guards correlation (GUM, JCGM 100:2008, 5.2): a bucket cannot make the strength surer, products can."""
    bucket = reconcile(_said(100.0, 100.0, 100.0)).dose
    products = reconcile(_said(100.0, 100.0, 100.0, is_by_bucket=False)).dose
    assert bucket.u > 2.0
    assert products.u < with_strength(Estimate(100.0, 1.2), 2.0).u
    volume = reconcile(_said(100.0, 100.0, None)).dose
    assert products.u == pytest.approx(1.0 / math.hypot(1.0 / volume.u, 1.0 / 4.0))


@pytest.mark.parametrize("is_by_bucket", [True, False])
def test_the_band_against_a_monte_carlo(is_by_bucket: bool) -> None:
    """Guards the k = 2 of the combined dose by JCGM 101:2008: the same model, drawn 20,000 times."""
    rng, errors = random.Random(11), []
    volume_l = 100.0
    for _ in range(_DRAWS):
        strength = 1.0 + rng.gauss(0.0, 0.01)
        meter, tank = volume_l + rng.gauss(0.0, 0.6), volume_l + rng.gauss(0.0, 0.75)
        seen = 1.0 if is_by_bucket else strength  # a bucket test took the strength along
        ec = volume_l * seen + rng.gauss(0.0, 2.0)
        found = reconcile(_said(meter, tank, ec, is_by_bucket=is_by_bucket)).dose
        errors.append(found.value - volume_l * strength)
    spread = math.sqrt(sum(error**2 for error in errors) / _DRAWS)
    said = reconcile(_said(100.0, 100.0, 100.0, is_by_bucket=is_by_bucket)).dose
    assert 2.0 * spread == pytest.approx(said.u, rel=0.06)

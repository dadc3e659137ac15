"""Stock solutions as a whole: the domain sheet's pairs, what the water brings, jars, the ends of what a litre holds."""

from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.agronomy.products import substance_of
from daemon.agronomy.salts import SALTS
from daemon.agronomy.stock import Assessment, assess
from daemon.agronomy.verdict import Verdict
from daemon.decisions.tanks import JarTest
from tests.daemon.agronomy.mixes import CALCIUM_NITRATE, EPSOM, HARD, MAGNESIUM_NITRATE, parts, unknown, water


def _whats(assessment: Assessment, verdict: Verdict) -> set[str]:
    return {finding.what for finding in assessment.findings if finding.verdict is verdict}


@pytest.mark.parametrize("other", ["ammonium_sulphate", EPSOM, "map", "potassium_sulphate"])
@pytest.mark.parametrize("grams", [0.5, 50.0])
def test_calcium_nitrate_goes_alone(other: str, grams: float) -> None:
    """Guards X1 of the domain sheet: never in one tank, however weak, and always with another tank as the mend."""
    found = assess(parts(**{CALCIUM_NITRATE: grams, other: grams}), 10.0)
    assert found.verdict is Verdict.DO_NOT
    assert "pair" in _whats(found, Verdict.DO_NOT)
    assert found.findings[0].mend.startswith("two tanks")


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("potassium_nitrate", "map"),
        ("urea", "potassium_nitrate"),
        (CALCIUM_NITRATE, "potassium_nitrate"),
        (CALCIUM_NITRATE, MAGNESIUM_NITRATE),
    ],
)
def test_what_mixes(one: str, other: str) -> None:
    """Guards X2 of the domain sheet: accepted without a word."""
    found = assess(parts(**{one: 50.0, other: 50.0}), 10.0)
    assert found.verdict is Verdict.MIXES
    assert found.findings == ()


def test_epsom_salt_with_map_is_for_care() -> None:
    """Guards X3 of the domain sheet: accepted, with the note to keep it acid; its own pH is 4.1."""
    found = assess(parts(**{EPSOM: 50.0, "map": 50.0}), 20.0)
    assert found.verdict is Verdict.WITH_CARE
    assert [finding.what for finding in found.findings] == ["pair"]
    assert "keep pH below 5.5" in found.findings[0].reason
    assert found.ph == pytest.approx(4.1, abs=0.05)


def test_what_an_assessment_says_of_a_litre() -> None:
    """Guards the amounts: nutrients by mass, the water of crystals apart, the added water and the whole by density."""
    found = assess(parts(**{CALCIUM_NITRATE: 200.0, "potassium_nitrate": 50.0}), 15.0)
    assert found.nutrients_g_l == pytest.approx({"N": 30.65, "Ca": 33.94, "K": 19.34}, rel=2e-3)  # domain sheet, 1
    assert found.nitrogen_g_l == pytest.approx({"nitrate": 30.65}, rel=2e-3)
    assert found.hydrate_water_g_l == pytest.approx(200.0 * 4 * 18.015 / 236.15, rel=1e-3)
    added_kg = found.density_kg_l - 0.250
    assert found.added_water_l_per_l == pytest.approx(added_kg, rel=0.005)
    assert 1.10 < found.density_kg_l < 1.16
    assert found.cooling_k is not None and found.cooling_k > 5.0
    assert set(found.product_fractions) == {CALCIUM_NITRATE, "potassium_nitrate"}
    assert [pair.rule.value for pair in found.pairs] == ["mixes"]
    assert len(found.steps) == 4


def test_the_tanks_water_brings_sludge_and_no_more() -> None:
    """Guards the water of the tank: its own calcium clouds a sulphate stock, which asks for care and no second tank."""
    mix = parts(ammonium_sulphate=300.0)
    assert assess(mix, 10.0).verdict is Verdict.MIXES
    found = assess(mix, 10.0, water({**HARD, "Ca": 6.0, "SO4": 4.5}))
    assert found.verdict is Verdict.WITH_CARE
    assert "with what the water brings" in found.findings[0].reason
    assert assess(parts(potassium_nitrate=50.0), 10.0, water(HARD)).verdict is Verdict.MIXES


def test_an_unknown_product_waits_for_a_jar() -> None:
    """Guards the jar's place: refused unknown, with care once a clear jar covers it, refused again past the jar."""
    mix = [(unknown(), 60.0), (substance_of("urea", {}), 60.0)]
    jar = JarTest(
        products_g_l={"shed_mix": 60.0, "urea": 60.0},
        coldest_c=8.0,
        hours=24.0,
        clear=True,
        at=datetime(2026, 3, 1, tzinfo=UTC),
        by="tester",
    )
    assert assess(mix, 10.0).verdict is Verdict.DO_NOT
    assert assess(mix, 10.0, jar_tests=[jar]).verdict is Verdict.WITH_CARE
    assert assess(mix, 5.0, jar_tests=[jar]).verdict is Verdict.DO_NOT
    assert assess([(unknown(), 61.0), mix[1]], 10.0, jar_tests=[jar]).verdict is Verdict.DO_NOT


def test_an_unknown_solubility_is_said() -> None:
    """Guards what nobody knows: said with care, alone as in a mix; a liquid needs none; below the table is unknown."""
    (finding,) = assess([(unknown(solubility_g_per_100_g=()), 50.0)], 10.0).findings
    assert finding.verdict is Verdict.WITH_CARE
    assert "unknown: jar test" in finding.reason
    assert assess([(unknown(solubility_g_per_100_g=(), is_liquid=True), 50.0)], 10.0).findings == ()
    assert "only from 0 °C" in assess(parts(potassium_nitrate=50.0), -2.0).findings[0].reason


@pytest.mark.parametrize("mix", [{"urea": 2000.0}, {"ammonium_nitrate": 1500.0, "urea": 500.0}, {"map": 3000.0}])
def test_more_than_a_litre_holds_is_refused(mix: dict[str, float]) -> None:
    """Guards the end of a litre: refused as such, without an error."""
    found = assess(parts(**mix), 20.0)
    assert found.verdict is Verdict.DO_NOT
    assert "volume" in _whats(found, Verdict.DO_NOT)


def test_nothing_in_nothing_out() -> None:
    """Guards the empty tank: water, no findings, no steps."""
    for mix in ([], parts(urea=0.0)):
        found = assess(mix, 10.0)
        assert found.verdict is Verdict.MIXES
        assert (found.nutrients_g_l, found.findings, found.steps, found.cooling_k) == ({}, (), (), 0.0)
        assert found.added_water_l_per_l == pytest.approx(1.0, abs=1e-3)


@settings(derandomize=True, database=None, max_examples=60, deadline=None)
@given(
    grams=st.dictionaries(st.sampled_from(sorted(SALTS)), st.floats(0.1, 400.0), min_size=1, max_size=4),
    coldest_c=st.floats(-5.0, 40.0),
    weaker=st.floats(0.2, 0.9),
)
def test_any_mix_is_judged(grams: dict[str, float], coldest_c: float, weaker: float) -> None:
    """Guards every mix of built-in salts: judged without an error, worst first, and no salt fuller in more water."""
    found = assess(parts(**grams), coldest_c)
    order = [list(Verdict).index(finding.verdict) for finding in found.findings]
    assert order == sorted(order, reverse=True)
    assert found.verdict is Verdict.worst(*(finding.verdict for finding in found.findings))
    assert all(finding.reason for finding in found.findings)
    assert len(found.pairs) == len(grams) * (len(grams) - 1) // 2
    assert found.added_water_l_per_l >= 0.0
    thin = assess(parts(**{name: weaker * amount for name, amount in grams.items()}), coldest_c)
    for name, fraction in found.product_fractions.items():
        thinner = thin.product_fractions[name]
        assert (fraction is None) == (thinner is None)
        assert fraction is None or thinner is None or thinner < fraction

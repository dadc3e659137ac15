"""The diluted line against the water analysis: the domain sheet's waters, what is the water's own doing, acids."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.agronomy.line import check_line, line_solution
from daemon.agronomy.minerals import saturation_indices
from daemon.agronomy.verdict import Finding, Verdict
from daemon.agronomy.waters import water_ions
from tests.daemon.agronomy.mixes import CALCIUM_NITRATE, EPSOM, HARD, SOFT, parts, unknown, water


def _worst(findings: tuple[Finding, ...]) -> Verdict:
    return Verdict.worst(*(finding.verdict for finding in findings))


@pytest.mark.parametrize(
    ("mmol", "ph", "g_l", "brushite", "struvite"),
    [  # domain sheet, section 3: PHREEQC at 20 °C, the water's pH held
        (HARD, 7.8, 0.1, 0.17, -1.18),
        (HARD, 7.8, 0.5, 0.77, 0.08),
        (HARD, 6.0, 0.5, 0.04, -2.41),
        (SOFT, 7.8, 0.5, 0.16, -0.45),
    ],
)
def test_phosphate_in_the_domain_sheets_waters(
    mmol: dict[str, float], ph: float, g_l: float, brushite: float, struvite: float
) -> None:
    """Guards MAP in hard and soft water: the emitters' two phosphates, within 0.05."""
    indices = saturation_indices(line_solution(parts(map=g_l), water_ions(water(mmol, ph), 20.0), 20.0), 20.0)
    assert indices["brushite"] == pytest.approx(brushite, abs=0.05)
    assert indices["struvite"] == pytest.approx(struvite, abs=0.05)


@pytest.mark.parametrize(
    ("mmol", "mix", "verdict", "names"),
    [
        (HARD, {"map": 0.1}, Verdict.WITH_CARE, "brushite"),
        (HARD, {"map": 0.5}, Verdict.DO_NOT, "brushite"),
        (SOFT, {"map": 0.1}, Verdict.MIXES, ""),
        (SOFT, {"map": 0.5}, Verdict.WITH_CARE, "brushite"),
        (SOFT, {EPSOM: 1.0, "dap": 0.5}, Verdict.DO_NOT, "struvite"),
        (HARD, {CALCIUM_NITRATE: 0.5}, Verdict.WITH_CARE, "lime"),
        (HARD, {"urea": 1.0}, Verdict.MIXES, ""),
        (HARD, {"potassium_nitrate": 1.0, "ammonium_nitrate": 1.0}, Verdict.MIXES, ""),
        ({"Ca": 8.0, "Mg": 4.0, "Na": 2.0, "SO4": 12.0, "HCO3": 2.0}, {CALCIUM_NITRATE: 8.0}, Verdict.DO_NOT, "gypsum"),
        ({}, {CALCIUM_NITRATE: 1.0, "ammonium_sulphate": 1.0}, Verdict.MIXES, ""),  # X5: fine in the line
    ],
)
def test_what_falls_out_where(mmol: dict[str, float], mix: dict[str, float], verdict: Verdict, names: str) -> None:
    """Guards the issue's lines: phosphate in hard alkaline water, calcium in bicarbonate and in sulphate water."""
    findings = check_line(parts(**mix), water(mmol))
    assert _worst(findings) is verdict
    assert any(names in finding.reason for finding in findings) or not findings


def test_lime_of_the_water_itself_is_not_the_fertilisers() -> None:
    """Guards what is judged: a water that drops lime anyway says nothing for urea, and what it had for calcium."""
    hard = water(HARD)
    assert check_line(parts(urea=0.5), hard) == ()
    (finding,) = check_line(parts(**{CALCIUM_NITRATE: 0.5}), hard)
    assert "the water alone" in finding.reason
    assert finding.mend == "acidify the water first"


def test_lime_in_the_hard_water() -> None:
    """Guards the carbonates: calcite at +0.54 with 0.5 g/L of MAP, 20 °C (domain sheet, section 3: PHREEQC)."""
    indices = saturation_indices(line_solution(parts(map=0.5), water_ions(water(HARD), 20.0), 20.0), 20.0)
    assert indices["calcite"] == pytest.approx(0.54, abs=0.05)


def test_acid_keeps_phosphate_dissolved() -> None:
    """Guards acids: enough nitric acid takes the bicarbonate and the pH down, and the brushite with it."""
    hard = water(HARD)
    assert _worst(check_line(parts(map=0.4), hard)) is Verdict.DO_NOT
    assert _worst(check_line(parts(map=0.4, nitric_acid=1.0), hard)) is Verdict.MIXES
    ions = water_ions(hard, 20.0)
    assert line_solution(parts(nitric_acid=0.6), ions, 20.0).ph < 5.0


@settings(derandomize=True, database=None, max_examples=30)
@given(acid_g_l=st.floats(1e-9, 0.5), more=st.floats(1e-6, 0.5))
def test_acid_only_ever_lowers_the_ph(acid_g_l: float, more: float) -> None:
    """Guards the step from no acid to a little: none, from the water's own pH down."""
    ions = water_ions(water(HARD), 20.0)
    own, little, much = (
        line_solution(parts(nitric_acid=grams, map=0.3), ions, 20.0).ph for grams in (1e-12, acid_g_l, acid_g_l + more)
    )
    assert own == pytest.approx(7.8, abs=0.01)
    assert own + 1e-6 >= little > much


def test_the_mend_is_enough() -> None:
    """Guards the figure of the mend: at that part of the strength nothing falls out, at the next it does."""
    (finding,) = check_line(parts(map=0.5), water(SOFT))
    assert "inject 25 % of this" in finding.mend
    assert check_line(parts(map=0.125), water(SOFT)) == ()
    assert check_line(parts(map=0.25), water(SOFT)) != ()


def test_without_an_analysis_it_says_that_it_did_not_look() -> None:
    """Guards against silence that reads as a pass."""
    (finding,) = check_line(parts(map=0.5), None)
    assert finding.what == "water"
    assert "not checked" in finding.reason


def test_iron_warns() -> None:
    """Guards note 12 of the practice: iron over 0.2 mg/L, and worse with phosphate."""
    assert check_line(parts(urea=0.5), water(SOFT, fe_mg_l=0.2)) == ()
    (plain,) = check_line(parts(urea=0.5), water(SOFT, fe_mg_l=0.5))
    (phosphate,) = check_line(parts(map=0.1), water(SOFT, fe_mg_l=0.5))
    assert "clogs emitters" in plain.reason
    assert "iron phosphate" in phosphate.reason


def test_cleaners_are_refused_with_and_without_an_analysis() -> None:
    """Guards the refusal where no tank is asked: chlorine in the line."""
    bleach = [(unknown("bleach", nature="chlorine"), 0.1)]
    for analysis in (None, water(SOFT)):
        assert _worst(check_line(bleach, analysis)) is Verdict.DO_NOT


def test_nothing_injected_is_nothing_said() -> None:
    """Guards water alone: no products, or none of them, no findings."""
    assert check_line([], None) == ()
    assert check_line(parts(map=0.0), water(HARD, fe_mg_l=2.0)) == ()

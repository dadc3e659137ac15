"""EC from ions against measured EC, and what must hold of any mix; PHREEQC is asked in tests/outside."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.agronomy.conductivity import dissolved_mg_l, ec_at_25_ms_cm, ec_ms_cm, ec_rise_ms_cm
from daemon.agronomy.products import substance_of
from daemon.agronomy.salts import SALTS
from daemon.decisions.tanks import Water

_BORE = Water(
    on=date(2026, 9, 1),
    ec_ms_cm=0.6,
    ph=7.6,
    ca_mg_l=60.0,
    mg_mg_l=19.0,
    na_mg_l=35.0,
    hco3_mg_l=190.0,
    so4_mg_l=72.0,
    cl_mg_l=57.0,
    nitrate_mg_l=0.0,
    nitrate_as="N",
)


@pytest.mark.parametrize(
    ("name", "ms_cm"),
    [
        ("potassium_nitrate", 1.34),
        ("ammonium_nitrate", 1.68),
        ("ammonium_sulphate", 1.95),  # between PHREEQC's 1.88 and pyEQL's 2.04
        ("potassium_chloride", 1.855),
        ("potassium_sulphate", 1.50),
        ("map", 0.87),
        ("mkp", 0.735),
        ("calcium_nitrate_tetrahydrate", 0.99),
        ("magnesium_sulphate_heptahydrate", 0.71),
        ("magnesium_nitrate_hexahydrate", 0.87),
        ("phosphoric_acid", 0.85 * 2.12),
        ("nitric_acid", 0.60 * 6.13),
    ],
)
def test_a_gram_in_a_litre(name: str, ms_cm: float) -> None:
    """Row E1 and the rest of the domain sheet's slopes, computed with PHREEQC (vitens.dat) at 25 °C."""
    assert substance_of(name, {}).ec_ms_cm_per_g_l == pytest.approx(ms_cm, rel=0.06)


@pytest.mark.parametrize("name", ["urea", "boric_acid"])
def test_ec_cannot_see_urea(name: str) -> None:
    """Row E1: exactly nothing, alone and beside what EC sees, so that nobody takes it for a weak signal."""
    substance, salt = substance_of(name, {}), substance_of("potassium_nitrate", {})
    assert substance.ec_ms_cm_per_g_l == ec_rise_ms_cm([(substance, 5.0)], _BORE) == 0.0
    assert ec_rise_ms_cm([(substance, 5.0), (salt, 1.0)], _BORE) == ec_rise_ms_cm([(salt, 1.0)], _BORE)


@pytest.mark.parametrize(("mol_kg", "ms_cm"), [(0.01, 1.40823), (0.1, 12.8246)])
def test_potassium_chloride_standards(mol_kg: float, ms_cm: float) -> None:
    """Guards the scale: the primary standards of Wu, Koch and Pratt (J. Res. NIST 96:191, 1991)."""
    assert ec_ms_cm({"K": mol_kg, "Cl": mol_kg}) == pytest.approx(ms_cm, rel=0.01)


@pytest.mark.parametrize("mol_kg", [0.001, 0.01, 0.03])
@pytest.mark.parametrize(
    ("ions", "infinite", "slope", "b", "tolerance"),
    [
        ({"K": 1, "NO3": 1}, (0.009117, 2.309, 80.33), (0.00909, 1.099, 49.12), 0.7, 0.01),
        ({"K": 1, "Cl": 1}, (0.009385, 2.533, 81.17), (0.0139, 1.886, 44.11), 1.7, 0.02),
        ({"NH4": 1, "Cl": 1}, (0.006575, 2.684, 78.03), (0.006133, 1.423, 30.0), 0.7, 0.03),
        ({"Ca": 1, "Cl": 2}, (0.01124, 2.224, 72.36), (0.03918, 3.905, 137.7), 3.8, 0.02),
        ({"Mg": 1, "Cl": 2}, (0.009534, 2.247, 68.19), (0.02469, 4.374, 129.8), 3.1, 0.02),
        ({"K": 2, "SO4": 1}, (0.008819, 2.872, 83.72), (0.03799, 9.784, 247.1), 5.3, 0.07),
        ({"SO4": 1}, (-0.01985, 7.421, 283.3), (0.09194, 63.37, 1869.0), 11.5, 0.03),
    ],
    ids=str,
)
def test_salts_as_measured(
    ions: dict[str, int],
    infinite: tuple[float, float, float],
    slope: tuple[float, float, float],
    b: float,
    tolerance: float,
    mol_kg: float,
) -> None:
    """Guards the formula without PHREEQC: fits to measurements, McCleskey (J. Chem. Eng. Data 56:317, 2011), at 25 °C.

    Sulphates with two charges read up to 7 % low, for the correction takes too much off them; PHREEQC's does so too.
    """
    charge = max(ions.get("Ca", 0), ions.get("Mg", 0), ions.get("SO4", 0)) + 1
    at_none, fall = (a * 625.0 + c * 25.0 + d for a, c, d in (infinite, slope))
    measured = charge * mol_kg * (at_none - fall * mol_kg**0.5 / (1.0 + b * mol_kg**0.5))
    assert ec_ms_cm({ion: n * mol_kg for ion, n in ions.items()}) == pytest.approx(measured, rel=tolerance)


@pytest.mark.parametrize(
    ("parts", "rise", "alone"),
    [
        ({"potassium_nitrate": 0.25}, 0.327, 0.345),
        ({"potassium_nitrate": 0.5}, 0.650, 0.681),
        ({"potassium_nitrate": 1.0}, 1.288, 1.336),
        ({"potassium_nitrate": 0.5, "map": 0.5}, None, 1.106),
        ({"potassium_nitrate": 1.0, "ammonium_nitrate": 1.0}, None, 2.945),
        (
            {
                "potassium_nitrate": 0.5,
                "map": 0.3,
                "magnesium_sulphate_heptahydrate": 0.3,
                "ammonium_sulphate": 0.5,
            },
            None,
            2.035,
        ),
        ({"calcium_nitrate_tetrahydrate": 1.0, "potassium_nitrate": 1.0}, None, 2.256),
        ({"urea": 1.0, "potassium_nitrate": 1.0}, None, 1.336),
    ],
)
def test_mixes_of_the_domain_sheet(parts: dict[str, float], rise: float | None, alone: float) -> None:
    """Guards that a mix conducts less than the sum of its salts: the sheet's rows by PHREEQC, its bore water too."""
    substances = [(substance_of(name, {}), g_l) for name, g_l in parts.items()]
    assert ec_rise_ms_cm(substances) == pytest.approx(alone, rel=0.03)
    if rise is not None:
        assert ec_rise_ms_cm(substances, _BORE) == pytest.approx(rise, rel=0.03)


def test_acid_hardly_shows_in_bicarbonate_water() -> None:
    """Guards the reason for a bucket test: acid turns bicarbonate into carbonic acid, which does not conduct."""
    acid = [(substance_of("nitric_acid", {}), 0.2)]
    assert 0.0 < ec_rise_ms_cm(acid, _BORE) < 0.15 * ec_rise_ms_cm(acid)


_parts = st.dictionaries(st.sampled_from(sorted(SALTS)), st.floats(0.0, 2.0), max_size=4)


@given(parts=_parts)
def test_no_mix_conducts_more_than_its_products_apart(parts: dict[str, float]) -> None:
    """Guards every mix in pure water: nothing in, nothing out; never negative; never above ideal ions.

    1.03 for what acid and phosphate or sulphate do to each other's protons.
    """
    substances = [(substance_of(name, {}), g_l) for name, g_l in parts.items()]
    rise = ec_rise_ms_cm(substances)
    assert 0.0 <= rise <= 1.03 * sum(ec_rise_ms_cm([part]) for part in substances) + 1e-3
    if not any(g_l and substance.ec_ms_cm_per_g_l for substance, g_l in substances):
        assert rise == 0.0


@given(g_l=st.floats(0.01, 4.0), more=st.floats(1.01, 2.0))
@pytest.mark.parametrize("name", [name for name, salt in SALTS.items() if set(salt.ions) - {"Urea"}])
def test_more_of_a_salt_conducts_more(name: str, g_l: float, more: float) -> None:
    """Guards reading a strength off an EC: one strength for each EC, and a slope that falls."""
    substance = substance_of(name, {})
    less_ms_cm, more_ms_cm = (ec_rise_ms_cm([(substance, grams)]) for grams in (g_l, g_l * more))
    assert less_ms_cm < more_ms_cm < less_ms_cm * more * 1.0001


@pytest.mark.parametrize(
    ("read_ms_cm", "at_c", "per_c_pct", "ms_cm", "tolerance"),
    [
        (1.27303, 20.0, 1.92, 1.4082, 1e-3),  # E2: 0.01 mol/kg KCl, Wu, Koch and Pratt (J. Res. NIST 96:191, 1991)
        (1.20, 18.0, 2.0, 1.3953, 1e-4),  # E3
        (1.20, 18.0, 1.91, 1.3852, 1e-4),
        (1.01395, 10.0, 1.91, 1.40823, 1e-2),  # the same standard, colder and warmer
        (1.54663, 30.0, 1.91, 1.40823, 1e-2),
    ],
)
def test_ec_at_25_degrees(read_ms_cm: float, at_c: float, per_c_pct: float, ms_cm: float, tolerance: float) -> None:
    """Rows E2 and E3."""
    assert ec_at_25_ms_cm(read_ms_cm, at_c, per_c_pct) == pytest.approx(ms_cm, rel=tolerance)


def test_what_is_dissolved_in_a_water() -> None:
    """Row E4: 1.5 mS/cm are 960 mg/L."""
    assert dissolved_mg_l(1.5) == 960.0 and dissolved_mg_l(6.0) == 4800.0

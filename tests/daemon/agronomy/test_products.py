"""From a label to chemistry: what a bag holds, what its label leaves out, and what no label can say."""

from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from daemon.agronomy.conductivity import ec_ms_cm
from daemon.agronomy.nutrients import FACTORS, OXIDES, molar_mass_g
from daemon.agronomy.products import ProductError, known_names, substance_of
from daemon.agronomy.salts import SALTS
from daemon.agronomy.species import MASTERS
from daemon.agronomy.substance import Substance
from daemon.decisions.tanks import Product

_URAN = {"N_nitrate": 8.0, "N_ammonium": 8.0, "N_urea": 16.0}


def _product(analysis_pct: Mapping[str, float], **given: Any) -> Product:
    """Return a bag by its elements, or whatever is given."""
    label = {"title": "from a label", "form": "solid", "basis": "w/w", "figures": "elemental", **given}
    return Product(analysis_pct=dict(analysis_pct), **label)


def _drum(analysis_pct: Mapping[str, float], **given: Any) -> Product:
    return _product(analysis_pct, **{"form": "liquid", "density_kg_l": 1.32, **given})


def _substance(product: Product) -> Substance:
    return substance_of("bag", {"bag": product})


def _label_of(name: str) -> dict[str, float]:
    """Return what the label of a built-in salt would say, in percent of the elements."""
    salt = substance_of(name, {})
    forms = {f"N_{form}": 100.0 * fraction for form, fraction in salt.nitrogen_g_g.items()}
    return forms | {element: 100.0 * g for element, g in salt.nutrients_g_g.items() if element != "N"}


def _protons(substance: Substance) -> float:
    return -sum(MASTERS[ion] * moles for ion, moles in substance.ions_mol_g.items())


# --- names


def test_names_of_salts_and_labels() -> None:
    """Guards the list that commands and hints are made from: salts first, each name once."""
    names = known_names({"bag": _product({"K": 40.0}), "urea": _product({"N_urea": 46.0})})
    assert names == (*SALTS, "bag")


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("potasium_nitrate", "did you mean potassium_nitrate"),
        ("calcium_nitrate", "calcium_nitrate_double_salt"),
        ("my_bagg", "did you mean my_bag?"),
        ("xyzzy", "known: urea, ammonium_nitrate"),
    ],
)
def test_an_unknown_name_says_what_is_near(name: str, hint: str) -> None:
    """Guards typing errors: never a silent nothing, and a hint at what was meant."""
    with pytest.raises(ProductError, match=rf"^product\.{name}: nobody has said what it is") as error:
        substance_of(name, {"my_bag": _product({"K": 40.0})})
    assert hint in str(error.value) and error.value.code == "product.invalid"


def test_a_label_may_not_take_the_name_of_a_salt() -> None:
    """Guards that "urea" is urea for everybody."""
    with pytest.raises(ProductError, match=r"got the name of a built-in salt.*same_as = 'urea'"):
        substance_of("urea", {"urea": _product({"N_urea": 46.0})})


# --- nutrients


@given(pct=st.dictionaries(st.sampled_from(sorted(OXIDES)), st.floats(0.1, 18.0), min_size=1))
def test_oxide_and_elemental_labels_of_one_product_agree(pct: dict[str, float]) -> None:
    """Guards the costliest misreading of a label: P2O5 is 44 % phosphorus."""
    elemental = {element: figure * FACTORS[OXIDES[element]][1] for element, figure in pct.items()}
    by_oxides, by_elements = _substance(_product(pct, figures="oxide")), _substance(_product(elemental))
    for one, other in (
        (by_oxides.nutrients_g_g, by_elements.nutrients_g_g),
        (by_oxides.ions_mol_g, by_elements.ions_mol_g),
    ):
        assert dict(one) == pytest.approx(dict(other), abs=1e-9)
    assert by_oxides.ec_ms_cm_per_g_l == pytest.approx(by_elements.ec_ms_cm_per_g_l, rel=1e-6)


@given(density_kg_l=st.floats(0.9, 1.8))
def test_labels_by_mass_and_by_volume_agree(density_kg_l: float) -> None:
    """Guards liquids: 32 % w/w of 1.32 kg/L are 42.2 g in 100 mL."""
    by_mass = _substance(_drum(_URAN, density_kg_l=density_kg_l))
    in_volume = {item: pct * density_kg_l for item, pct in _URAN.items()}
    by_volume = _substance(_drum(in_volume, basis="w/v", density_kg_l=density_kg_l))
    assert dict(by_volume.nutrients_g_g) == pytest.approx(dict(by_mass.nutrients_g_g))
    assert by_volume.water_g_g == pytest.approx(by_mass.water_g_g)


def test_nitrogen_by_its_forms() -> None:
    """Guards the sum and the forms: 32 % N, a quarter nitrate, a quarter ammonium, half urea."""
    drum = _substance(_drum(_URAN))
    assert drum.nutrients_g_g["N"] == pytest.approx(0.32)
    assert dict(drum.nitrogen_g_g) == pytest.approx({"nitrate": 0.08, "ammonium": 0.08, "urea": 0.16})
    assert drum.ions_mol_g["Urea"] == pytest.approx(0.16 / 28.014)


_analysis = st.dictionaries(
    st.sampled_from(
        "N_nitrate N_ammonium N_urea P K Ca Mg S Cl Na B Fe Mn Zn Cu Mo".split(),
    ),
    st.floats(0.01, 30.0),
    min_size=1,
    max_size=6,
)


@given(pct=_analysis, nature=st.sampled_from(["neutral", "acid", "alkaline", "chlorine"]), is_liquid=st.booleans())
def test_any_label_that_can_be_true_is_whole(pct: dict[str, float], nature: str, is_liquid: bool) -> None:
    """Guards every label: nothing negative, nutrients as printed, no more than a gram in a gram, charges in balance."""
    product = (_drum if is_liquid else _product)(pct, nature=nature)
    try:
        found = _substance(product)
    except ProductError:
        assume(False)
    for item, figure in pct.items():
        if not item.startswith("N_"):
            assert found.nutrients_g_g[item] == pytest.approx(figure / 100.0)
    assert all(moles >= 0.0 for moles in found.ions_mol_g.values()) and found.ec_ms_cm_per_g_l >= 0.0
    assert sum(found.nutrients_g_g.values()) <= 1.01 and 0.0 <= found.water_g_g <= 1.0
    phosphate, protons = found.ions_mol_g.get("PO4", 0.0), _protons(found)
    if nature == "acid":
        assert protons >= phosphate - 1e-9
    elif nature == "alkaline":
        assert protons <= 2.0 * phosphate + 1e-9
    else:
        assert phosphate - 1e-9 <= protons <= 2.0 * phosphate + 1e-9


# --- more than a whole


@pytest.mark.parametrize(
    ("product", "is_true"),
    [
        (_product({"N_nitrate": 13.7, "K": 46.3}, figures="oxide"), True),  # potassium nitrate
        (_product({"N_nitrate": 13.7, "K": 46.3}), False),  # the same, its oxide taken for the element
        (_product({"N_urea": 46.6}), True),
        (_product({"N_urea": 46.0, "K": 10.0}), False),
        (_product({"N_nitrate": 17.5, "N_ammonium": 17.5}), True),  # ammonium nitrate is whole
        (_product({"N_nitrate": 25.0}), True),
        (_product({"N_nitrate": 27.0}), False),  # no nitrate has that much
        (_product({"K": 63.0, "Cl": 47.5}, figures="oxide"), True),  # potassium chloride, rounded
        (_product({"K": 52.0, "S": 45.0}, figures="oxide"), True),  # potassium sulphate by its oxides
        (_product({"K": 54.0, "S": 45.0}), False),
        (_product({"P": 61.0, "N_ammonium": 12.0}, figures="oxide"), True),
        (_product({"P": 61.0, "N_ammonium": 12.0}), False),
        (_product({"Fe": 60.0, "Cl": 60.0}), False),
        (_drum({"N_nitrate": 11.0, "N_ammonium": 11.0, "N_urea": 21.0}, basis="w/v"), True),
        (_drum({"N_nitrate": 11.0, "N_ammonium": 11.0, "N_urea": 21.0}, basis="w/v", density_kg_l=0.8), False),
    ],
)
def test_no_label_holds_more_than_itself(product: Product, is_true: bool) -> None:
    """Guards mixed-up bases: each figure counts as the least that it weighs in a salt, and rounding is forgiven."""
    if is_true:
        assert sum(_substance(product).nutrients_g_g.values()) < 1.0
    else:
        with pytest.raises(ProductError, match=r"^product\.bag\.analysis_pct: got .* 1\d\d % .*figures.*basis"):
            _substance(product)


@pytest.mark.parametrize("name", [name for name, salt in SALTS.items() if not salt.liquid])
def test_the_pure_salts_pass_for_whole(name: str) -> None:
    """Guards the count of compounds: a label of the very salt is never refused."""
    found = _substance(_product(_label_of(name)))
    assert dict(found.nutrients_g_g) == pytest.approx(dict(substance_of(name, {}).nutrients_g_g))


# --- ions


@pytest.mark.parametrize("name", [name for name, salt in SALTS.items() if not salt.liquid and salt.ions])
def test_the_label_of_a_salt_has_its_ions(name: str) -> None:
    """Guards that a bag conducts and falls out as the salt in it, though its label speaks of nutrients alone."""
    salt = substance_of(name, {})
    found = _substance(_product(_label_of(name), nature=salt.nature))
    assert dict(found.ions_mol_g) == pytest.approx(dict(salt.ions_mol_g))
    assert found.ec_ms_cm_per_g_l == pytest.approx(salt.ec_ms_cm_per_g_l)


def test_a_sulphate_of_a_trace_element_balances_itself() -> None:
    """Guards zinc sulphate: its zinc stands for two inert charges, which the sulphate takes up."""
    found = _substance(_product({"Zn": 22.7, "S": 11.1}))
    assert found.ions_mol_g["Cation"] == pytest.approx(2.0 * found.ions_mol_g["SO4"], rel=0.01)
    assert found.ions_mol_g.get("Anion", 0.0) < 0.01 * found.ions_mol_g["SO4"]


def test_a_chelate_conducts() -> None:
    """Guards against "EC cannot see it" of what merely has no ion that the label names."""
    chelate = _substance(_product({"Fe": 13.0}))
    assert set(chelate.ions_mol_g) == {"Cation", "Anion"} and chelate.ec_ms_cm_per_g_l > 0.1


def test_ec_of_a_label() -> None:
    """Guards what rules: the label's own figure, else the ions; boron and urea carry nothing."""
    assert _substance(_product({"K": 38.0, "N_nitrate": 13.0}, ec_ms_cm_per_g_l=1.2)).ec_ms_cm_per_g_l == 1.2
    found = _substance(_product({"K": 38.0, "N_nitrate": 13.0}))
    assert found.ec_ms_cm_per_g_l == pytest.approx(ec_ms_cm(found.ions_mol_g))
    assert _substance(_product({"N_urea": 46.0, "B": 0.1})).ec_ms_cm_per_g_l == 0.0


def test_a_liquid_is_water_where_it_is_nothing_else() -> None:
    """By hand: in a gram of 32 % N liquid, 0.354 g nitrate, 0.103 g ammonium and 0.343 g urea leave 0.200 g."""
    drum = _substance(_drum(_URAN))
    assert drum.water_g_g == pytest.approx(0.200, abs=0.001)
    assert drum.is_liquid and drum.density_kg_l == 1.32 and drum.heat_j_g is None


# --- grades


def test_a_grade_mixes_and_dissolves_as_its_salt() -> None:
    """Guards what the label of a plain salt need not say: pair table, solubility, heat, crystal water, cautions."""
    salt = substance_of("calcium_nitrate_double_salt", {})
    label = {"N_nitrate": 14.4, "N_ammonium": 1.1, "Ca": 26.5}
    bag = _substance(_product(label, figures="oxide", same_as="calcium_nitrate_double_salt"))
    assert bag.salt == salt.name and bag.nutrients_g_g["N"] == pytest.approx(0.155)
    assert bag.solubility_g_per_100_g == salt.solubility_g_per_100_g and bag.heat_j_g == salt.heat_j_g
    assert bag.water_g_g == salt.water_g_g and bag.cautions == salt.cautions


def test_solubility_by_the_label_rules() -> None:
    """Guards the user's own points, in any order, over the salt's."""
    points = ({"at_c": 20.0, "g_per_100_g_water": 30.0}, {"at_c": 5.0, "g_per_100_g_water": 15.0})
    label = {"N_nitrate": 13.5, "K": 38.0}
    bag = _substance(_product(label, same_as="potassium_nitrate", solubility=points))
    assert bag.solubility_g_per_100_g == ((5.0, 15.0), (20.0, 30.0))
    assert _substance(_product(label)).solubility_g_per_100_g == ()


def test_what_a_grade_leaves_out_is_there_all_the_same() -> None:
    """Guards the chloride account: muriate of potash with 60 % K2O brings 45 % chloride, said or not."""
    bag = _substance(_product({"K": 60.0}, figures="oxide", same_as="potassium_chloride"))
    assert bag.nutrients_g_g["Cl"] == pytest.approx(0.452, abs=0.001)
    assert bag.ions_mol_g["Cl"] == pytest.approx(bag.ions_mol_g["K"])


def test_a_grade_of_an_acid_is_an_acid() -> None:
    """Guards a nature that was not entered, and that a weaker acid is a grade of the stronger."""
    drum = _substance(_drum({"P": 54.3}, figures="oxide", density_kg_l=1.58, same_as="phosphoric_acid"))
    assert drum.nature == "acid" and any("add it to the water" in caution for caution in drum.cautions)
    assert "Cation" not in drum.ions_mol_g and drum.solubility_g_per_100_g == ()
    assert drum.water_g_g == pytest.approx(1.0 - drum.ions_mol_g["PO4"] * molar_mass_g("PO4"))


@pytest.mark.parametrize(
    ("label", "same_as", "expected"),
    [
        ({"N_ammonium": 21.0, "P": 23.0}, "map", "N_ammonium .*expected about"),  # it is DAP
        ({"K": 44.0, "S": 18.0}, "potassium_nitrate", "S .*expected about 0.0 %"),
        ({"K": 50.0}, "urea", "of which the label has nothing; expected N_urea"),
        ({"N_nitrate": 17.0, "Ca": 24.0}, "calcium_nitrate_tetrahydrate", "without its crystal water"),
        (
            {"K": 38.0, "N_nitrate": 13.0},
            "potasium_nitrate",
            "expected a built-in salt: did you mean potassium_nitrate",
        ),
        ({"K": 38.0, "N_nitrate": 13.0}, "bag", "expected a built-in salt"),  # itself
    ],
)
def test_what_is_no_grade_of_a_salt(label: dict[str, float], same_as: str, expected: str) -> None:
    """Guards the pair table: nothing gets the row of a salt that it is not."""
    with pytest.raises(ProductError, match=rf"^product\.bag\.same_as: got .*{expected}"):
        _substance(_product(label, same_as=same_as))


@given(share=st.floats(0.5, 1.0), impurity=st.floats(0.01, 2.5))
@pytest.mark.parametrize("name", [name for name, salt in SALTS.items() if not salt.liquid])
def test_any_impure_salt_is_a_grade_of_it(name: str, share: float, impurity: float) -> None:
    """Guards honest labels: a salt with less in it, and with traces of sodium, passes."""
    label = {item: share * pct for item, pct in _label_of(name).items()} | {"Na": impurity * share}
    try:
        bag = _substance(_product(label, same_as=name))
    except ProductError as error:
        assert "analysis_pct" in str(error)  # with its impurity it is more than a whole
        return
    assert bag.salt == name and bag.nutrients_g_g["Na"] == pytest.approx(impurity * share / 100.0)


@pytest.mark.parametrize("nature", ["acid", "alkaline", "chlorine"])
def test_what_harms_is_said(nature: str) -> None:
    """Guards the cautions of acids, alkalis and chlorine; a neutral product has none of its own."""
    assert any(nature in caution for caution in _substance(_product({"K": 10.0}, nature=nature)).cautions)
    assert _substance(_product({"K": 10.0})).cautions == ()

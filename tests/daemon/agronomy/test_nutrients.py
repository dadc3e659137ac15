"""What weighs what: factors against periodictable's atomic masses, and the lines of a label."""

import periodictable
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.agronomy.nutrients import ATOMIC_WEIGHTS, ATOMS, FACTORS, OXIDES, from_label, molar_mass_g

_FORMULAS = {"Urea": "CO(NH2)2", "(NH4)2O": "(NH4)2O"}
"""Those that periodictable does not read by our name."""


def _peer_mass_g(name: str) -> float:
    return float(periodictable.formula(_FORMULAS.get(name, name)).mass)


@pytest.mark.parametrize("element", ATOMIC_WEIGHTS)
def test_atomic_weights_against_periodictable(element: str) -> None:
    """Guards the literal table."""
    assert ATOMIC_WEIGHTS[element] == pytest.approx(periodictable.elements.symbol(element).mass, rel=5e-4)


@pytest.mark.parametrize("name", ATOMS)
def test_molar_masses_against_periodictable(name: str) -> None:
    """Guards the atoms of every oxide, ion and molecule."""
    assert molar_mass_g(name) == pytest.approx(_peer_mass_g(name), rel=5e-4)


@pytest.mark.parametrize("compound", FACTORS)
def test_factors_against_periodictable(compound: str) -> None:
    """Guards every conversion, the ways of labels (P2O5) and of water analyses (NO3) alike."""
    element, factor = FACTORS[compound]
    peer = periodictable.formula(_FORMULAS.get(compound, compound))
    atom = periodictable.elements.symbol(element)
    assert factor == pytest.approx(peer.atoms[atom] * atom.mass / peer.mass, rel=5e-4)


@pytest.mark.parametrize(
    ("compound", "factor"),
    [
        ("P2O5", 0.43643),
        ("K2O", 0.83015),
        ("CaO", 0.71470),
        ("MgO", 0.60304),
        ("SO3", 0.40048),
        ("SO4", 0.33378),
        ("NO3", 0.22590),
        ("NH4", 0.77649),
        ("PO4", 0.32614),
        ("CaCO3", 0.40043),
    ],
)
def test_factors_of_the_domain_sheet(compound: str, factor: float) -> None:
    """Rows N1 to N3: factors on which periodictable and molmass agree."""
    assert FACTORS[compound][1] == pytest.approx(factor, rel=5e-4)


@given(pct=st.floats(0.1, 100.0))
@pytest.mark.parametrize(("element", "oxide"), OXIDES.items())
def test_an_oxide_label_is_the_element_in_it(element: str, oxide: str, pct: float) -> None:
    """Guards that a label by oxides says the same as one by elements, and that nothing else is converted."""
    item, fraction = from_label(element, pct, "oxide")
    assert item == element and fraction == pytest.approx(FACTORS[oxide][1] * pct / 100.0)
    again, as_element = from_label(element, 100.0 * fraction, "elemental")
    assert again == element and as_element == pytest.approx(fraction)


@pytest.mark.parametrize("item", ["N_nitrate", "N_ammonium", "N_urea", "Cl", "Na", "B", "Fe", "Mn", "Zn", "Cu", "Mo"])
def test_what_labels_give_as_the_element_is_left_alone(item: str) -> None:
    """Guards nitrogen, chloride and trace elements, which `figures` does not speak of."""
    assert from_label(item, 12.0, "oxide") == from_label(item, 12.0, "elemental") == (item, 0.12)


def test_a_label_may_give_phosphorus_and_potassium_alone_as_oxides() -> None:
    """Guards labels such as 0-0-50 with 18 % S: potassium as its oxide, sulphur as the element."""
    assert from_label("K", 50.0, "oxide_p_k") == from_label("K", 50.0, "oxide")
    assert from_label("S", 18.0, "oxide_p_k") == ("S", 0.18)

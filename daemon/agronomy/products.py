"""From the name of a product to its chemistry: a built-in salt, or a bag or drum by its label.

A label tells nutrients and not compounds. What it leaves open is filled in as soluble fertilisers are made: nitrogen by
its form, phosphorus as orthophosphate, sulphur as sulphate, boron without charge, the other trace elements as ions that
react with nothing. Charge that still lacks its counterpart gets inert ions of the other sign.
"""

import difflib
import math
from collections.abc import Collection, Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import Final

from daemon.agronomy.conductivity import ec_ms_cm, gram_ec_ms_cm
from daemon.agronomy.nutrients import ATOMS, FACTORS, from_label, molar_mass_g
from daemon.agronomy.salts import SALTS, as_weighed_g
from daemon.agronomy.species import MASTERS
from daemon.agronomy.substance import Substance
from daemon.decisions.tanks import Product

_ROUNDING_PCT = 1.0
"""By so much may a label pass 100 %, its figures being rounded (common practice, no source)."""
_FOREIGN = 0.03
"""So much of a nutrient may a grade have that its salt has not (common practice, no source)."""
_OUT_OF_PROPORTION = 0.15
_ROUNDED = 0.005
"""By so much, of its own and of the mass, may a nutrient of a grade be out of the salt's proportions (common practice,
no source)."""
_STRONGER = 1.05
"""A solid grade holds at most so much more than the pure salt (common practice, no source)."""

_NITROGEN: Final = MappingProxyType({"nitrate": "NO3", "ammonium": "NH4", "urea": "Urea"})
_CARRIED_BY: Final[Mapping[str, tuple[str, float]]] = MappingProxyType(
    {
        "N_nitrate": ("NO3", 1.0),
        "N_ammonium": ("NH4", 1.0),
        "N_urea": ("Urea", 0.5),
        "P": ("PO4", 1.0),
        "S": ("SO4", 1.0),
    }
    | {element: (element, 1.0) for element in ("K", "Ca", "Mg", "Na", "Cl")}
    | dict.fromkeys(("Fe", "Mn", "Zn", "Cu"), ("Cation", 2.0))
    | {"Mo": ("Anion", 2.0)}
)
"""Ion of an item, and moles of it to a mole of the element."""
_LEAST: Final[Mapping[str, tuple[str, int]]] = MappingProxyType(
    {
        "N_nitrate": ("N2O5", 2),
        "N_ammonium": ("(NH4)2O", 2),
        "N_urea": ("Urea", 2),
        "P": ("P2O5", 2),
        "K": ("K2O", 2),
        "Ca": ("CaO", 1),
        "Mg": ("MgO", 1),
        "S": ("SO3", 1),
        "Na": ("Na2O", 2),
    }
)
"""The least that an item weighs in any salt of these ions, and atoms of its element in that."""
_DUST = 1e-12
"""mol/g: charge that is left over by rounding alone."""
CAUTIONS: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "neutral": (),
        "acid": ("acid: add it to the water, never water to it; goggles and gloves; it eats metal",),
        "alkaline": ("alkaline: goggles and gloves; never onto acid; ammonium gives off ammonia in it",),
        "chlorine": ("chlorine: never with acid, which frees a gas that kills; never with ammonium or urea",),
    }
)
"""What to know of a product by its nature."""


class ProductError(Exception):
    """A product is not known, or its label cannot be true. Says where, what was got, and what to do."""

    code = "product.invalid"


def known_names(products: Mapping[str, Product]) -> tuple[str, ...]:
    """Return every name that a stock solution or mix may use: the built-in salts, then the labels."""
    return (*SALTS, *(name for name in products if name not in SALTS))


def substance_of(name: str, products: Mapping[str, Product]) -> Substance:
    """Return the chemistry of a product by its name among the built-in salts and `products`.

    Raises ProductError for a name that nobody knows or that two bear, and for a label that cannot be true.
    """
    if name not in products:
        if name in SALTS:
            return _built_in(name)
        raise ProductError(f"product.{name}: nobody has said what it is; {_near(name, known_names(products))}")
    if name in SALTS:
        raise ProductError(
            f"product.{name}: got the name of a built-in salt; expected a name of its own. Name it otherwise, with "
            f"same_as = {name!r} if it is a grade of that salt"
        )
    return _labelled(name, products[name])


def _near(name: str, names: Collection[str]) -> str:
    near = difflib.get_close_matches(name, list(names), n=3)
    return f"did you mean {' or '.join(near)}?" if near else f"known: {', '.join(names)}"


@lru_cache(maxsize=len(SALTS))
def _built_in(name: str) -> Substance:
    salt = SALTS[name]
    share = 1.0 if salt.liquid is None else salt.liquid.share
    mol_g = share / salt.g_mol
    ions = {ion: n * mol_g for ion, n in salt.ions.items()}
    nitrogen = {form: ions[ion] * molar_mass_g(ion) * FACTORS[ion][1] for form, ion in _NITROGEN.items() if ion in ions}
    nutrients = {"N": math.fsum(nitrogen.values())} if nitrogen else {}
    for part, n in {**salt.ions, **({salt.molecule: 1} if salt.molecule else {})}.items():
        for element, atoms in ATOMS.get(part, {part: 1}).items():
            if element not in ("N", "H", "C", "O"):
                nutrients[element] = n * mol_g * atoms * molar_mass_g(element)
    return Substance(
        name=name,
        title=salt.title,
        is_liquid=salt.liquid is not None,
        nutrients_g_g=MappingProxyType(nutrients),
        nitrogen_g_g=MappingProxyType(nitrogen),
        ions_mol_g=MappingProxyType(ions),
        water_g_g=1.0 - share + mol_g * salt.crystal_water * molar_mass_g("H2O"),
        density_kg_l=None if salt.liquid is None else salt.liquid.density_kg_l,
        solubility_g_per_100_g=tuple(
            (point.at_c, as_weighed_g(salt, point.anhydrous_pct)) for point in salt.solubility
        ),
        ec_ms_cm_per_g_l=ec_ms_cm(ions),
        heat_j_g=None if salt.heat is None else 1000.0 * salt.heat.kj_mol / salt.g_mol,
        nature=salt.nature,
        salt=name,
        cautions=(*CAUTIONS[salt.nature], *salt.cautions),
    )


def _labelled(name: str, product: Product) -> Substance:
    fractions = _fractions(name, product)
    grade = None
    if product.same_as is not None:
        grade, scale = _grade(f"product.{name}", product.same_as, product.form, fractions)
        fractions = {item: scale * pure for item, pure in _items(grade).items()} | fractions
    nature = product.nature if grade is None or product.nature != "neutral" else grade.nature
    ions = _ions(fractions, nature)
    nitrogen = {form: fractions[f"N_{form}"] for form in _NITROGEN if f"N_{form}" in fractions}
    nutrients = {"N": math.fsum(nitrogen.values())} if nitrogen else {}
    nutrients |= {item: fraction for item, fraction in fractions.items() if not item.startswith("N_")}
    solid = None if product.form == "liquid" else grade
    points = tuple(sorted((point.at_c, point.g_per_100_g_water) for point in product.solubility))
    return Substance(
        name=name,
        title=product.title,
        is_liquid=product.form == "liquid",
        nutrients_g_g=MappingProxyType(nutrients),
        nitrogen_g_g=MappingProxyType(nitrogen),
        ions_mol_g=MappingProxyType(ions),
        water_g_g=_water(product, ions) if solid is None else solid.water_g_g,
        density_kg_l=product.density_kg_l,
        solubility_g_per_100_g=points or (() if solid is None else solid.solubility_g_per_100_g),
        ec_ms_cm_per_g_l=gram_ec_ms_cm(tuple(ions.items()))
        if product.ec_ms_cm_per_g_l is None
        else product.ec_ms_cm_per_g_l,
        heat_j_g=None if solid is None else solid.heat_j_g,
        nature=nature,
        salt=product.same_as,
        cautions=(*CAUTIONS[nature], *(() if grade is None else SALTS[grade.name].cautions)),
    )


def _fractions(name: str, product: Product) -> dict[str, float]:
    """Return grams in a gram of product by item of the label, elemental. Raises ProductError for over 100 %."""
    by_mass = 1.0 if product.basis == "w/w" or product.density_kg_l is None else 1.0 / product.density_kg_l
    lines = (from_label(item, pct * by_mass, product.figures) for item, pct in product.analysis_pct.items())
    fractions = dict(lines)
    least = math.fsum(fraction * _least_g_g(item) for item, fraction in fractions.items())
    whole_pct = 100.0 * max(least, math.fsum(fractions.values()))
    if whole_pct > 100.0 + _ROUNDING_PCT:
        raise ProductError(
            f"product.{name}.analysis_pct: got figures that make {whole_pct:.0f} % of the mass, taking each as the "
            "least that it weighs in a salt (P2O5, K2O, CaO, MgO, SO3, N2O5, (NH4)2O, urea); expected 100 % at most. "
            "Look at figures (elemental, oxide or oxide_p_k), basis (w/w or w/v) and density_kg_l"
        )
    return fractions


def _least_g_g(item: str) -> float:
    """Return the least mass of an item's compound to a gram of its element."""
    if item == "Cl":  # stands in for half an oxygen of its cation's oxide
        return 1.0 - 0.5 * molar_mass_g("O") / molar_mass_g("Cl")
    if item not in _LEAST:
        return 1.0
    compound, atoms = _LEAST[item]
    return molar_mass_g(compound) / (atoms * molar_mass_g(_element(item)))


def _element(item: str) -> str:
    return "N" if item.startswith("N_") else item


def _items(substance: Substance) -> dict[str, float]:
    """Return what a label of it would say, elemental, as fractions."""
    return {f"N_{form}": fraction for form, fraction in substance.nitrogen_g_g.items()} | {
        element: fraction for element, fraction in substance.nutrients_g_g.items() if element != "N"
    }


def _grade(where: str, salt: str, form: str, fractions: Mapping[str, float]) -> tuple[Substance, float]:
    """Return the salt that a product is a grade of, and how much of it. Raises ProductError where it cannot be one.

    The pair table then speaks for the product, so its nutrients must be the salt's, in the salt's proportions; what the
    label leaves out (the chloride of potassium chloride, say) is there all the same.
    """
    if salt not in SALTS:
        raise ProductError(f"{where}.same_as: got {salt!r}; expected a built-in salt: {_near(salt, SALTS)}")
    pure = _items(_built_in(salt))
    shared = [item for item in pure if item in fractions]
    if not shared:
        raise ProductError(f"{where}.same_as: got {salt}, of which the label has nothing; expected {', '.join(pure)}")
    scale = math.fsum(fractions[item] for item in shared) / math.fsum(pure[item] for item in shared)
    for item, fraction in fractions.items():
        expected = scale * pure.get(item, 0.0)
        slack = _OUT_OF_PROPORTION * expected + _ROUNDED if item in pure else _FOREIGN
        if abs(fraction - expected) > slack:
            raise ProductError(
                f"{where}.same_as: got {salt} with {100.0 * fraction:.1f} % {item} (elemental); expected about "
                f"{100.0 * expected:.1f} % for a grade of it. Name the salt that it is, or leave same_as out"
            )
    if form == "solid" and scale > _STRONGER:
        raise ProductError(
            f"{where}.same_as: got {salt}, and {scale:.2f} times what the pure salt has; expected no more than that. "
            "It may be the salt without its crystal water: leave same_as out"
        )
    return _built_in(salt), scale


def _ions(fractions: Mapping[str, float], nature: str) -> dict[str, float]:
    """Return moles of each ion in a gram, with inert ones for the charge that no proton can balance.

    Of a neutral product phosphate keeps one proton or two, as in DAP and MAP; an acid has as many as it takes, an
    alkaline product as few.
    """
    ions: dict[str, float] = {}
    for item, fraction in fractions.items():
        if item in _CARRIED_BY:
            ion, n = _CARRIED_BY[item]
            ions[ion] = ions.get(ion, 0.0) + n * fraction / molar_mass_g(_element(item))
    phosphate = ions.get("PO4", 0.0)
    protons = -math.fsum(MASTERS[ion] * moles for ion, moles in ions.items())
    most = math.inf if nature == "acid" else 2.0 * phosphate
    least = -math.inf if nature == "alkaline" else phosphate
    lacking = {"Cation": protons - most, "Anion": least - protons}
    return ions | {ion: ions.get(ion, 0.0) + moles for ion, moles in lacking.items() if moles > _DUST}


def _water(product: Product, ions: Mapping[str, float]) -> float:
    """Return the water in a gram: of a liquid what its ions leave, of a solid none that anybody knows of."""
    if product.form == "solid":
        return 0.0
    known = math.fsum(moles * molar_mass_g(ion) for ion, moles in ions.items() if ion not in ("Cation", "Anion"))
    return max(0.0, 1.0 - known)

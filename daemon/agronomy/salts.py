"""The plain salts and acids that need no label: what each is made of, dissolves at, cools by, and is sold as.

Molar masses and nutrients follow from the formula. Solubilities stand as their source prints them: percent by mass of
*anhydrous* salt in the saturated solution. Whoever weighs a hydrate adds less water than that, for its crystals bring
some along. Heats are for much water, which makes the cooling an upper bound.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from daemon.agronomy.nutrients import molar_mass_g
from daemon.agronomy.species import MASTERS

MEMORY: Final = "from memory, not confirmed"
"""How every source ends that nobody has looked up."""


@dataclass(frozen=True, slots=True)
class Solubility:
    """A saturated solution."""

    at_c: float
    anhydrous_pct: float
    """By mass of the solution, the water of crystals counted as water."""
    source: str


@dataclass(frozen=True, slots=True)
class Heat:
    """What dissolving one mole, as weighed, takes up (cools) or gives (negative)."""

    kj_mol: float
    source: str


@dataclass(frozen=True, slots=True)
class Liquid:
    """A compound sold in water."""

    share: float
    """By mass."""
    density_kg_l: float
    source: str


@dataclass(frozen=True, slots=True)
class Salt:
    """One formula unit: ions, the protons that balance their charge, a molecule without charge, and crystal water."""

    title: str
    ions: Mapping[str, int]
    crystal_water: int = 0
    molecule: str | None = None
    """One of nutrients.ATOMS that makes no ions."""
    solubility: tuple[Solubility, ...] = ()
    heat: Heat | None = None
    liquid: Liquid | None = None
    nature: str = "neutral"
    trade: str = ""
    """Grades that it is sold as (common practice, no source)."""
    cautions: tuple[str, ...] = ()
    """Beside those of its nature (common practice, no source)."""

    @property
    def protons(self) -> int:
        """Return the H of the formula that belongs to no ion: MAP, NH4 H2 PO4, has two."""
        return -sum(n * MASTERS[ion] for ion, n in self.ions.items())

    @property
    def anhydrous_g_mol(self) -> float:
        """Return the molar mass without crystal water."""
        ions_g = sum(n * molar_mass_g(part) for part, n in {**self.ions, "H": self.protons}.items())
        return ions_g if self.molecule is None else ions_g + molar_mass_g(self.molecule)

    @property
    def g_mol(self) -> float:
        """Return the molar mass with crystal water."""
        return self.anhydrous_g_mol + self.crystal_water * molar_mass_g("H2O")


def as_weighed_g(salt: Salt, anhydrous_pct: float) -> float:
    """Return grams of the salt as weighed to 100 g of *added* water, in a solution of so much anhydrous salt by mass.

    Raises ValueError where the crystals bring all the water there is: the salt then melts in its own.
    """
    water_g = 100.0 - anhydrous_pct
    moles = anhydrous_pct / salt.anhydrous_g_mol
    added_g = water_g - moles * salt.crystal_water * molar_mass_g("H2O")
    if added_g <= 0.0:
        raise ValueError(f"got {anhydrous_pct:g} % of anhydrous {salt.title}; expected less than its crystals hold")
    return 100.0 * moles * salt.g_mol / added_g


_CRC: Final = "CRC Handbook, Aqueous solubility of inorganic compounds at various temperatures"
_PARKER: Final = "CRC Handbook, Enthalpy of solution of electrolytes (Parker, NSRDS-NBS 2, 1965)"
_NBS: Final = f"by the NBS Tables of Chemical Thermodynamic Properties (1982), {MEMORY}"
_WARMS: Final = "it gives heat, taken as none: the safe side where others cool"
_DENSITY: Final = "Laliberté (J. Chem. Eng. Data 54:1725, 2009), at 25 °C"
_OXIDISER: Final = "oxidiser: keep from fuel, straw, oil, acid and fire"
_COOLS: Final = "cools strongly as it dissolves: let the tank warm up before the last of it"
_DRAWS_WATER: Final = "draws water from the air: close the bag"
_CRC_AT_C: Final = (0.0, 10.0, 20.0, 25.0, 30.0, 40.0)


def _crc(*anhydrous_pct: float) -> tuple[Solubility, ...]:
    return tuple(Solubility(at_c, pct, _CRC) for at_c, pct in zip(_CRC_AT_C, anhydrous_pct, strict=True))


def _from(source: str, *points: tuple[float, float]) -> tuple[Solubility, ...]:
    """Return points of which the source has grams to 100 g of water."""
    return tuple(Solubility(at_c, 100.0 * grams / (100.0 + grams), source) for at_c, grams in points)


def _by_temperature(*rows: tuple[Solubility, ...]) -> tuple[Solubility, ...]:
    return tuple(sorted((point for row in rows for point in row), key=lambda point: point.at_c))


SALTS: Final[Mapping[str, Salt]] = MappingProxyType(
    {
        "urea": Salt(
            title="urea",
            ions={"Urea": 1},
            solubility=_by_temperature(
                _from("public property tables, the lower of two", (20, 105.0), (25, 119.0)),
                _from(MEMORY, (0, 67.0), (10, 85.0), (30, 135.0), (40, 166.0)),
            ),
            heat=Heat(15.4, "public property table"),
            trade="46-0-0",
            cautions=(_COOLS,),
        ),
        "ammonium_nitrate": Salt(
            title="ammonium nitrate",
            ions={"NH4": 1, "NO3": 1},
            solubility=_crc(54.0, 60.1, 65.5, 68.0, 70.3, 74.3),
            heat=Heat(25.69, _PARKER),
            trade="33.5-0-0 to 34-0-0",
            cautions=(_OXIDISER, _COOLS, _DRAWS_WATER),
        ),
        "ammonium_sulphate": Salt(
            title="ammonium sulphate",
            ions={"NH4": 2, "SO4": 1},
            solubility=_crc(41.3, 42.1, 42.9, 43.3, 43.8, 44.7),
            heat=Heat(6.6, _NBS),
            trade="21-0-0-24S",
        ),
        "map": Salt(
            title="MAP, monoammonium phosphate",
            ions={"NH4": 1, "PO4": 1},
            solubility=_crc(17.8, 22.0, 26.4, 28.8, 31.2, 36.2),
            heat=Heat(16.3, _NBS),
            trade="12-61-0 (technical)",
        ),
        "dap": Salt(
            title="DAP, diammonium phosphate",
            ions={"NH4": 2, "PO4": 1},
            solubility=_crc(36.4, 38.2, 40.0, 41.0, 42.0, 44.1),
            heat=Heat(9.8, _NBS),
            trade="21-53-0 (technical)",
            cautions=("gives off ammonia where it meets lime or another alkali",),
        ),
        "urea_phosphate": Salt(
            title="urea phosphate",
            ions={"Urea": 1, "PO4": 1},
            solubility=_from(f"the low side of trade figures, {MEMORY}", (0, 40.0), (10, 55.0), (20, 75.0)),
            heat=Heat(33.76, "solution calorimetry, by the abstract of Dissolution of urea phosphate"),
            nature="acid",
            trade="17-44-0",
            cautions=(_COOLS,),
        ),
        "mkp": Salt(
            title="MKP, monopotassium phosphate",
            ions={"K": 1, "PO4": 1},
            solubility=_crc(11.74, 14.91, 18.25, 19.97, 21.77, 25.28),
            heat=Heat(19.7, _NBS),
            trade="0-52-34",
        ),
        "potassium_nitrate": Salt(
            title="potassium nitrate",
            ions={"K": 1, "NO3": 1},
            solubility=_crc(12.0, 17.6, 24.2, 27.7, 31.3, 38.6),
            heat=Heat(34.89, _PARKER),
            trade="13-0-46 (elemental 13-0-38)",
            cautions=(_OXIDISER, _COOLS),
        ),
        "potassium_sulphate": Salt(
            title="potassium sulphate",
            ions={"K": 2, "SO4": 1},
            solubility=_crc(7.11, 8.46, 9.95, 10.7, 11.4, 12.9),
            heat=Heat(23.8, _NBS),
            trade="0-0-50-18S to 0-0-52-18S",
            cautions=("dissolves slowly: a fine soluble grade, and long stirring",),
        ),
        "potassium_chloride": Salt(
            title="potassium chloride",
            ions={"K": 1, "Cl": 1},
            solubility=_crc(21.74, 23.61, 25.39, 26.22, 27.04, 28.59),
            heat=Heat(17.22, _PARKER),
            trade="0-0-60 to 0-0-62",
            cautions=("brings chloride, which some crops do not bear",),
        ),
        "calcium_nitrate_tetrahydrate": Salt(
            title="calcium nitrate, tetrahydrate",
            ions={"Ca": 1, "NO3": 2},
            crystal_water=4,
            solubility=_by_temperature(
                tuple(point for point in _crc(50.1, 53.1, 56.7, 59.0, 60.9, 65.4) if point.at_c != 20.0),
                _from(
                    "7.726 mol/kg, Steiger in a public compilation of salts (2014); the handbook has more", (20, 126.8)
                ),
            ),
            heat=Heat(31.5, _NBS),
            trade="11.9-0-0-17Ca: not the double salt of 15.5 % N",
            cautions=(_OXIDISER, _COOLS, _DRAWS_WATER),
        ),
        "calcium_nitrate_double_salt": Salt(
            title="calcium nitrate, double salt with ammonium nitrate",
            ions={"Ca": 5, "NH4": 1, "NO3": 11},
            crystal_water=10,
            solubility=_from(
                "none found: so that as weighed, gram for gram, as much dissolves as of anhydrous calcium nitrate; "
                "it is more than that",
                *((0, 71.7), (10, 79.3), (20, 87.2), (30, 103.1), (40, 119.8)),
            ),
            heat=Heat(83.0, f"as calcium nitrate dihydrate and ammonium nitrate apart, {_NBS}"),
            trade="15.5-0-0-19Ca (14.4 nitrate, 1.1 ammonium): the usual calcium nitrate of fertigation",
            cautions=(_OXIDISER, _DRAWS_WATER),
        ),
        "magnesium_sulphate_heptahydrate": Salt(
            title="magnesium sulphate, heptahydrate (Epsom salt)",
            ions={"Mg": 1, "SO4": 1},
            crystal_water=7,
            solubility=_crc(18.2, 21.7, 25.1, 26.3, 28.2, 30.9),
            heat=Heat(16.0, MEMORY),
            trade="9.8Mg-13S (16 MgO)",
        ),
        "magnesium_nitrate_hexahydrate": Salt(
            title="magnesium nitrate, hexahydrate",
            ions={"Mg": 1, "NO3": 2},
            crystal_water=6,
            solubility=_crc(38.4, 39.5, 40.8, 41.6, 42.4, 44.1),
            heat=Heat(16.7, _NBS),
            trade="11-0-0-9.5Mg (16 MgO)",
            cautions=(_OXIDISER, _DRAWS_WATER),
        ),
        "calcium_chloride_dihydrate": Salt(
            title="calcium chloride, dihydrate",
            ions={"Ca": 1, "Cl": 2},
            crystal_water=2,
            solubility=_crc(36.7, 39.19, 42.13, 44.83, 49.12, 52.85),
            heat=Heat(0.0, _WARMS),
            trade="27Ca",
            cautions=("heats the water: add it slowly", _DRAWS_WATER, "brings chloride, which some crops do not bear"),
        ),
        "phosphoric_acid": Salt(
            title="phosphoric acid, 85 %",
            ions={"PO4": 1},
            heat=Heat(0.0, _WARMS),
            liquid=Liquid(0.85, 1.685, _DENSITY),
            nature="acid",
            trade="0-61-0; a weaker one needs a label",
        ),
        "nitric_acid": Salt(
            title="nitric acid, 60 %",
            ions={"NO3": 1},
            heat=Heat(0.0, _WARMS),
            liquid=Liquid(0.60, 1.360, _DENSITY),
            nature="acid",
            trade="13.3-0-0; another strength needs a label",
            cautions=(_OXIDISER, "its fumes harm the lungs"),
        ),
        "boric_acid": Salt(
            title="boric acid",
            ions={},
            molecule="B(OH)3",
            solubility=_crc(2.61, 3.57, 4.77, 5.48, 6.27, 8.1),
            heat=Heat(22.6, "Perry's Chemical Engineers' Handbook, Heats of solution, at 18 °C"),
            trade="17B",
            cautions=("crops need little boron, and hardly more harms them: weigh it twice",),
        ),
    }
)
"""By the name that a stock solution or mix uses."""

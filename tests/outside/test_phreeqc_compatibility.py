"""What mixes in the tank and in the line, against PHREEQC (see phreeqc.py), pitzer.dat and handbook solubilities.

The whole pair matrix of the built-in salts at three strengths and twenty mixes of three, at 5, 20 and 35 °C: in the
tank, and diluted into a hard and a soft water. The constants are the same published ones on both sides: what is proved
is the speciation, the thresholds and the table, and what the table and the thresholds cost.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from itertools import combinations

import pytest
from phreeqpython import PhreeqPython, Solution  # type: ignore[import-untyped]

from daemon.agronomy.density import WATER_KG_L, solution_l
from daemon.agronomy.line import check_line
from daemon.agronomy.minerals import MINERALS, saturation_indices
from daemon.agronomy.products import substance_of
from daemon.agronomy.salts import SALTS
from daemon.agronomy.speciation import speciate
from daemon.agronomy.stock import assess
from daemon.agronomy.substance import Substance
from daemon.agronomy.verdict import Finding, Verdict
from daemon.decisions.tanks import Water
from tests.outside.phreeqc import index, millimoles, solution

TEMPERATURES_C = (5.0, 20.0, 35.0)
STRENGTHS: Mapping[float, int] = {20.0: 100, 60.0: 150, 120.0: 200}
"""Grams of each product to a kilogram of added water, and how far the stock is then diluted."""
MIXES_OF_THREE = (
    ("urea", "potassium_nitrate", "map"),
    ("urea", "potassium_nitrate", "phosphoric_acid"),
    ("ammonium_nitrate", "potassium_chloride", "map"),
    ("ammonium_nitrate", "potassium_nitrate", "mkp"),
    ("ammonium_sulphate", "potassium_nitrate", "map"),
    ("ammonium_sulphate", "potassium_sulphate", "magnesium_sulphate_heptahydrate"),
    ("ammonium_sulphate", "mkp", "urea"),
    ("calcium_nitrate_double_salt", "potassium_nitrate", "magnesium_nitrate_hexahydrate"),
    ("calcium_nitrate_tetrahydrate", "ammonium_nitrate", "urea"),
    ("calcium_nitrate_tetrahydrate", "potassium_nitrate", "nitric_acid"),
    ("calcium_nitrate_double_salt", "potassium_nitrate", "map"),
    ("calcium_nitrate_tetrahydrate", "magnesium_sulphate_heptahydrate", "urea"),
    ("calcium_chloride_dihydrate", "ammonium_nitrate", "potassium_sulphate"),
    ("magnesium_sulphate_heptahydrate", "map", "potassium_nitrate"),
    ("magnesium_sulphate_heptahydrate", "mkp", "ammonium_nitrate"),
    ("magnesium_nitrate_hexahydrate", "phosphoric_acid", "potassium_nitrate"),
    ("magnesium_nitrate_hexahydrate", "dap", "urea"),
    ("dap", "potassium_nitrate", "boric_acid"),
    ("urea_phosphate", "potassium_nitrate", "magnesium_nitrate_hexahydrate"),
    ("urea_phosphate", "calcium_nitrate_double_salt", "potassium_nitrate"),
)
PAIRS = tuple(combinations(SALTS, 2))
SUPERSATURATED = 0.3
"""SI past which PHREEQC's word is taken as: it falls out."""
JUDGED = ("Gypsum", "Brushite", "Struvite")
_OURS = {"Ca": "Ca", "Mg": "Mg", "K": "K", "Amm": "NH4", "S(6)": "SO4", "P": "PO4", "Cl": "Cl", "Nit": "NO3"}
"""PHREEQC's elements and our masters."""
_THEIRS = {"gypsum": "Gypsum", "brushite": "Brushite", "struvite": "Struvite"}
_NONE = -99.0
"""In the place of an index that there is none of."""

WATERS_MMOL: Mapping[str, Mapping[str, float]] = {
    "hard": {"Ca": 3.0, "Mg": 1.5, "Na": 2.0, "Cl": 3.0, "Alkalinity": 5.0, "S(6)": 1.5},
    "soft": {"Ca": 0.5, "Mg": 0.3, "Na": 0.7, "Cl": 0.8, "Alkalinity": 1.2, "S(6)": 0.15},
}
WATER_PH = 7.8


def _water(mmol: Mapping[str, float]) -> Water:
    return Water(
        on=date(2026, 1, 1),
        ec_ms_cm=1.0,
        ph=WATER_PH,
        ca_mg_l=40.078 * mmol["Ca"],
        mg_mg_l=24.305 * mmol["Mg"],
        na_mg_l=22.990 * mmol["Na"],
        hco3_mg_l=61.017 * mmol["Alkalinity"],
        so4_mg_l=96.06 * mmol["S(6)"],
        cl_mg_l=35.45 * mmol["Cl"],
        nitrate_mg_l=0.0,
        nitrate_as="N",
    )


@dataclass(frozen=True)
class Case:
    """One mix in one place, by both."""

    place: str
    """tank, or the line's water."""
    products: tuple[str, ...]
    g_kg: float
    """Of each, to a kilogram of the tank's added water."""
    temperature_c: float
    verdict: Verdict
    refused_for: frozenset[str]
    """What the findings that say "do not" are about."""
    indices: Mapping[str, float]
    """PHREEQC's, of the minerals that count here."""
    lime: float
    """PHREEQC's index of calcite; far below nought without any."""

    @property
    def worst(self) -> float:
        """PHREEQC's highest index; far below nought without any."""
        return max(self.indices.values(), default=_NONE)

    @property
    def is_refused_apart(self) -> bool:
        """Whether it is refused for something alone that PHREEQC does not know: a soluble salt, a hazard."""
        return bool(self.refused_for) and self.refused_for <= {"saturation", "hazard"}


def _parts(products: Iterable[str], g: float) -> list[tuple[Substance, float]]:
    return [(substance_of(name, {}), g) for name in products]


def _refused_for(findings: Iterable[Finding]) -> frozenset[str]:
    refusals = [finding for finding in findings if finding.verdict is Verdict.DO_NOT]
    return frozenset("hazard" if "explode" in finding.reason else finding.what for finding in refusals)


def _indices(found: Solution) -> dict[str, float]:
    indices = {mineral: index(found, mineral) for mineral in JUDGED}
    return {mineral: value for mineral, value in indices.items() if value is not None}


def _in_tank(products: tuple[str, ...], g_kg: float, temperature_c: float) -> Case:
    litres = solution_l(_parts(products, g_kg / 1000.0), 1.0 / WATER_KG_L)
    ours = assess(_parts(products, g_kg / litres), temperature_c)
    theirs = solution(millimoles(dict.fromkeys(products, g_kg)), temperature_c)
    return Case(
        "tank", products, g_kg, temperature_c, ours.verdict, _refused_for(ours.findings), _indices(theirs), _NONE
    )


def _in_line(name: str, products: tuple[str, ...], g_kg: float, temperature_c: float) -> Case:
    """Judge the line at the water's pH; with acid or alkali, at the pH that they give it below its carbon dioxide."""
    mmol = WATERS_MMOL[name]
    litres = solution_l(_parts(products, g_kg / 1000.0), 1.0 / WATER_KG_L)
    g_l = g_kg / litres / STRENGTHS[g_kg]
    findings = check_line(_parts(products, g_l), _water(mmol), temperature_c)
    alone = solution(mmol, temperature_c, WATER_PH)
    mixed = {element: amount for element, amount in mmol.items() if element != "Alkalinity"}
    mixed["C(4)"] = alone.total_element("C")
    for element, amount in millimoles(dict.fromkeys(products, g_l)).items():
        mixed[element] = mixed.get(element, 0.0) + amount
    if all(SALTS[product].nature == "neutral" for product in products):
        theirs = solution(mixed, temperature_c, WATER_PH)
    else:
        theirs = solution(mixed, temperature_c, log_p_co2=alone.si("CO2(g)"))
    verdict = Verdict.worst(*(finding.verdict for finding in findings))
    lime = index(theirs, "Calcite")
    return Case(
        name,
        products,
        g_kg,
        temperature_c,
        verdict,
        _refused_for(findings),
        _indices(theirs),
        _NONE if lime is None else lime,
    )


@pytest.fixture(scope="module")
def cases() -> tuple[Case, ...]:
    """Every mix in every place."""
    return tuple(
        case
        for products in (*PAIRS, *MIXES_OF_THREE)
        for g_kg in STRENGTHS
        for temperature_c in TEMPERATURES_C
        for case in (
            _in_tank(products, g_kg, temperature_c),
            *(_in_line(water, products, g_kg, temperature_c) for water in WATERS_MMOL),
        )
    )


def _confusion(cases: Iterable[Case]) -> str:
    """Return our verdicts against PHREEQC's index, by place."""
    cases = tuple(cases)
    columns = {"no such mineral": _NONE, "SI <= 0": 0.0, "0 to 0.3": SUPERSATURATED, "above 0.3": float("inf")}
    lines = [f"{'':36}" + "".join(f"{column:>16}" for column in columns)]
    for place in ("tank", *WATERS_MMOL):
        counts = Counter(
            (
                case.verdict.value + (", soluble salt or hazard" if case.is_refused_apart else ""),
                next(column for column, most in columns.items() if case.worst <= most),
            )
            for case in cases
            if case.place == place
        )
        for row in ("mixes", "with care", "do not", "do not, soluble salt or hazard"):
            lines.append(f"{place:5}{row:31}" + "".join(f"{counts[row, column]:16}" for column in columns))
    return "\n".join(lines)


def test_the_confusion_matrix(cases: tuple[Case, ...], capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the issue's two figures: nothing safe that PHREEQC supersaturates, and at most 15 % refused in vain.

    In vain is what is refused while PHREEQC's index is at most 0.3; refusals for a soluble salt or a hazard alone are
    not PHREEQC's to judge, and are counted apart.
    """
    said = [_confusion(cases)]
    missed = [case for case in cases if case.verdict is not Verdict.DO_NOT and case.worst > SUPERSATURATED]
    assert not missed
    for place in ("tank", *WATERS_MMOL):
        fine = [
            case for case in cases if case.place == place and case.worst <= SUPERSATURATED and not case.is_refused_apart
        ]
        in_vain = [case for case in fine if case.verdict is Verdict.DO_NOT]
        said.append(f"{place}: {len(in_vain)} of {len(fine)} refused in vain")
        assert len(in_vain) <= 0.15 * len(fine)
    with capsys.disabled():
        print("", *said, sep="\n")  # noqa: T201


def test_the_search_reaches_what_it_is_for(cases: tuple[Case, ...]) -> None:
    """Guards the matrix itself: each place has many mixes on both sides, and every mineral falls out somewhere."""
    for place in ("tank", *WATERS_MMOL):
        here = [case for case in cases if case.place == place]
        assert len(here) == (len(PAIRS) + len(MIXES_OF_THREE)) * len(STRENGTHS) * len(TEMPERATURES_C)
        assert sum(case.worst > SUPERSATURATED for case in here) > 50
        assert sum(case.worst <= SUPERSATURATED for case in here) > 500
    for mineral in JUDGED:
        assert any(case.indices.get(mineral, _NONE) > SUPERSATURATED for case in cases)


def test_refusals_in_vain_are_those_that_were_chosen(cases: tuple[Case, ...]) -> None:
    """Guards their reasons. In the tank: calcium in strong phosphoric acid. In the line: an index just below the limit,
    much lime, or an acid, whose effect on the pH is put to the water and not to the salts beside it.
    """
    for case in cases:
        if case.verdict is Verdict.DO_NOT and case.worst <= SUPERSATURATED and not case.is_refused_apart:
            if case.place == "tank":
                assert set(case.products) & {"phosphoric_acid", "urea_phosphate"}, case
                assert any(product.startswith("calcium") for product in case.products), case
            else:
                acid = any(SALTS[product].nature == "acid" for product in case.products)
                assert case.worst > 0.2 or case.lime > 0.95 or acid, case


@pytest.mark.parametrize("temperature_c", TEMPERATURES_C)
def test_the_speciation_is_phreeqcs(temperature_c: float) -> None:
    """Guards the solver and the constants as typed: pH to 0.05, indices to 0.03, in every tank of two."""
    for products in PAIRS:
        for g_kg in STRENGTHS:
            mmol = millimoles(dict.fromkeys(products, g_kg))
            theirs = solution(mmol, temperature_c)
            ours = speciate(
                {_OURS[element]: amount / 1000.0 for element, amount in mmol.items() if element in _OURS},
                temperature_c,
            )
            if "boric_acid" not in products:  # an acid that we leave out: where nothing else is one, it alone makes pH
                assert ours.ph == pytest.approx(theirs.pH, abs=0.05), products
            indices = saturation_indices(ours, temperature_c)
            for mineral in MINERALS:
                if mineral.name in _THEIRS and mineral.name in indices:
                    dry = indices[mineral.name] + mineral.parts["H2O"] * -ours.log_activity["H2O"]
                    assert dry == pytest.approx(index(theirs, _THEIRS[mineral.name]), abs=0.03), products


@pytest.mark.parametrize("temperature_c", TEMPERATURES_C)
def test_soluble_chlorides_and_sulphates_against_pitzer(temperature_c: float) -> None:
    """Guards the ion products without activity coefficients, where a data set with Pitzer's can judge.

    What pitzer.dat supersaturates is refused; at most 15 % of what it dissolves is.
    """
    pitzer = PhreeqPython(database="pitzer.dat")
    salts = ("potassium_chloride", "potassium_sulphate", "magnesium_sulphate_heptahydrate")
    fine = in_vain = 0
    for products in (*((salt,) for salt in salts), *combinations(salts, 2), salts):
        for g_kg in (20.0, 60.0, 90.0, 120.0, 200.0, 280.0):
            found = pitzer.add_solution(
                {"units": "mmol/kgw", "temp": temperature_c, "pH": 7, **millimoles(dict.fromkeys(products, g_kg))}
            )
            worst = max(found.si(phase) for phase in ("Sylvite", "Arcanite", "Epsomite"))
            litres = solution_l(_parts(products, g_kg / 1000.0), 1.0 / WATER_KG_L)
            refused = assess(_parts(products, g_kg / litres), temperature_c).verdict is Verdict.DO_NOT
            assert refused or worst <= 0.0, (products, g_kg)
            fine += worst <= 0.0
            in_vain += refused and worst <= 0.0
    assert fine > 15
    assert in_vain <= 0.15 * fine


@pytest.mark.parametrize("temperature_c", TEMPERATURES_C)
@pytest.mark.parametrize(("kcl_mol_kg", "at_most"), [(0.0, 0.06), (0.1, 0.06), (0.5, 0.16)])
def test_gypsum_dissolves_as_in_pitzer(temperature_c: float, kcl_mol_kg: float, at_most: float) -> None:
    """Guards the one mineral of ours that a data set of another kind has: its index where pitzer.dat saturates it.

    In line water the two agree; towards the tank's strength ours is the higher, on the safe side.
    """
    found = PhreeqPython(database="pitzer.dat").add_solution(
        {"units": "mmol/kgw", "temp": temperature_c, "pH": 7, "K": 1000.0 * kcl_mol_kg, "Cl": 1000.0 * kcl_mol_kg}
    )
    gypsum = found.saturate("Gypsum").total_element("Ca") / 1000.0
    ours = speciate({"Ca": gypsum, "SO4": gypsum, "K": kcl_mol_kg, "Cl": kcl_mol_kg}, temperature_c)
    assert -0.06 <= saturation_indices(ours, temperature_c)["gypsum"] <= at_most

"""What may share a tank: the domain sheet's matrix cell by cell, the salts beyond it, unknown products and jars."""

from datetime import UTC, datetime
from itertools import combinations

import pytest

from daemon.agronomy.compatibility import (
    KNOWN,
    Pairing,
    Rule,
    jar_tests_of,
    pair_findings,
    pairings,
    refused_by_nature,
)
from daemon.agronomy.products import substance_of
from daemon.agronomy.salts import SALTS
from daemon.agronomy.substance import Substance
from daemon.agronomy.verdict import Verdict
from daemon.decisions.tanks import JarTest
from tests.daemon.agronomy.mixes import CALCIUM_NITRATE, EPSOM, MAGNESIUM_NITRATE, unknown

_COLUMNS = ("U", "AN", "AS", "CN", "KN", "KCl", "SOP", "MAP", "MKP", "EPS", "MgN", "H3PO4")
_NAMES = dict(
    zip(
        _COLUMNS,
        (
            *("urea", "ammonium_nitrate", "ammonium_sulphate", CALCIUM_NITRATE, "potassium_nitrate"),
            *("potassium_chloride", "potassium_sulphate", "map", "mkp", EPSOM, MAGNESIUM_NITRATE, "phosphoric_acid"),
        ),
        strict=True,
    )
)
_MATRIX = """
U     -  Y   Y  Y  Y  Y   Y   Y  Y  Y  Y   Y
AN    Y  -   Y  Y  Y  Y/S Y   Y  Y  Y  Y   Y
AS    Y  Y   -  N  S  S   S   Y  Y  S  Y/S Y
CN    Y  Y   N  -  Y  Y   N   N  N  N  Y   N
KN    Y  Y   S  Y  -  Y   S   Y  Y  S  Y   Y
KCl   Y  Y/S S  Y  Y  -   S   Y  Y  S  Y   Y
SOP   Y  Y   S  N  S  S   -   Y  Y  S  Y/S Y
MAP   Y  Y   Y  N  Y  Y   Y   -  Y  S  S   Y
MKP   Y  Y   Y  N  Y  Y   Y   Y  -  S  S   Y
EPS   Y  Y   S  N  S  S   S   S  S  -  Y   Y
"""
"""Domain sheet, section 3. "Y/S" depends on the strength alone: it mixes, and the ion products watch it."""
_MEANS = {"Y": Rule.MIXES, "Y/S": Rule.MIXES, "S": Rule.LIMITED, "N": Rule.NEVER}
_CELLS = [
    (row.split()[0], column, cell)
    for row in _MATRIX.strip().splitlines()
    for column, cell in zip(_COLUMNS, row.split()[1:], strict=True)
    if cell != "-"
]


def _rule(one: str, other: str) -> Pairing:
    return pairings([substance_of(one, {}), substance_of(other, {})])[0]


@pytest.mark.parametrize(("one", "other", "cell"), _CELLS)
def test_the_matrix_of_the_domain_sheet(one: str, other: str, cell: str) -> None:
    """Guards every cell of the matrix, both ways round."""
    assert _rule(_NAMES[one], _NAMES[other]).rule is _MEANS[cell]
    assert _rule(_NAMES[other], _NAMES[one]).rule is _MEANS[cell]


@pytest.mark.parametrize(
    ("one", "other", "rule"),
    [  # beyond the matrix
        ("calcium_nitrate_double_salt", "ammonium_sulphate", Rule.NEVER),
        ("calcium_chloride_dihydrate", EPSOM, Rule.NEVER),
        ("calcium_nitrate_double_salt", "urea_phosphate", Rule.NEVER),
        ("calcium_chloride_dihydrate", "potassium_nitrate", Rule.MIXES),
        ("dap", CALCIUM_NITRATE, Rule.NEVER),
        ("dap", MAGNESIUM_NITRATE, Rule.NEVER),
        ("dap", "nitric_acid", Rule.LIMITED),
        ("dap", "potassium_nitrate", Rule.MIXES),
        ("nitric_acid", "urea", Rule.NEVER),
        ("nitric_acid", "urea_phosphate", Rule.NEVER),
        ("nitric_acid", "potassium_chloride", Rule.LIMITED),
        ("nitric_acid", CALCIUM_NITRATE, Rule.MIXES),
        ("urea_phosphate", EPSOM, Rule.MIXES),
        ("boric_acid", "dap", Rule.MIXES),
    ],
)
def test_salts_beyond_the_matrix(one: str, other: str, rule: Rule) -> None:
    """Guards the rows for DAP, urea phosphate, acids, calcium chloride and the double salt."""
    assert _rule(one, other).rule is rule


def test_every_built_in_salt_is_in_the_table() -> None:
    """Guards a salt added later: until the table speaks of it, it would be unknown, and this says so."""
    assert KNOWN == set(SALTS)
    found = pairings([substance_of(name, {}) for name in SALTS])
    assert len(found) == len(list(combinations(SALTS, 2)))
    assert all(pair.reason and pair.rule is not Rule.UNKNOWN for pair in found)


def test_magnesium_with_phosphate_says_how_acid() -> None:
    """Guards X3 of the domain sheet: Epsom salt with MAP is accepted with the note."""
    assert "keep pH below 5.5" in _rule(EPSOM, "map").reason


def test_a_product_that_nobody_knows_never_mixes() -> None:
    """Guards the unknown pair: unknown, jar test; whatever the other is, and whatever its ions promise."""
    for name in SALTS:
        pair = pairings([unknown(), substance_of(name, {})])[0]
        assert pair.rule in (Rule.UNKNOWN, Rule.NEVER)
    (finding,) = pair_findings(pairings([unknown("one"), unknown("other")]), None, None)
    assert finding.verdict is Verdict.DO_NOT
    assert "unknown: jar test" in finding.reason


def test_a_grade_of_a_built_in_salt_mixes_as_that_does() -> None:
    """Guards same_as: a grade has its salt's rows, and with its own salt it mixes."""
    grade = unknown(salt="potassium_nitrate")
    assert pairings([grade, substance_of("ammonium_sulphate", {})])[0].rule is Rule.LIMITED
    assert pairings([grade, substance_of("potassium_nitrate", {})])[0].rule is Rule.MIXES


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (unknown("a", ions_mol_g={"Ca": 0.001, "Cl": 0.002}), unknown("b", ions_mol_g={"Mg": 0.001, "SO4": 0.001})),
        (unknown("a", ions_mol_g={"Ca": 0.001, "Cl": 0.002}), substance_of("map", {})),
        (unknown("a", nature="acid"), unknown("b", nature="chlorine")),
        (unknown("a", nature="acid"), unknown("b", nature="alkaline")),
        (unknown("a", nature="acid", ions_mol_g={"NO3": 0.005}), substance_of("urea", {})),
    ],
)
def test_what_is_never_by_its_kind(one: Substance, other: Substance) -> None:
    """Guards products without a row: calcium with sulphate or phosphate, acid with chlorine, alkali, urea."""
    assert pairings([one, other])[0].rule is Rule.NEVER
    assert pairings([other, one])[0].rule is Rule.NEVER


def test_products_for_cleaning_lines_are_refused() -> None:
    """Guards note 28 of the practice: chlorine always, an acid unless it feeds; fertiliser acids pass."""
    cleaners = [unknown("bleach", nature="chlorine"), unknown("descaler", nature="acid", nutrients_g_g={"Cl": 0.3})]
    assert [finding.verdict for finding in refused_by_nature(cleaners)] == [Verdict.DO_NOT] * 2
    assert refused_by_nature([substance_of(name, {}) for name in SALTS]) == ()


def _jar(clear: bool, grams: float = 100.0, coldest_c: float = 5.0, other: str = "urea") -> JarTest:
    return JarTest(
        products_g_l={"shed_mix": grams, other: grams},
        coldest_c=coldest_c,
        hours=24.0,
        clear=clear,
        at=datetime(2026, 3, 1, 9, 0, tzinfo=UTC),
        by="tester",
    )


@pytest.mark.parametrize(
    ("jar", "covers", "speaks_against"),
    [
        (_jar(clear=True), True, False),
        (_jar(clear=True, grams=79.0), False, False),  # the tank is stronger than the jar
        (_jar(clear=True, coldest_c=9.0), False, False),  # the tank gets colder than the jar
        (_jar(clear=True, other="map"), False, False),  # other products
        (_jar(clear=False), False, False),  # the tank is weaker
        (_jar(clear=False, grams=80.0), False, True),
        (_jar(clear=False, grams=80.0, coldest_c=20.0), False, True),  # cloudy while warmer than the tank gets
        (_jar(clear=False, grams=80.0, coldest_c=4.0), False, False),  # the jar was colder than the tank gets
    ],
)
def test_which_jars_speak_for_a_tank(jar: JarTest, covers: bool, speaks_against: bool) -> None:
    """Guards what a jar proves: no more than its products, strength and cold."""
    clear, cloudy = jar_tests_of({"shed_mix": 80.0, "urea": 80.0}, 5.0, [jar])
    assert (clear is jar, cloudy is jar) == (covers, speaks_against)


def test_a_clear_jar_makes_the_unknown_careful_and_a_cloudy_one_forbids() -> None:
    """Guards the jar's word: with care for what nobody knew, do not for anything that clouded; no jar lifts a never."""
    strange = pairings([unknown(), substance_of("urea", {})])
    known = pairings([substance_of("map", {}), substance_of("urea", {})])
    never = pairings([substance_of("map", {}), substance_of(CALCIUM_NITRATE, {})])
    assert [f.verdict for f in pair_findings(strange, _jar(clear=True), None)] == [Verdict.WITH_CARE]
    assert [f.verdict for f in pair_findings(known, None, _jar(clear=False))] == [Verdict.DO_NOT]
    assert [f.verdict for f in pair_findings(never, _jar(clear=True), None)] == [Verdict.DO_NOT]
    assert list(pair_findings(known, None, None)) == []

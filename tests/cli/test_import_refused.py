"""`shiftwright import` refuses: each error by row, column and mend, all at once, and not a row more in the record."""

from pathlib import Path

import pytest

from tests.cli.imports import FIGS, Refused, in_force, template_of, with_cells

_CELLS = [
    ("water", {"Ca (mg/L)": "nan"}, "column Ca (mg/L): got 'nan'; expected a number."),
    ("water", {"Ca (mg/L)": "inf"}, "column Ca (mg/L): got 'inf'; expected a number."),
    ("water", {"Ca (mg/L)": "-1"}, "column Ca (mg/L): got -1.0; expected greater than or equal to 0"),
    ("water", {"Ca (mg/L)": "18 mg/L"}, "column Ca (mg/L): got '18 mg/L'; expected a number. Its unit stands in"),
    ("water", {"Ca (mg/L)": "<0.1"}, "column Ca (mg/L): got '<0.1'; expected a number."),
    ("water", {"Ca (mg/L)": ""}, "column Ca (mg/L): got nothing; expected mg of Ca in a litre"),
    (
        "water",
        {"Ca (mg/L)": "1,234"},
        "column Ca (mg/L): got '1,234'; expected a number that reads in one way. Write 1",
    ),
    ("water", {"Ca (mg/L)": "12,5"}, "column Ca (mg/L): got '12,5'; expected a decimal point. Commas part the cells"),
    ("water", {"Ca (mg/L)": "1.234,5"}, "column Ca (mg/L): got '1.234,5'; expected a number."),
    ("water", {"nitrate as": ""}, "column nitrate as: got nothing; expected N or NO3: whether it is mg of nitrogen or"),
    ("water", {"nitrate as": "NO-3"}, "column nitrate as: got 'NO-3'; expected 'N' or 'NO3'"),
    ("water", {"pH": "71"}, "column pH: got 71.0; expected less than or equal to 11"),
    ("water", {"on (YYYY-MM-DD)": "2.9.2026"}, "column on (YYYY-MM-DD): got '2.9.2026'; expected a day as YYYY-MM-DD."),
    ("water", {"water": "the creek"}, "column water: got 'the creek'; expected a name of letters, digits and under"),
    ("water", {"water": ""}, "column water: got nothing; expected the name of the source"),
    ("products", {"basis": ""}, "column basis: got nothing; expected w/w (percent by mass) or, liquids alone, w/v"),
    ("products", {"basis": "w/v"}, "column product: got a solid with basis w/v or a density; expected basis w/w"),
    ("products", {"figures": ""}, "column figures: got nothing; expected elemental; oxide (its P, K, Ca, Mg, S are"),
    ("products", {"figures": "P2O5"}, "column figures: got 'P2O5'; expected 'elemental', 'oxide' or 'oxide_p_k'"),
    ("products", {"K (%)": "101"}, "column K (%): got 101.0; expected less than or equal to 100"),
    (
        "products",
        {"K (%)": "60", "same as": ""},
        "column product: product.calcium_nitrate: got a label that cannot be so; expected one that adds up.",
    ),
    ("products", {"form": "liquid"}, "column product: got a liquid without density_kg_l; expected its density"),
    ("products", {"same as": "calcium_nitrat"}, "column product: product.calcium_nitrate: got a label that cannot be"),
    ("products", {"product": "urea"}, "column product: product.urea: got a label that cannot be so; expected one that"),
    ("products", {"nature": "acidic"}, "column nature: got 'acidic'; expected 'neutral', 'acid', 'alkaline' or"),
    (
        "products",
        {"N nitrate (%)": "", "N ammonium (%)": "0", "Ca (%)": ""},
        "columns N nitrate (%) to Mo (%): got 0 that can be used; expected at least 1",
    ),
    (
        "recommendations",
        {"recommendation": "new", "cycle": "mandarin"},
        "column cycle: recommendation.new.cycle: got 'mandarin'; expected a cycle of this file or the record. Nearest",
    ),
    (
        "recommendations",
        {"figures": ""},
        "column figures: got nothing; expected elemental or oxide: kg of P or of P2O5",
    ),
    ("recommendations", {"figures": "both"}, "column figures: got 'both'; expected elemental or oxide"),
    ("recommendations", {"nutrient": "P2O5"}, "column figures: got elemental with P2O5; expected figures that fit"),
    ("recommendations", {"nutrient": "Nitrogen"}, "column nutrient: got 'Nitrogen'; expected one of N, P, K,"),
    (
        "recommendations",
        {"amount (kg/ha)": ""},
        "column amount (kg/ha): got nothing; expected kg/ha in the whole cycle",
    ),
    ("recommendations", {"amount (kg/ha)": "0"}, "column amount (kg/ha): got 0.0; expected greater than 0"),
    (
        "recommendations",
        {"stage 2 (%)": "30"},
        "columns stage 1 (%) to stage 5 (%): got shares that sum to 1.1; expect",
    ),
    ("recommendations", {"stage 2 (%)": "200"}, "column stage 2 (%): got 2.0; expected less than or equal to 1"),
    (
        "recommendations",
        {"stage 1 (%)": "30", "stage 2 (%)": ""},
        "column stage 2 (%): got nothing; expected the share of the stage. A stage without a share has 0",
    ),
    (
        "recommendations",
        {"stage 1 (%)": "30", "stage 2 (%)": "35", "stage 4 (%)": "", "stage 5 (%)": ""},
        "columns stage 1 (%) to stage 3 (%): recommendation.mandarins_2026.needs.N.shares: got 3 shares; expected 5,",
    ),
]


@pytest.mark.parametrize(("what", "cells", "expected"), _CELLS, ids=[f"{what} {cells}" for what, cells, _ in _CELLS])
def test_a_cell_that_is_wrong(
    what: str,
    cells: dict[str, str],
    expected: str,
    refused: Refused,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Row, column, what was got, what was expected; and nothing else is told of it."""
    errors = refused(what, with_cells(template_of(what, capsys), cells))
    ours = [error for error in errors if error.startswith(f"row 2, {expected}")]
    assert len(ours) == 1, errors
    assert len(errors) == 1 or what == "recommendations"  # the second row may then differ, or be no more what it was


def test_whatever_is_common_is_so_in_every_row(refused: Refused, capsys: pytest.CaptureFixture[str]) -> None:
    """A recommendation of two dates is two: the second row says what the first one had. A nutrient comes once."""
    text = with_cells(template_of("recommendations", capsys), {"by": "Ira", "every (days)": "14"}, row=2)
    assert [error.partition("; expected")[0] for error in refused("recommendations", text)] == [
        "row 3, column by: got Ira",
        "row 3, column every (days): got 14.0",
    ]
    twice = with_cells(template_of("recommendations", capsys), {"nutrient": "N", "figures": "elemental"}, row=2)
    (error,) = [e for e in refused("recommendations", twice) if e.startswith("row")]
    assert error.startswith("row 3, column nutrient: got N of mandarins_2026 again, after row 2; expected each nutr")


def test_a_newer_recommendation_beside_one_that_a_program_names(
    refused: Refused, capsys: pytest.CaptureFixture[str]
) -> None:
    """It would take the older one's place and leave the program without: told with the two ways out."""
    text = template_of("recommendations", capsys).replace("mandarins_2026", "newer").replace("2026-06-18", "2026-09-18")
    errors = refused("recommendations", text)
    assert errors and all(error.startswith("program.low_night: got a night that fails for its ") for error in errors)
    assert all("What a program names is replaced under its own name, or with the program in" in e for e in errors)


@pytest.mark.parametrize(
    ("heading", "instead", "hint"),
    [
        ("Ca (mg/L)", "Ca", "Say the unit: Ca (mg/L)"),
        ("Ca (mg/L)", "Ca (meq/L)", "Nearest known: Ca (mg/L)"),
        ("EC (mS/cm)", "EC (µS/cm)", "1000 µS/cm is 1 mS/cm: convert it"),
        ("EC (mS/cm)", "EC", "Say the unit: EC (mS/cm)"),
        ("nitrate (mg/L)", "NO3 (mg/L)", "Head it nitrate (mg/L), with NO3 in the column nitrate as"),
        ("pH", "remarks by the lab", "--template prints them"),
    ],
)
def test_a_heading_that_is_none(
    heading: str,
    instead: str,
    hint: str,
    refused: Refused,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A unit that is not stated, or is another one, is never guessed: the heading and what lacks are both told."""
    unknown, missing = refused("water", template_of("water", capsys).replace(heading, instead, 1))
    assert unknown.startswith(f"row 1, column {instead}: got a heading nobody knows; expected one of the template's. ")
    assert hint in unknown
    assert missing.startswith(f"row 1: got no column {heading}; expected ")


def test_headings_of_a_label_that_need_a_word(refused: Refused, capsys: pytest.CaptureFixture[str]) -> None:
    """Nitrogen without its form, and an oxide in a heading, are told how to come; a column twice is told once."""
    text = template_of("products", capsys)
    text = text.replace("N urea (%)", "N (%)").replace("P (%)", "P2O5 (%)", 1).replace("Mg (%)", "K (%)")
    errors = refused("products", text)
    assert [error.partition(":")[0] for error in errors] == [
        "row 1, column N (%)",
        "row 1, column P2O5 (%)",
        "row 1, column K (%)",
    ]
    assert "N nitrate (%), N ammonium (%), N urea (%)" in errors[0]
    assert "Head it P (%), with oxide in the column figures" in errors[1]
    assert "got it twice" in errors[2]


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "row 1: got an empty file; expected a row of headings. --template prints one"),
        (b"\n;;;\n", "row 1: got an empty file"),
        (
            "water,pH\nbör,7\n".encode("latin-1"),
            "row 2: got the byte 0xf6, which is not UTF-8; expected text in UTF-8.",
        ),
        (
            "water,pH\n".encode("utf-16"),
            "row 1: got UTF-16, which is not UTF-8; expected text in UTF-8. Save it as CSV",
        ),
        (b'water,pH\n"creek,7\n', "row 2: got quotes that do not match"),
        (b'water,pH\n"cr"eek,7\n', "row 2: got quotes that do not match"),
        (b"water|pH\ncreek|7\n", "row 1, column water|pH: got a heading nobody knows"),
    ],
    ids=["empty", "rows without a cell", "latin-1", "utf-16", "open quote", "quote inside", "other separator"],
)
def test_a_file_that_is_no_sheet(content: bytes, expected: str, refused: Refused) -> None:
    """What cannot be read as a sheet is told with the row where it ends to be one."""
    errors = refused("water", content)
    assert errors[0].startswith(expected)
    assert len(errors) == 1 or "commas, semicolons or tabs" in errors[1]


def test_headings_alone_are_told(refused: Refused, capsys: pytest.CaptureFixture[str]) -> None:
    """A file without a row below its headings is a mistake, not an import of nothing."""
    text = template_of("water", capsys).splitlines()[0]
    assert refused("water", text) == ["row 2: got no row below the headings; expected at least one"]


def test_cells_too_many_or_without_a_heading(refused: Refused, capsys: pytest.CaptureFixture[str]) -> None:
    """A decimal comma in a file with commas makes a cell more; what stands under no heading is not dropped."""
    text = template_of("water", capsys)
    (error,) = refused("water", text.replace("7.1", "7,1"))
    assert error.startswith(
        "row 2: got 15 cells; expected the 14 of the headings, parted by commas. A number with a de"
    )
    headings, row = text.splitlines()
    (error,) = refused("water", f"{headings},\n{row},7\n")
    assert error == "row 2, column 15: got '7'; expected nothing: it has no heading"


def test_both_decimal_signs_are_not_guessed(refused: Refused, capsys: pytest.CaptureFixture[str]) -> None:
    """With semicolons and one point in the file, a comma may be anything: the row that has the point is named."""
    text = template_of("water", capsys).replace(",", ";").replace("0.6;N", "0,6;N")
    (error,) = refused("water", text)
    assert error == (
        "row 2, column nitrate (mg/L): got '0,6'; expected a decimal point. "
        "Row 2 has 0.6: write one decimal sign throughout the file"
    )


def test_all_errors_at_once_and_nothing_half_stored(
    folder: Path, refused: Refused, capsys: pytest.CaptureFixture[str]
) -> None:
    """Rows beside a wrong one are right and yet not stored; empty rows count, as they do in the spreadsheet."""
    headings, row = template_of("products", capsys).splitlines()
    right = row.replace("calcium_nitrate,", "right,")
    wrong = row.replace("calcium_nitrate,", "wrong,").replace("w/w", "").replace("14.4", "nan").replace("26.3", "70")
    errors = refused("products", "\n".join((headings, right, "", wrong, right)))
    assert [error.partition(": got")[0] for error in errors] == [
        "row 4, column basis",
        "row 4, column N nitrate (%)",
        "row 5, column product",
    ]
    assert errors[2].endswith(
        "got 'right' again, after row 2; expected each product once. Leave one of the two rows out"
    )
    assert in_force(folder, "product", "right") is None


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('"hill"]', '"hull"]', "cycle.figs.blocks: got 'hull'; expected a block of the site. Nearest known: hill"),
        (
            'cycle = "figs"',
            'cycle = "fags"',
            "recommendation.figs_2027.cycle: got 'fags'; expected a cycle of this file or the record. Nearest known: f",
        ),
        ("2027-07-01\nends", "2026-07-01\nends", "cycle.figs: got stages that start 2027-07-01 in a cycle from"),
        ("kg_ha = 50.0", "kg_ha = nan", "recommendation.figs_2027.needs.N.kg_ha: got nan; expected"),
        ("[cycle.figs]", "[cycles.figs]", "cycles: got a kind nobody knows; expected a kind of decision. Nearest"),
        ("[cycle.figs]", '[cycle."fig trees"]', "cycle.fig trees: got 'fig trees'; expected a name of letters, digits"),
        ("[cycle.figs]", "[cycle.figs", "decisions file: got text that is not TOML"),
        (
            'crop = "figs"',
            'crop = "figs"\ncrp = 1',
            "cycle.figs.crp: got a key nobody knows; expected a key of this se",
        ),
    ],
)
def test_decisions_that_do_not_fit(old: str, new: str, expected: str, refused: Refused) -> None:
    """An unknown block or cycle, a wrong value or key: told by its path, and neither decision is stored."""
    errors = refused("decisions", FIGS.replace(old, new))
    assert errors[0].startswith(expected)
    assert len(errors) == 1 or "[cycle.figs]" in old  # the recommendation then lacks its cycle


def test_a_wrong_decision_hides_no_other_error(refused: Refused) -> None:
    """What names a decision that is wrong in itself is right: it is there, and its own error is told."""
    text = (
        FIGS.replace("ends = 2028-06-30", 'ends = "soon"') + '[water.bore]\non = 2026-01-01\n[block.hall]\nwhy = "x"\n'
    )
    places = {error.partition(":")[0] for error in refused("decisions", text)}
    assert {"cycle.figs.ends", "water.bore.ph", "block.hall"} <= places
    assert not any(place.startswith("recommendation") for place in places)

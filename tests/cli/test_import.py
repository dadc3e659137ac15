"""`shiftwright import`: what is taken on purpose, how the rest is refused, and that a mistake stores nothing."""

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest

import daemon.cli
from daemon.cli import importing
from daemon.cli.main import main
from daemon.cli.night import on_free_ports
from daemon.decisions.base import Decision
from daemon.decisions.crops import Recommendation
from daemon.decisions.tanks import Product, Water
from daemon.ledger.reports import verify_file
from daemon.messages import Answer
from daemon.runtime.decided import read_in_force
from daemon.runtime.folder import LEDGER
from tests.daemon.ledger.samples import opened

KESTREL_BEND = Path(daemon.cli.__file__).parent / "kestrel_bend"
KINDS = ("recommendations", "products", "water")

Import = Callable[..., tuple[int, str]]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The folder of a daemon that has run once at Kestrel Bend, and has its decisions."""
    (tmp_path / "site.toml").write_text(on_free_ports((KESTREL_BEND / "site.toml").read_text("utf-8")), "utf-8")
    with opened(tmp_path / LEDGER):
        pass
    words = ("import", "decisions", KESTREL_BEND / "decisions.toml", tmp_path / "site.toml", "--db", tmp_path)
    assert main([str(word) for word in words]) == 0
    return tmp_path


@pytest.fixture
def take(folder: Path, capsys: pytest.CaptureFixture[str]) -> Import:
    """Import a text or bytes; return the exit code and what was said, errors included."""
    capsys.readouterr()

    def run(what: str, content: str | bytes, *options: str) -> tuple[int, str]:
        file = folder / f"file.{'toml' if what == 'decisions' else 'csv'}"
        file.write_bytes(content.encode() if isinstance(content, str) else content)
        code = main(["import", what, str(file), str(folder / "site.toml"), "--db", str(folder), *options])
        said = capsys.readouterr()
        return code, said.out + said.err

    return run


@pytest.fixture
def refused(folder: Path, take: Import) -> Callable[[str, str | bytes], list[str]]:
    """Import what must be refused; return the errors, one a line. The record stays as it was, to the last row."""

    def run(what: str, content: str | bytes) -> list[str]:
        head = verify_file(folder / LEDGER).head
        code, said = take(what, content)
        assert code == 2
        assert verify_file(folder / LEDGER).head == head
        first, *errors = said.splitlines()
        assert first.endswith(f": {len(errors)} error{'s' if len(errors) > 1 else ''}")
        return errors

    return run


def _template(what: str, capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["import", what, "--template"]) == 0
    return capsys.readouterr().out


def _changed(text: str, changes: dict[str, str], row: int = 1) -> str:
    """Return a template with some cells changed by heading; row 1 is the first below the headings."""
    rows = list(csv.reader(io.StringIO(text)))
    for heading, cell in changes.items():
        rows[row][rows[0].index(heading)] = cell
    made = io.StringIO()
    csv.writer(made, lineterminator="\n").writerows(rows)
    return made.getvalue()


def _in_force(folder: Path, kind: str, key: str) -> Decision | None:
    return read_in_force(folder / LEDGER).decisions.get((kind, key))


@pytest.mark.parametrize("what", KINDS)
def test_a_template_can_be_imported(what: str, folder: Path, take: Import, capsys: pytest.CaptureFixture[str]) -> None:
    """As it is printed: the dry run stores nothing, the run stores it, a second one has nothing to store."""
    text = _template(what, capsys)
    assert "invented" in text or what == "water"
    head = verify_file(folder / LEDGER).head
    code, said = take(what, text, "--dry-run")
    assert code == 0 and "Nothing" in said
    assert verify_file(folder / LEDGER).head == head
    assert take(what, text)[0] == 0
    head = verify_file(folder / LEDGER).head
    code, said = take(what, text)
    assert code == 0 and said.endswith("Nothing to record.\n") and "In the record as they are: " in said
    assert verify_file(folder / LEDGER).head == head and verify_file(folder / LEDGER).broken_seq is None


@pytest.mark.parametrize("what", KINDS)
def test_a_template_says_its_units(what: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each heading of a number has its unit, but for a count, a pH and money."""
    headings, *examples = csv.reader(io.StringIO(_template(what, capsys)))
    assert examples
    for example in examples:
        for heading, cell in zip(headings, example, strict=True):
            if cell.replace(".", "").isdigit():
                assert heading.endswith(")") or heading in ("pH", "price per kg"), heading


def test_the_templates_are_kestrel_bends_own(folder: Path, take: Import, capsys: pytest.CaptureFixture[str]) -> None:
    """What they say is what the demo's decisions say: 144.6 kg K2O is 120 kg K (x 0.8301), 26.3 % CaO is 18.8 % Ca."""
    assert take("water", _template("water", capsys))[1].startswith("In the record as they are: water creek_water.")
    take("recommendations", _template("recommendations", capsys))
    plan = _in_force(folder, "recommendation", "mandarins_2026")
    assert isinstance(plan, Recommendation)
    assert {name: need.kg_ha for name, need in plan.needs.items()} == pytest.approx({"N": 110.0, "K": 120.0}, abs=0.05)
    assert plan.needs["K"].shares == pytest.approx((0.0, 0.15, 0.275, 0.325, 0.25))
    assert (plan.every_days, plan.events, plan.make_up_pct) == (7, None, 25.0)
    code, said = take("products", _template("products", capsys))
    assert code == 0 and "N 15.5, Ca 18.8" in said


def test_what_spreadsheets_do_is_taken_on_purpose(
    folder: Path, take: Import, capsys: pytest.CaptureFixture[str]
) -> None:
    """A mark, semicolons with decimal commas, tabs, empty rows and columns, other spelling of headings: one meaning."""
    text = _changed(_template("water", capsys), {"water": "bore"})
    comma = text.replace(",", ";").replace(".", ",")
    empty = "".join(f"{line},,\n" for line in ["", *text.splitlines(), ""])
    spelt = text.replace("EC (mS/cm)", " ec_MS_cm ").replace("Ca (mg/L)", '"CA  [mg/l]"')
    files = (
        text,
        comma,
        text.replace(",", "\t"),
        comma.replace(";", "\t"),
        "\ufeff" + comma.replace("\n", "\r\n"),
        empty,
        spelt,
        text.replace("creek", '"creek"').replace("bore", '" bore "'),
    )
    for number, file in enumerate(files):
        code, said = take("water", file)
        assert code == 0, said
        assert said.endswith("Nothing to record.\n") == (number > 0)
    found = _in_force(folder, "water", "bore")
    assert isinstance(found, Water) and (found.ec_ms_cm, found.ca_mg_l, found.nitrate_mg_l) == (0.6, 18.0, 0.6)


def test_nitrate_is_shown_as_nitrogen(take: Import, capsys: pytest.CaptureFixture[str]) -> None:
    """10 mg/L of NO3 is 2.26 of N (x 0.2259): whoever means the other sees it before it is recorded."""
    text = _changed(_template("water", capsys), {"water": "bore", "nitrate (mg/L)": "10", "nitrate as": "NO3"})
    assert take("water", text, "--dry-run")[1].splitlines()[1].split()[-1] == "2.3"


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
    refused: Callable[[str, str], list[str]],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Row, column, what was got, what was expected; and nothing else is told of it."""
    errors = refused(what, _changed(_template(what, capsys), cells))
    ours = [error for error in errors if error.startswith(f"row 2, {expected}")]
    assert len(ours) == 1, errors
    assert len(errors) == 1 or what == "recommendations"  # the second row may then differ, or be no more what it was


def test_whatever_is_common_is_so_in_every_row(
    refused: Callable[[str, str], list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    """A recommendation of two dates is two: the second row says what the first one had. A nutrient comes once."""
    text = _changed(_template("recommendations", capsys), {"by": "Ira", "every (days)": "14"}, row=2)
    assert [error.partition("; expected")[0] for error in refused("recommendations", text)] == [
        "row 3, column by: got Ira",
        "row 3, column every (days): got 14.0",
    ]
    twice = _changed(_template("recommendations", capsys), {"nutrient": "N", "figures": "elemental"}, row=2)
    (error,) = [e for e in refused("recommendations", twice) if e.startswith("row")]
    assert error.startswith("row 3, column nutrient: got N of mandarins_2026 again, after row 2; expected each nutr")


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
    refused: Callable[[str, str], list[str]],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A unit that is not stated, or is another one, is never guessed: the heading and what lacks are both told."""
    unknown, missing = refused("water", _template("water", capsys).replace(heading, instead, 1))
    assert unknown.startswith(f"row 1, column {instead}: got a heading nobody knows; expected one of the template's. ")
    assert hint in unknown
    assert missing.startswith(f"row 1: got no column {heading}; expected ")


def test_headings_of_a_label_that_need_a_word(
    refused: Callable[[str, str], list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    """Nitrogen without its form, and an oxide in a heading, are told how to come; a column twice is told once."""
    text = _template("products", capsys)
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
def test_a_file_that_is_no_sheet(content: bytes, expected: str, refused: Callable[[str, bytes], list[str]]) -> None:
    """What cannot be read as a sheet is told with the row where it ends to be one."""
    errors = refused("water", content)
    assert errors[0].startswith(expected)
    assert len(errors) == 1 or "commas, semicolons or tabs" in errors[1]


def test_headings_alone_are_told(refused: Callable[[str, str], list[str]], capsys: pytest.CaptureFixture[str]) -> None:
    """A file without a row below its headings is a mistake, not an import of nothing."""
    text = _template("water", capsys).splitlines()[0]
    assert refused("water", text) == ["row 2: got no row below the headings; expected at least one"]


def test_cells_too_many_or_without_a_heading(
    refused: Callable[[str, str], list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    """A decimal comma in a file with commas makes a cell more; what stands under no heading is not dropped."""
    text = _template("water", capsys)
    (error,) = refused("water", text.replace("7.1", "7,1"))
    assert error.startswith(
        "row 2: got 15 cells; expected the 14 of the headings, parted by commas. A number with a de"
    )
    headings, row = text.splitlines()
    (error,) = refused("water", f"{headings},\n{row},7\n")
    assert error == "row 2, column 15: got '7'; expected nothing: it has no heading"


def test_both_decimal_signs_are_not_guessed(
    refused: Callable[[str, str], list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    """With semicolons and one point in the file, a comma may be anything: the row that has the point is named."""
    text = _template("water", capsys).replace(",", ";").replace("0.6;N", "0,6;N")
    (error,) = refused("water", text)
    assert error == (
        "row 2, column nitrate (mg/L): got '0,6'; expected a decimal point. "
        "Row 2 has 0.6: write one decimal sign throughout the file"
    )


def test_all_errors_at_once_and_nothing_half_stored(
    folder: Path, refused: Callable[[str, str], list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    """Rows beside a wrong one are right and yet not stored; empty rows count, as they do in the spreadsheet."""
    headings, row = _template("products", capsys).splitlines()
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
    assert _in_force(folder, "product", "right") is None


def test_events_by_stage(folder: Path, take: Import, capsys: pytest.CaptureFixture[str]) -> None:
    """Where every irrigation is an event, each stage says how many it has; without one of the two it is refused."""
    text = _template("recommendations", capsys)
    columns = ",".join(f"stage {n} events" for n in range(1, 6))
    text = text.replace("stage 1 events", columns).replace(",,25\n", ",4,10,20,20,8,25\n").replace(",7,", ",,")
    code, said = take("recommendations", text)
    assert code == 0 and "by stage 4 / 10 / 20 / 20 / 8" in said
    plan = _in_force(folder, "recommendation", "mandarins_2026")
    assert isinstance(plan, Recommendation) and (plan.events, plan.every_days) == ((4, 10, 20, 20, 8), None)
    code, said = take("recommendations", text.replace(",4,10,20,20,8,25\n", ",,,,,,25\n"))
    assert code == 2 and "got both or none of every_days and events; expected one" in said


def test_solubility_by_temperature(folder: Path, take: Import, capsys: pytest.CaptureFixture[str]) -> None:
    """A column for each temperature, as many as the label has."""
    heading = "soluble at 20 C (g per 100 g water)"
    text = _template("products", capsys).replace(heading, "soluble at 25 C (g per 100 g water)")
    text = _changed(text, {"soluble at 10 C (g per 100 g water)": "95", "soluble at 25 C (g per 100 g water)": "120"})
    assert take("products", text)[0] == 0
    product = _in_force(folder, "product", "calcium_nitrate")
    assert isinstance(product, Product)
    assert [(point.at_c, point.g_per_100_g_water) for point in product.solubility] == [(10.0, 95.0), (25.0, 120.0)]


def test_json_of_an_import(take: Import, capsys: pytest.CaptureFixture[str]) -> None:
    """What is recorded with its version, what was there already, and whether it was recorded."""
    text = _template("products", capsys)
    code, said = take("products", text, "--json", "--dry-run")
    planned = json.loads(said)
    assert code == 0 and not planned["is_recorded"] and planned["said"] == "Nothing was recorded: --dry-run."
    code, said = take("products", text, "--json")
    recorded = json.loads(said)
    assert recorded["is_recorded"] and recorded["decisions"] == planned["decisions"] and recorded["schema"] == 1
    (decision,) = recorded["decisions"]
    assert (decision["kind"], decision["key"], decision["version"]) == ("product", "calcium_nitrate", 1)
    assert decision["body"]["analysis_pct"] == {"N_nitrate": 14.4, "N_ammonium": 1.1, "Ca": 26.3}
    code, said = take("products", text.replace("0.85", "0.9"), "--json")
    assert json.loads(said)["decisions"][0]["version"] == 2
    code, said = take("products", text.replace("0.85", "0.9"), "--json")
    assert json.loads(said)["unchanged"] == [{"kind": "product", "key": "calcium_nitrate"}]


_CYCLE = """
[cycle.figs]
crop = "figs"
blocks = ["ridge", "hill"]
starts = 2027-07-01
ends = 2028-06-30
stages = [{ name = "rest", starts = 2027-07-01 }]
[recommendation.figs_2027]
cycle = "figs"
by = "Ira"
on = 2027-06-01
basis = "soil test"
every_days = 7
needs.N = { kg_ha = 50.0, shares = [1.0] }
"""


def test_decisions_of_a_file_come_together(folder: Path, take: Import) -> None:
    """A recommendation and the cycle that it is for are one record: neither fits without the other."""
    code, said = take("decisions", _CYCLE)
    assert code == 0 and "Recorded cycle figs as version 1, recommendation figs_2027 as version 1." in said
    assert read_in_force(folder / LEDGER).versions["recommendation", "figs_2027"] == 1


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
        ("[cycle.figs]", "[cycle.figs", "decisions file: got text that is not TOML"),
        (
            'crop = "figs"',
            'crop = "figs"\ncrp = 1',
            "cycle.figs.crp: got a key nobody knows; expected a key of this se",
        ),
    ],
)
def test_decisions_that_do_not_fit(old: str, new: str, expected: str, refused: Callable[[str, str], list[str]]) -> None:
    """An unknown block or cycle, a wrong value or key: told by its path, and neither decision is stored."""
    errors = refused("decisions", _CYCLE.replace(old, new))
    assert errors[0].startswith(expected)
    assert len(errors) == 1 or "cycles" in expected  # the recommendation then lacks its cycle


def test_a_wrong_decision_hides_no_other_error(refused: Callable[[str, str], list[str]]) -> None:
    """What names a decision that is wrong in itself is right: it is there, and its own error is told."""
    text = (
        _CYCLE.replace("ends = 2028-06-30", 'ends = "soon"')
        + '[water.bore]\non = 2026-01-01\n[block.hall]\nwhy = "x"\n'
    )
    places = {error.partition(":")[0] for error in refused("decisions", text)}
    assert {"cycle.figs.ends", "water.bore.ph", "block.hall"} <= places
    assert not any(place.startswith("recommendation") for place in places)


def test_a_mix_is_corrected_with_a_reason(folder: Path, take: Import) -> None:
    """The file of decisions goes the same way as everything else: runs since would be restated, and must say why."""
    text = (KESTREL_BEND / "decisions.toml").read_text("utf-8").replace("kg = 180.0", "kg = 160.0")
    code, said = take("decisions", text)
    assert code == 2 and "mix.a_13_oct.why: got nothing; expected why it was wrong" in said
    code, said = take(
        "decisions", text.replace('lot = "CN-2231", bags = 9 }]', 'lot = "CN-2231" }]\nwhy = "a bag less"')
    )
    assert code == 0 and "Recorded mix a_13_oct as version 2." in said
    assert "In the record as they are: " in said


def test_a_file_or_record_that_is_not_there(
    folder: Path, tmp_path_factory: pytest.TempPathFactory, capsys: pytest.CaptureFixture[str]
) -> None:
    """No file, a folder, no site, a template of what has none: each says what to do. No record yet: exit 4."""
    site, none = folder / "site.toml", tmp_path_factory.mktemp("new")
    for words, code, expected in (
        (("products", none / "no.csv", site), 2, "cannot be read"),
        (("products", none, site), 2, "cannot be read"),
        (("products",), 2, "expected FILE and SITE. --template prints a file to fill in"),
        (("decisions", "--template"), 2, "Examples: shiftwright demo --copy DIR. Every key: shiftwright schema decis"),
    ):
        assert main(["import", *map(str, words), "--db", str(folder)]) == code
        assert expected in capsys.readouterr().err
    (none / "waters.csv").write_text(_template("water", capsys), "utf-8")
    real = ["import", "water", str(none / "waters.csv"), str(site), "--db", str(none / "db")]
    assert main([*real, "--dry-run"]) == 0
    assert main(real) == 4
    assert "start the daemon once" in capsys.readouterr().err
    assert not (none / "db").exists()


def test_somebody_decided_otherwise_meanwhile(
    take: Import, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What the daemon refuses after all is exit 1, with its reason."""
    text = _template("products", capsys)
    monkeypatch.setattr(importing, "record", lambda *_: Answer("c1", False, "version 1 is there already"))
    assert take("products", text) == (1, "shiftwright: version 1 is there already\n")


def test_a_folder_closed_to_this_user(
    take: Import, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The system's own reason, and what to look at."""

    def closed(*_: object) -> Answer:
        raise PermissionError(13, "Permission denied")

    text = _template("products", capsys)
    monkeypatch.setattr(importing, "record", closed)
    code, said = take("products", text)
    assert code == 2 and "Permission denied; expected a folder this user may write. See --db" in said

"""A CSV file as spreadsheets write it: whatever parts its cells, the same numbers are read."""

import csv
import io

from hypothesis import given
from hypothesis import strategies as st

from daemon.cli.sheet import Column, key_of, read_sheet, template

_COLUMNS = (
    Column("name", "a", "a name"),
    Column("Ca (mg/L)", "1", "mg of Ca in a litre", "number"),
    Column("note", "", "anything", needed=False),
)
_NUMBERS = st.decimals(min_value=0, max_value=10**6, places=2)
_TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=12)


def _written(rows: list[list[str]], separator: str) -> bytes:
    text = io.StringIO()
    csv.writer(text, delimiter=separator).writerows([["name", "Ca (mg/L)", "note"], *rows])
    return text.getvalue().encode()


@given(
    st.lists(st.tuples(_TEXTS, _NUMBERS, _TEXTS), min_size=1, max_size=5),
    st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ",")]),
    st.booleans(),
)
def test_every_way_to_write_a_number_is_one_number(
    rows: list[tuple[str, object, str]], way: tuple[str, str], mark: bool
) -> None:
    """Two decimals are no thousands: read as they were written, by any separator, with a mark or without."""
    separator, decimal = way
    content = _written([[name, str(number).replace(".", decimal), note] for name, number, note in rows], separator)
    sheet = read_sheet(b"\xef\xbb\xbf" * mark + content, _COLUMNS, {})
    assert sheet.problems == ()
    found = [(row.values["name"], row.values["ca_mg_l"], row.values["note"]) for row in sheet.rows]
    assert found == [(name, float(str(number)), note) for name, number, note in rows]


@given(st.integers(1, 999), st.integers(0, 999), st.sampled_from([",", ";", "\t"]))
def test_what_may_be_thousands_is_never_a_number(whole: int, rest: int, separator: str) -> None:
    """1,234 is 1234 to one reader and 1.234 to another: refused, whatever parts the cells, with what to write."""
    (problem,) = read_sheet(_written([["a", f"{whole},{rest:03}", ""]], separator), _COLUMNS, {}).problems
    assert problem.where == "row 2, column Ca (mg/L)"
    assert problem.hint == f"Write {whole}{rest:03}, or {whole}.{rest:03} with points throughout"


@given(st.binary(max_size=60), st.booleans())
def test_no_bytes_break_the_reader(content: bytes, has_headings: bool) -> None:
    """Whatever the file: problems, or rows with all that they need."""
    sheet = read_sheet(b"name;Ca (mg/L)\n" * has_headings + content, _COLUMNS, {})
    assert sheet.problems or sheet.rows
    assert sheet.problems or all({"name", "ca_mg_l"} <= row.values.keys() for row in sheet.rows)


def test_headings_are_one_in_every_spelling() -> None:
    """Case, spaces and brackets are a spreadsheet's own; the unit is not."""
    assert {key_of(text) for text in ("Ca (mg/L)", " ca mg/l ", "CA [mg/L]", "ca_mg_l")} == {"ca_mg_l"}
    assert key_of("stage 1 (%)") == "stage_1_pct" != key_of("stage 1")


def test_the_template_is_a_sheet_of_its_own() -> None:
    """Headings, an example row, and a second one where it differs."""
    assert template(_COLUMNS, {"name": "b, c"}) == 'name,Ca (mg/L),note\na,1,\n"b, c",1,\n'
    assert read_sheet(template(_COLUMNS, {}).encode(), _COLUMNS, {}).problems == ()

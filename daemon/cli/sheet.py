"""A CSV file as spreadsheets write it: its cells by heading, with all that is wrong in it told by row and column.

Taken on purpose: comma, semicolon or tab between cells; a byte order mark; a decimal comma where another sign parts
the cells and no number has a point; empty rows and columns; headings in any case. Refused, for it could be read in two
ways: 1,234; one file with both decimal signs; text that is not UTF-8.
"""

import csv
import difflib
import io
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from drivers.profile import Problem

_SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
_QUOTED = re.compile(r'"[^"]*"')
_POINT = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.IGNORECASE)
_COMMA = re.compile(r"[+-]?\d+,\d+")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")


@dataclass(frozen=True, slots=True)
class Column:
    """One column that a file may have, or several that differ by a number."""

    heading: str
    """As the template prints it, with its unit."""
    example: str
    expected: str
    """What a cell holds, in words."""
    holds: Literal["text", "number", "day"] = "text"
    needed: bool = True
    """Whether a file must have it, and every row; of several that differ by a number, one of them and any row none."""
    pattern: str = ""
    """Of the keys that it stands for, where it is more than one."""
    more: tuple[tuple[str, str], ...] = ()
    """Further headings and examples for the template."""

    @property
    def key(self) -> str:
        """Return the heading without what spreadsheets change in it."""
        return key_of(self.heading)

    def is_of(self, key: str) -> bool:
        """Return whether the column stands for a key."""
        return re.fullmatch(self.pattern, key) is not None if self.pattern else key == self.key


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a file."""

    number: int
    """As a spreadsheet counts, the headings' own row and empty ones included."""
    values: Mapping[str, Any]
    """What its cells hold, by key; a cell that is empty, or wrong, is not there."""
    headings: Mapping[str, str]
    """As the file has them, by key."""
    wrong: frozenset[str]
    """Keys of cells that hold something else than they should; told already."""

    def place(self, key: str) -> str:
        """Return where a cell stands."""
        return f"row {self.number}, column {self.headings[key]}" if key in self.headings else f"row {self.number}"


@dataclass(frozen=True, slots=True)
class Sheet:
    """A file that was read."""

    rows: tuple[Row, ...]
    problems: tuple[Problem, ...]


def key_of(heading: str) -> str:
    """Return a heading in lower case, its spaces and signs as underscores: "Ca (mg/L)" is ca_mg_l."""
    return re.sub(r"[^a-z0-9]+", "_", heading.lower().replace("%", " pct ")).strip("_")


def template(columns: Iterable[Column], second: Mapping[str, str]) -> str:
    """Return a CSV file with the headings, one example row, and where `second` says in what it differs another."""
    cells = [cell for column in columns for cell in ((column.heading, column.example), *column.more)]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerows(zip(*cells, strict=True))
    if second:
        writer.writerow([second.get(heading, example) for heading, example in cells])
    return text.getvalue()


def read_sheet(content: bytes, columns: Sequence[Column], hints: Mapping[str, str]) -> Sheet:
    """Return the rows of a file, and every problem in it. `hints` say of keys that are no column what is meant."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        got = "UTF-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else f"the byte {content[error.start]:#04x}"
        return _unreadable(f"row {line}", f"{got}, which is not UTF-8", "text in UTF-8", "Save it as CSV UTF-8")
    separator = _separator(text)
    records: list[list[str]] = []
    try:
        for cells in csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True):
            records.append([cell.strip() for cell in cells])
    except csv.Error as error:
        hint = "Inside a cell in quotes, write a quote twice"
        return _unreadable(f"row {len(records) + 1}", f"quotes that do not match ({error})", "pairs of them", hint)
    numbered = [(number, cells) for number, cells in enumerate(records, 1) if any(cells)]
    if not numbered:
        return _unreadable("row 1", "an empty file", "a row of headings", "--template prints one")
    headings, *below = numbered
    keys, problems = _headings(*headings, columns, hints)
    if not below and not problems:
        problems.append(Problem(f"row {headings[0] + 1}", "no row below the headings", "at least one"))
    rows: list[Row] = []
    if not problems:
        against_commas = _against_commas(separator, keys, below)
        for number, cells in below:
            row, wrong = _row(number, cells, keys, headings[1], separator, against_commas)
            rows.append(row)
            problems += wrong
    return Sheet(tuple(rows), tuple(problems))


def _unreadable(*problem: str) -> Sheet:
    return Sheet((), (Problem(*problem),))


def _separator(text: str) -> str:
    """Return the sign between the cells of the first row that has any."""
    first = _QUOTED.sub("", next((line for line in text.splitlines() if line.strip()), ""))
    return max(_SEPARATORS, key=first.count)


def _headings(
    number: int, cells: Sequence[str], columns: Sequence[Column], hints: Mapping[str, str]
) -> tuple[list[Column | None], list[Problem]]:
    """Return the column of each cell, None where all is empty, and what is wrong with the headings."""
    found: list[Column | None] = []
    problems: list[Problem] = []
    keys = [key_of(cell) for cell in cells]
    for place, (heading, key) in enumerate(zip(cells, keys, strict=True)):
        column = next((column for column in columns if column.is_of(key)), None)
        found.append(column)
        where = f"row {number}, column {heading or place + 1}"
        if heading and column is None:
            hint = hints.get(key) or _meant(key, columns)
            problems.append(Problem(where, "a heading nobody knows", "one of the template's", hint))
        elif heading and key in keys[:place]:
            problems.append(Problem(where, "it twice", "each column once"))
    for column in columns:
        if column.needed and column not in found:
            hint = "Cells are parted by commas, semicolons or tabs" if len(cells) == 1 else "--template prints all"
            problems.append(Problem(f"row {number}", f"no column {column.heading}", column.expected, hint))
    return found, problems


def _meant(key: str, columns: Sequence[Column]) -> str:
    headings = {column.key: column.heading for column in columns}
    without_unit = [heading for known, heading in headings.items() if known.startswith(f"{key}_") and "(" in heading]
    if without_unit:
        return f"Say the unit: {without_unit[0]}"
    close = difflib.get_close_matches(key, headings, n=1, cutoff=0.5)
    return f"Nearest known: {headings[close[0]]}" if close else "--template prints them"


def _against_commas(separator: str, columns: Sequence[Column | None], rows: Sequence[tuple[int, list[str]]]) -> str:
    """Return why the numbers of a file have no decimal comma; empty where they may."""
    if separator == ",":
        return "Commas part the cells: write 12.5, or save with semicolons or tabs between them"
    for number, cells in rows:
        for cell, column in zip(cells, columns, strict=False):
            if column and column.holds == "number" and "." in cell and _POINT.fullmatch(cell):
                return f"Row {number} has {cell}: write one decimal sign throughout the file"
    return ""


def _row(
    number: int,
    cells: Sequence[str],
    columns: Sequence[Column | None],
    headings: Sequence[str],
    separator: str,
    against_commas: str,
) -> tuple[Row, list[Problem]]:
    problems: list[Problem] = []
    values: dict[str, Any] = {}
    wrong: set[str] = set()
    if any(cells[len(columns) :]):
        more = "A number with a decimal comma, or text with a comma, falls apart here: write 12.5, put text in quotes"
        hint = more if separator == "," else ""
        expected = f"the {len(columns)} of the headings, parted by {_SEPARATORS[separator]}"
        problems.append(Problem(f"row {number}", f"{len(cells)} cells", expected, hint))
        return Row(number, {}, {}, frozenset(map(key_of, headings))), problems
    named = {key_of(heading): heading for heading in headings if heading}
    row = Row(number, values, named, frozenset())
    for place, (column, heading) in enumerate(zip(columns, headings, strict=True)):
        cell, key = cells[place] if place < len(cells) else "", key_of(heading)
        if column is None:
            if cell:
                problems.append(Problem(f"row {number}, column {place + 1}", repr(cell), "nothing: it has no heading"))
        elif not cell:
            if column.needed and not column.pattern:
                problems.append(Problem(row.place(key), "nothing", column.expected))
                wrong.add(key)
        else:
            found = _value(cell, column, against_commas)
            if isinstance(found, _Wrong):
                problems.append(Problem(row.place(key), repr(cell), found.expected, found.hint))
                wrong.add(key)
            else:
                values[key] = found
    return Row(number, values, named, frozenset(wrong)), problems


@dataclass(frozen=True, slots=True)
class _Wrong:
    expected: str
    hint: str = ""


def _value(cell: str, column: Column, against_commas: str) -> Any:
    if column.holds == "number":
        return _number(cell, against_commas)
    if column.holds == "day":
        try:
            return date.fromisoformat(cell)
        except ValueError:
            return _Wrong("a day as YYYY-MM-DD", "Day and month are mixed up too easily in any other order")
    return cell


def _number(cell: str, against_commas: str) -> float | _Wrong:
    if _THOUSANDS.fullmatch(cell):
        whole, _, rest = cell.partition(",")
        return _Wrong(
            "a number that reads in one way", f"Write {whole}{rest}, or {whole}.{rest} with points throughout"
        )
    if _COMMA.fullmatch(cell) and against_commas:
        return _Wrong("a decimal point", against_commas)
    text = cell.replace(",", ".") if _COMMA.fullmatch(cell) else cell
    value = float(text) if _POINT.fullmatch(text) else math.nan
    if not math.isfinite(value):
        return _Wrong("a number", "Its unit stands in the heading; a cell that nobody measured stays empty")
    return value

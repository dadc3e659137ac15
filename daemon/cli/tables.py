"""Readable tables: columns as wide as what is in them, words to the left, numbers to the right."""

from collections.abc import Sequence


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Return the lines of a table; a column whose every cell begins as a number stands to the right."""
    widths = [max(len(cell) for cell in column) for column in zip(heads, *rows, strict=True)]
    right = [all(_is_number(row[i]) for row in rows) for i in range(len(heads))]
    return [_line(cells, widths, right) for cells in (heads, *rows)]


def _is_number(cell: str) -> bool:
    return not cell or cell == "-" or cell.lstrip("+-").replace(".", "", 1).split(" ")[0].isdigit()


def _line(cells: Sequence[str], widths: Sequence[int], right: Sequence[bool]) -> str:
    pairs = zip(cells, widths, right, strict=True)
    return "  ".join(cell.rjust(width) if is_right else cell.ljust(width) for cell, width, is_right in pairs).rstrip()

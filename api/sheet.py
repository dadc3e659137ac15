"""CSV that streams: a row at a time, units in its heads, and no cell that a spreadsheet would take for a formula."""

import csv
import html
import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from fastapi.responses import StreamingResponse

_AT_ONCE = 500
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def sheet(name: str, heads: Sequence[str], rows: Iterable[Sequence[object]]) -> StreamingResponse:
    """Return a CSV (RFC 4180, UTF-8) of any length, which is never held in memory as a whole."""
    return StreamingResponse(
        _text(heads, rows),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}.csv"'},
    )


@dataclass(frozen=True, slots=True)
class Table:
    """A table of a page to print."""

    note: str
    heads: Sequence[str]
    rows: Iterable[Sequence[object]]


def printed(title: str, *tables: Table) -> StreamingResponse:
    """Return a page that prints well, also over many sheets: a table's heads stand on each of them."""
    return StreamingResponse(_page(title, tables), media_type="text/html; charset=utf-8")


def _page(title: str, tables: Iterable[Table]) -> Iterator[str]:
    yield (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{html.escape(title)}</title>'
        f"</head><body><h1>{html.escape(title)}</h1>"
    )
    for table in tables:
        yield f'<p>{html.escape(table.note)}</p><table border="1"><thead><tr>{_cells("th", table.heads)}</tr></thead>'
        yield "<tbody>"
        for row in table.rows:
            yield f"<tr>{_cells('td', row)}</tr>"
        yield "</tbody></table>"
    yield "</body></html>"


def _cells(tag: str, row: Iterable[object]) -> str:
    return "".join(f"<{tag}>{html.escape(str(cell))}</{tag}>" for cell in row)


def _text(heads: Sequence[str], rows: Iterable[Sequence[object]]) -> Iterator[str]:
    part = io.StringIO()
    writer = csv.writer(part)
    writer.writerow(heads)
    for number, row in enumerate(rows, 1):
        writer.writerow([_safe(cell) for cell in row])
        if number % _AT_ONCE == 0:
            yield part.getvalue()
            part.seek(0)
            part.truncate()
    yield part.getvalue()


def _safe(cell: object) -> object:
    """Return a cell as text where it might run; numbers stay numbers."""
    if isinstance(cell, str) and cell.startswith(_FORMULA):
        return f"'{cell}"
    return cell

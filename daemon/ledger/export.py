"""The record as a file of lines that anybody can read and check: one sealed row a line, its chain along with it."""

import json
from pathlib import Path
from typing import Any, NamedTuple, TextIO

from daemon.ledger.chain import GENESIS
from daemon.ledger.errors import LedgerDamaged
from daemon.ledger.reading import reading
from daemon.ledger.sealed import sealed_rows

FORMAT = "shiftwright evidence 1"


class Exported(NamedTuple):
    """What was written."""

    rows: int
    head: str
    """Seal of the last row: to be kept elsewhere, on paper or in a letter."""


def export_evidence(path: Path, file: TextIO) -> Exported:
    """Write every sealed row of the record at `path` to `file`, as one moment of it has them.

    A line is a JSON object of seq, kind, row and digest; the first says what this is, the last how many there are and
    the head of the chain. Raises LedgerDamaged at the first row that has no seal or no row, and as `reading` does.
    """
    with reading(path) as connection:
        (born,) = connection.execute("SELECT born FROM meta").fetchone()
        _write(file, {"format": FORMAT, "born": born})
        rows, head = 0, GENESIS
        for found in sealed_rows(connection):
            if found.row is None or found.digest is None:
                raise LedgerDamaged(
                    f"{path}: row {found.seq} of {found.kind} has no row or no seal; nothing is exported"
                )
            _write(file, {"seq": found.seq, "kind": found.kind, "row": dict(found.row), "digest": found.digest})
            rows, head = rows + 1, found.digest
        _write(file, {"rows": rows, "head": head})
    return Exported(rows, head)


def _write(file: TextIO, line: dict[str, Any]) -> None:
    file.write(json.dumps(line, sort_keys=True, separators=(",", ":"), ensure_ascii=False) + "\n")

"""Files that are imported into a record of Kestrel Bend, and what is made of them."""

import csv
import io
from collections.abc import Callable
from pathlib import Path

import pytest

from daemon.cli.main import main
from daemon.decisions.base import Decision
from daemon.folder import LEDGER
from daemon.ledger.in_force import read_in_force

KINDS = ("recommendations", "products", "water")

Import = Callable[..., tuple[int, str]]
"""Imports a text or bytes; returns the exit code and what was said, errors included."""
Refused = Callable[[str, str | bytes], list[str]]
"""Imports what must be refused; returns the errors, one a line."""

FIGS = """
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


def template_of(what: str, capsys: pytest.CaptureFixture[str]) -> str:
    """Return the template of a kind, as it is printed."""
    assert main(["import", what, "--template"]) == 0
    return capsys.readouterr().out


def with_cells(text: str, changes: dict[str, str], row: int = 1) -> str:
    """Return a template with some cells changed by heading; row 1 is the first below the headings."""
    rows = list(csv.reader(io.StringIO(text)))
    for heading, cell in changes.items():
        rows[row][rows[0].index(heading)] = cell
    made = io.StringIO()
    csv.writer(made, lineterminator="\n").writerows(rows)
    return made.getvalue()


def in_force(folder: Path, kind: str, key: str) -> Decision | None:
    """Return what the record in a folder has in force."""
    return read_in_force(folder / LEDGER).decisions.get((kind, key))

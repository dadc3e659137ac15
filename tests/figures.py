"""Figures that runs reached, kept beside the tests: rows of DEVELOPERS.md's claims table are printed from them.

With `SHIFTWRIGHT_RECORD=1` in the environment a run keeps what it reached; `python -m tests.figures` then prints the
rows into DEVELOPERS.md, and tests/test_figures.py compares the two.
"""

import json
import os
from collections.abc import Mapping
from pathlib import Path

FOLDER = Path(__file__).with_name("recorded")
DEVELOPERS = Path(__file__).parents[1] / "DEVELOPERS.md"
COLUMNS = ("claim", "test", "aim", "reached", "limit")
_ASKED = "SHIFTWRIGHT_RECORD"


def record(name: str, *, claim: str, test: str, aim: str, reached: str, limit: str = "") -> None:
    """Keep what a run reached in place of what the last one did, where the run was asked to."""
    if os.environ.get(_ASKED) != "1":
        return
    row = dict(zip(COLUMNS, (claim, test, aim, reached, limit), strict=True))
    FOLDER.mkdir(exist_ok=True)
    (FOLDER / f"{name}.json").write_text(json.dumps(row, indent=1) + "\n", "utf-8")


def recorded() -> dict[str, Mapping[str, str]]:
    """Return each row of the claims table that a run reached, by the name of what was run."""
    return {path.stem: json.loads(path.read_text("utf-8")) for path in sorted(FOLDER.glob("*.json"))}


def rows() -> list[str]:
    """Return the recorded rows as lines of the table."""
    return ["| " + " | ".join(row[column] for column in COLUMNS) + " |" for row in recorded().values()]


def printed(text: str) -> str:
    """Return DEVELOPERS.md with every recorded row in the place of the one with its claim, or after the last row."""
    lines = text.splitlines()
    for row in rows():
        claim = row.split(" | ", 1)[0] + " |"
        found = [number for number, line in enumerate(lines) if line.startswith(claim)]
        if found:
            lines[found[0]] = row
        else:
            lines.insert(max(number for number, line in enumerate(lines) if line.startswith("|")) + 1, row)
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    DEVELOPERS.write_text(printed(DEVELOPERS.read_text("utf-8")), "utf-8")

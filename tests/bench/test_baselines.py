"""A baseline is the plainest program that does the same: short, and with nothing of ours in it."""

import ast
from pathlib import Path

import pytest

from tests.bench.figures import Figure, table

_FILES = sorted(Path(__file__).with_name("baselines").glob("*.py"))
_OURS = {"api", "daemon", "drivers", "sim", "tests"}
_MOST_LINES = 30


@pytest.mark.parametrize("file", _FILES, ids=[file.stem for file in _FILES])
def test_a_baseline_is_short_and_nothing_of_ours(file: Path) -> None:
    """Guards the measure: a ratio to code of our own would say nothing."""
    text = file.read_text("utf-8")
    assert len(text.splitlines()) <= _MOST_LINES
    named: set[str] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            named |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, "a relative import is ours"
            named.add((node.module or "").partition(".")[0])
    assert not named & _OURS


def test_a_figure_stands_beside_its_baseline() -> None:
    """Guards the table: a figure, its aim, its baseline and how many times that it is."""
    figures = [Figure(3, "a scan", 1.5, "ms", "2", "bare", 0.5), Figure(4, "a size", 12345.6, "kB", "none", "", None)]
    assert table(figures).splitlines()[2:] == [
        "| a scan | 1.5 ms | 2 | bare: 0.5 | 3.00 |",
        "| a size | 12,346 kB | none |  |  |",
    ]

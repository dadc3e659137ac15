"""The list of chaos is whole: every id has a test that exists, or a reason."""

import ast
from itertools import groupby
from pathlib import Path

import pytest

from tests.chaos.ids import CHAOS, Item

_GROUPS = {"M": 23, "P": 13, "D": 11, "T": 7, "H": 16, "U": 12, "X": 6}
_TESTS = Path(__file__).parents[1]


def test_every_id_is_there_once() -> None:
    """Guards the list: a fault that is struck from it is missed."""
    found = [item.id for item in CHAOS]
    wanted = [f"{group}{number}" for group, count in _GROUPS.items() for number in range(1, count + 1)]
    assert found == wanted
    assert [group for group, _ in groupby(found, key=lambda name: name[0])] == list(_GROUPS)


@pytest.mark.parametrize("item", CHAOS, ids=lambda item: item.id)
def test_each_has_its_tests_or_a_reason(item: Item) -> None:
    """Guards each line: the tests that it names are there."""
    assert item.tests or item.left_out
    for test in item.tests:
        file, _, name = test.partition("::")
        tree = ast.parse((_TESTS / file).read_text("utf-8"))
        assert name in {node.name for node in tree.body if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)}

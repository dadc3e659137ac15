"""The matrix against the cause-and-effect table that was agreed on: matrix.txt is changed by hand, and on purpose.

Times are in seconds, at the small plant and at the one with every kind of injector.
"""

from pathlib import Path

import pytest

from daemon.control.cause import Interlock
from daemon.control.interlocks import MATRIX
from daemon.control.states import Phase
from tests.daemon.control.plant import small
from tests.daemon.control.sites import every

_AGREED = Path(__file__).with_name("matrix.txt").read_text("utf-8").splitlines()
_LETTERS = {None: "-", Phase.FILL: "F", Phase.PREWET: "P", Phase.INJECT: "I", Phase.FLUSH: "L"}
_FLAGS = ("latched", "wakes", "of_shift", "resumes", "bypassable")


def _line(row: Interlock) -> str:
    """Return the row as a line of the table."""
    sites = (small().site, every().site)
    times = {
        "delay": [row.delay_s(site) for site in sites],
        "clear": [row.clear_s(site) for site in sites],
        "window": [row.window_s(site) for site in sites],
    }
    parts = [
        row.code,
        row.effect.name,
        "".join(letter for phase, letter in _LETTERS.items() if phase in row.phases),
        f"{row.priority.name} reset by {row.reset.value}",
        f"instrument {row.instrument_s:g}",
        *(f"{name} {' '.join(f'{s:g}' for s in both)}" for name, both in times.items() if any(both)),
        *(flag for flag in _FLAGS if getattr(row, flag)),
    ]
    return "; ".join(parts)


@pytest.mark.parametrize("agreed", _AGREED, ids=lambda line: line.split(";")[0])
def test_a_row_is_as_agreed(agreed: str) -> None:
    """Guards the matrix as data: effect, phases, times, who resets, how soon somebody must act."""
    code = agreed.split(";")[0]
    assert [_line(row) for row in MATRIX if row.code == code] == [agreed]


def test_no_row_is_missing_and_their_order_is_the_tables() -> None:
    """Guards first-out: of two alike the earlier row is named."""
    assert [row.code for row in MATRIX] == [line.split(";")[0] for line in _AGREED]

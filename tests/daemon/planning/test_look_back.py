"""What planning may leave out of the record: nothing that a budget, a cap's year or a cycle under way still counts."""

from datetime import UTC, date, datetime, timedelta

import pytest

from daemon.decisions.crops import Cycle, Stage
from daemon.planning.look_back import look_back_to

NOW = datetime(2036, 3, 1, 9, 0, tzinfo=UTC)


def _cycle(starts: date, ends: date) -> Cycle:
    return Cycle(
        crop="mandarins", blocks=("creek",), starts=starts, ends=ends, stages=(Stage(name="all", starts=starts),)
    )


@pytest.mark.parametrize(
    ("starts", "ends", "reaches"),
    [
        (date(2035, 7, 1), date(2036, 6, 30), False),
        (date(2030, 7, 1), date(2036, 6, 30), True),
        (date(2030, 7, 1), date(2036, 2, 29), True),
        (date(2030, 7, 1), date(2036, 2, 20), False),
    ],
)
def test_it_reaches_back_to_every_cycle_under_way(starts: date, ends: date, reaches: bool) -> None:
    """Two years always; to the first day of a longer cycle in any zone, unless it is over in every zone."""
    found = look_back_to({("cycle", "crop"): _cycle(starts, ends)}, NOW)
    first = datetime(starts.year, starts.month, starts.day, tzinfo=UTC) - timedelta(hours=14)
    assert found <= first if reaches else found == NOW - timedelta(days=800)

"""The same night over serial lines: a bus of RTU frames on a line of this computer, and one behind a converter."""

from pathlib import Path

import pytest

from tests.night.nights import watched_night
from tests.night.sites import SHORT_PIPES

pytestmark = pytest.mark.plant

_TCP = 'kind = "tcp"\nhost = "127.0.0.1"\nport = 15020\n'
_CONVERTER = 'kind = "rtu_over_tcp"\nhost = "127.0.0.1"\nport = 15020\n'
_LINE = 'kind = "rtu"\nline = "{line}"\nbaud = 19200\nparity = "N"\nstop_bits = 2\n'


@pytest.mark.parametrize("bus", [_LINE, _CONVERTER], ids=["rtu", "rtu_over_tcp"])
def test_a_whole_night_over_rtu(bus: str, tmp_path: Path) -> None:
    """Water and stock are delivered, the truth lies in the k = 2 band, and no request of the night went wrong."""
    failures: list[str] = []
    watched = watched_night(
        tmp_path,
        site=SHORT_PIPES | {_TCP: bus.format(line=tmp_path / "shed-line")},
        look=lambda service, simulator, scanned: failures.extend(
            health.last_failure for health in service.field.health().values() if health.last_failure
        ),
    )
    assert not failures
    ended = watched.report.ended
    assert ended is not None
    assert (ended.row.state, ended.row.outcome) == ("COMPLETE", "DELIVERED")
    assert watched.report.doses
    for row in watched.report.metered:
        assert abs(row.delivered_mg - 1e6 * watched.truth_kg(row.nutrient)) <= row.u_delivered_mg + 1.0, row
    assert not (tmp_path / "shed-line").is_symlink()

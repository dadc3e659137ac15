"""A far probe's breakthrough against the simulator's own pipes: it tells the transit, and what is wrong with it.

Core only. The simulator gives every emitter its own arrival; the daemon knows litres alone.
"""

import json
from typing import Any

import pytest

from daemon.evidence import Event
from tests.night.core import charged_night
from tests.night.places import Place
from tests.night.witness_nights import orchard, witnessed

_PROGRAM = "low_night"
"""Its creek block has the probe."""
_SEEDS = range(97_000, 97_006)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    """Write Kestrel Bend with short pipes and a third of its water."""
    return orchard(tmp_path_factory.mktemp("fronts"), 0.3)


def _front(night: Any) -> dict[str, Any]:
    (event,) = (row for row in night.rows if isinstance(row, Event) and row.code == "breakthrough")
    found: dict[str, Any] = json.loads(event.detail)
    assert found["block"] == "creek"
    return found


def _perfect(place: Place, **hidden: float) -> dict[str, Any]:
    night, (recipe,) = charged_night(
        place.site_file, place.decisions, 1, (_PROGRAM,), perfect=True, scan_s=2.0, fixed=hidden
    )
    for _ in night.run(recipe):
        pass
    return _front(night)


def test_without_errors_the_front_comes_as_reckoned(place: Place) -> None:
    """Guards the reckoned transit against a plant of single emitters: within 2 %, and it says that it agrees."""
    found = _perfect(place)
    assert found["seen_ml"] == pytest.approx(found["planned_ml"], rel=0.02)
    assert abs(found["en_thousandths"]) < 200


@pytest.mark.parametrize("factor", [0.8, 1.25])
def test_pipes_that_are_not_as_drawn_show(place: Place, factor: float) -> None:
    """Guards the fresh transit: it goes with the pipes' real volume, of which the account knows nothing."""
    found = _perfect(place, pipe_volume=factor)
    assert found["seen_ml"] == pytest.approx(factor * found["planned_ml"], rel=0.03)
    assert found["en_thousandths"] * (factor - 1.0) > 0.0


def test_the_band_holds_on_plants_drawn_by_seed(place: Place) -> None:
    """Guards E_n: where pipes, flows, meter and probe are off by what is said of them, front and plan agree."""
    ens = [_front(witnessed(place, seed, _PROGRAM).night)["en_thousandths"] / 1000.0 for seed in _SEEDS]
    assert len(set(ens)) == len(ens) and all(abs(en) <= 1.2 for en in ens)

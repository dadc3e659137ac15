"""The guard over time: resets that come too often, and dead bands."""

from daemon.control.requests import Request
from daemon.control.states import Phase
from daemon.messages import TECHNICIAN, Verb
from tests.daemon.control.plant import Rig, changed, reached, short_recipe, small


def _tripped(rig: Rig) -> None:
    rig.state = changed(rig.state, guard=rig.state.guard._replace(active=frozenset({"pressure-high"})))


def _reset(rig: Rig, role: str = "operator") -> bool:
    return rig.scan(Request(f"r{rig.steps}", Verb.RESET, role=role)).answers[0].accepted


def test_the_fourth_reset_within_an_hour_is_a_technicians() -> None:
    """Guards rule 8: three resets of one cause, then a technician, who forgives all of them; START is refused too."""
    rig = Rig(small())
    for _ in range(3):
        _tripped(rig)
        assert _reset(rig) and not rig.state.guard.active
        rig.scans(30)
    _tripped(rig)
    assert not _reset(rig)
    refused = rig.start(short_recipe())
    assert not refused.accepted and "technician" in refused.reason
    assert _reset(rig, TECHNICIAN) and not rig.state.guard.active
    _tripped(rig)
    assert _reset(rig), "the technician's reset has forgotten the others"


def test_resets_are_forgotten_after_an_hour() -> None:
    """Guards rule 8: three resets a night apart bar nothing."""
    rig = Rig(small())
    for _ in range(5):
        _tripped(rig)
        assert _reset(rig)
        rig.scans(240, dt_s=5.0)
        rig.scans(500, dt_s=5.0)


def test_low_pressure_has_a_dead_band() -> None:
    """Guards hysteresis: at its limit it does not chatter; it goes 5 % above, and only after it has stayed there."""
    rig = reached(Phase.PREWET)
    least_kpa = rig.plant.site.main.min_pressure_kpa
    rig.pressure_kpa = 0.99 * least_kpa
    rig.scan()
    assert "pressure-low" in rig.state.guard.active
    rig.pressure_kpa = 1.03 * least_kpa
    rig.scans(5)
    assert "pressure-low" in rig.state.guard.active
    rig.pressure_kpa = 1.06 * least_kpa
    rig.scan()
    assert "pressure-low" in rig.state.guard.active
    rig.scans(2)
    assert "pressure-low" not in rig.state.guard.active

"""What the output module shows of itself: its clock, its time-out, and what it holds against what was commanded."""

import pytest

from daemon.control.image import ChannelOutput, Image, Now, Outputs
from daemon.control.sense_module import ModuleFacts, ModuleSense, sense_module
from drivers.reading import Quality, Reading
from tests.daemon.control.plant import Rig, changed, small

_ON = Outputs(pump=True, blocks=frozenset({"creek"}), channels={"a": ChannelOutput(valve=True, run=True, drive=0.5)})


def _looked(memory: ModuleSense, image: Image, last: Outputs = Outputs()) -> tuple[ModuleSense, ModuleFacts]:  # noqa: B008
    return sense_module(small().site, memory, image, last, Now(1.0, 100.0))


def _image(held: Outputs | None = None, **readings: float) -> Image:
    """Return the image of a module that holds these outputs, with some of its own readings."""
    rig = Rig(small(), at_s=100.0)
    if held is not None:
        rig.held = held
    return changed(rig.see(), **{name: Reading(value, Quality.GOOD, 100.0) for name, value in readings.items()})


def test_a_clock_that_goes_back_is_a_restart_and_one_that_stands_is_frozen() -> None:
    """Guards heartbeat and reboot: by the module's own seconds, whatever its outputs show."""
    memory, facts = _looked(ModuleSense(), _image(output_uptime_s=50.0))
    assert not facts.has_restarted and not facts.is_frozen
    for second in range(1, 7):
        memory, facts = _looked(memory, _image(output_uptime_s=50.0))
        assert facts.is_frozen is (second > 5)
    memory, facts = _looked(memory, _image(output_uptime_s=51.0))
    assert not facts.is_frozen and not facts.has_restarted
    memory, facts = _looked(memory, _image(output_uptime_s=3.0))
    assert facts.has_restarted
    memory, facts = _looked(memory, _image(output_uptime_s=4.0))
    assert not facts.has_restarted, "a fact of one scan"


def test_a_clock_that_cannot_be_read_proves_nothing() -> None:
    """Guards a lost reading: it is no restart, and what was known stays."""
    memory, _ = _looked(ModuleSense(), _image(output_uptime_s=50.0))
    lost = changed(_image(), output_uptime_s=Reading(0.0, Quality.BAD, 100.0))
    after, facts = _looked(memory, lost)
    assert after.uptime_s == 50.0 and not facts.has_restarted and not facts.is_frozen


def test_all_off_at_once_against_the_command_is_a_restart() -> None:
    """Guards a module without a clock: it had its outputs on, should have them on, and has none."""
    memory, facts = _looked(ModuleSense(), _image(_ON), _ON)
    assert facts.matches and memory.on == {"pump", "valve.creek", "injector.a", "injection_valve.a"}
    _, facts = _looked(memory, _image(), _ON)
    assert facts.has_restarted and not facts.matches
    _, facts = _looked(memory, _image(changed(_ON, pump=False)), _ON)
    assert not facts.has_restarted and not facts.matches, "one output that is off is no restart"
    _, facts = _looked(ModuleSense(), _image(), _ON)
    assert not facts.has_restarted, "nothing was seen on yet"


def test_an_injector_whose_valve_alone_is_commanded_matches_so() -> None:
    """Guards the read-back of each output by itself: the intake valve opens a scan before the injector."""
    valve_alone = changed(_ON, channels={"a": ChannelOutput(valve=True)})
    assert _looked(ModuleSense(), _image(valve_alone), valve_alone)[1].matches
    assert not _looked(ModuleSense(), _image(_ON), valve_alone)[1].matches
    no_valve = changed(_ON, channels={"a": ChannelOutput(run=True, drive=0.5)})
    assert _looked(ModuleSense(), _image(no_valve), no_valve)[1].matches


@pytest.mark.parametrize(("shows", "self_clears"), [(1.0, True), (0.0, False)])
def test_a_time_out_that_clears_itself_is_remembered(shows: float, self_clears: bool) -> None:
    """Guards the refusal of AUTOMATIC: what the module said of its time-out stays known while it cannot be asked."""
    memory, facts = _looked(ModuleSense(self_clears=not self_clears), _image(watchdog_self_clears=shows))
    assert facts.self_clears is self_clears
    lost = changed(_image(), watchdog_self_clears=Reading(1.0 - shows, Quality.BAD, 100.0))
    assert _looked(memory, lost)[1].self_clears is self_clears


@pytest.mark.parametrize(("time_out_s", "is_armed"), [(0.0, False), (0.1, True), (10.0, True), (10.1, False)])
def test_a_time_out_is_armed_within_the_sites_bound(time_out_s: float, is_armed: bool) -> None:
    """Guards invariant 6's last floor: unset, or longer than the site allows, it protects nobody."""
    assert small().site.safety.max_watchdog_s == 10.0
    assert _looked(ModuleSense(), _image(output_watchdog_s=time_out_s))[1].watchdog_armed is is_armed

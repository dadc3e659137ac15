"""Output modules and their own time-out, on plant time."""

import pytest

from sim.relays import Drop, OutputModule


@pytest.fixture
def module() -> OutputModule:
    """Two relays, 5 s."""
    return OutputModule(["relays.out1", "relays.out2"], 5.0, lambda: None)


def test_silence_drops_every_output(module: OutputModule) -> None:
    """Guards the second line of defence: all off once the master is silent for longer than the set time."""
    module.hear(10.0)
    module.write({"relays.out1": True, "relays.out2": True}, 10.0)
    module.watch(15.0)
    assert all(module.on.values())
    module.watch(15.0937)
    assert not any(module.on.values())
    assert module.tripped
    assert module.drops["relays.out1"] == Drop(15.0937, watchdog=True)


def test_any_request_keeps_it_fed(module: OutputModule) -> None:
    """Guards the trap that a second reader hides a silent master: reads feed it too."""
    module.write({"relays.out1": True}, 0.0)
    for now_s in range(0, 60, 4):
        module.hear(float(now_s))
        module.watch(now_s + 3.9)
    assert module.on["relays.out1"]


def test_zero_means_never(module: OutputModule) -> None:
    """Guards the setting of 0."""
    module.setting_s = 0.0
    module.write({"relays.out1": True}, 0.0)
    module.watch(1e6)
    assert module.on["relays.out1"]


def test_an_ordered_off_is_not_the_watchdog_s(module: OutputModule) -> None:
    """Guards the account: who switched it off is told apart, and switching off what is off is no drop."""
    module.write({"relays.out1": True}, 1.0)
    module.write({"relays.out1": False, "relays.out2": False}, 2.0)
    assert module.drops == {"relays.out1": Drop(2.0, watchdog=False)}


def test_a_reboot_drops_all_and_starts_its_time_again(module: OutputModule) -> None:
    """Guards that a module that comes back has nothing on and counts its uptime from there."""
    module.write({"relays.out1": True}, 1.0)
    module.reboot(30.0)
    assert not any(module.on.values())
    assert module.booted_s == 30.0
    assert module.drops["relays.out1"] == Drop(30.0, watchdog=False)

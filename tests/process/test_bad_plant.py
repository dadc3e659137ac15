"""Where the plant should be there is nothing, or something else: a clear word, and nothing half-started."""

import contextlib
from pathlib import Path

import pytest

from daemon.cli.night import free_ports
from tests.night.sites import TWO_BUSES, edited
from tests.process.processes import SPEED, Said, bench, running, shiftwright
from tests.process.strangers import Manner, stranger

_RELAYS, _SIGNALS = "port = 15020", "port = 15021"


def _site(folder: Path, relays: int, signals: int) -> Path:
    file = folder / "site.toml"
    ports = {_RELAYS: f"port = {relays}", _SIGNALS: f"port = {signals}"}
    file.write_text(edited(TWO_BUSES.read_text("utf-8"), ports), "utf-8")
    return file


async def _refused(site: Path, folder: Path, *options: object) -> Said:
    """Run the daemon, which must end with 4 and leave nothing but the lock's file, which holds nothing."""
    said = await shiftwright("run", site, "--db", folder, *options)
    assert said.code == 4, said
    assert "Traceback" not in said.err
    left = {file.name for file in folder.iterdir()} if folder.exists() else set()
    assert left <= {"plant.lock"}
    return said


async def test_no_server(tmp_path: Path) -> None:
    """In simulated time nobody waits for a plant: exit 4, with the bus, the address and what to do."""
    relays, signals = free_ports(2)
    said = await _refused(_site(tmp_path, relays, signals), tmp_path / "db", "--speed", SPEED)
    assert f"bus relays: nothing answers at 127.0.0.1:{relays}" in said.err
    assert "shiftwright sim, or run --all" in said.err


@pytest.mark.parametrize("manner", Manner, ids=lambda manner: manner.name)
async def test_a_server_that_is_no_modbus_device(manner: Manner, tmp_path: Path) -> None:
    """Nonsense, a hang-up or silence is told from a plant, and what talks nonsense from what does not answer."""
    async with stranger(manner) as relays, stranger(manner) as signals:
        said = await _refused(_site(tmp_path, relays, signals), tmp_path / "db", "--speed", SPEED)
    expected = "does not talk Modbus" if manner is Manner.NONSENSE else "nothing answers"
    assert f"127.0.0.1:{relays}" in said.err and expected in said.err


@pytest.mark.parametrize("manner", [None, Manner.HANGS_UP, Manner.NONSENSE], ids=["NOBODY", "HANGS_UP", "NONSENSE"])
async def test_in_real_time_the_daemon_waits_for_its_plant(manner: Manner | None, tmp_path: Path) -> None:
    """After a power cut the computer may be up before the plant. It waits, says so once, and stops when asked to."""
    async with contextlib.AsyncExitStack() as there:
        ports = free_ports(2)
        if manner is not None:
            ports = [await there.enter_async_context(stranger(manner)) for _ in ports]
        daemon = await there.enter_async_context(running(_site(tmp_path, *ports), tmp_path / "db"))
        await daemon.until_it_says("bus signals")
        assert daemon.said().count("bus relays") == 1 and "Trying again" in daemon.said()
        assert await daemon.terminate() == 0, daemon.said()
    assert {file.name for file in (tmp_path / "db").iterdir()} == {"plant.lock"}


async def test_the_simulators_port_is_in_use(tmp_path: Path) -> None:
    """`run --all` ends with 4 and says which port; it does not drive what listens there."""
    async with stranger(Manner.SILENCE) as taken:
        site = _site(tmp_path, taken, free_ports(1)[0])
        said = await _refused(site, tmp_path / "db", "--all", "--speed", SPEED)
    assert f"127.0.0.1:{taken} cannot be listened on: stop what uses it" in said.err
    assert not (tmp_path / "db").exists()


@pytest.mark.parametrize("options", [(), ("--speed", SPEED)], ids=["real time", "simulated time"])
async def test_half_a_simulator_is_never_driven(options: tuple[object, ...], tmp_path: Path) -> None:
    """Simulated and real evidence never mix: one bus that is the simulator beside one that is not is refused."""
    async with bench(tmp_path) as simulated, bench(tmp_path / "other", is_simulator=False) as real:
        ports = simulated.proxy.ports["relays"], real.proxy.ports["signals"]
        said = await _refused(_site(tmp_path, *ports), tmp_path / "db", *options)
        assert "buses ['relays'] answer as the simulator and others do not: never mix them" in said.err
        assert not any((await simulated.truth())["outputs"].values())


async def test_simulated_time_is_refused_on_a_real_plant(tmp_path: Path) -> None:
    """Scaled time on hardware would run every time-out wrong."""
    async with bench(tmp_path, is_simulator=False) as real:
        said = await _refused(_site(tmp_path, *real.proxy.ports.values()), tmp_path / "db", "--speed", SPEED)
    assert "scaled time is for the simulator alone" in said.err

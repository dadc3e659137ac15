"""The daemon's start and stop, and a second daemon, as the plant sees them on the wire."""

from itertools import groupby
from pathlib import Path

from daemon.ledger.durable import open_state
from daemon.ledger.reports import last_runs
from tests.process.processes import SPEED, Bench, bench, shiftwright, start_run
from tests.process.proxy import Frame

_INJECTING = "1111"
"""Pump, block valve, injection valve, injector."""
_ORDERED_STOP = ["1110", "1100", "0100", "0000"]
"""The injector first, then its valve, the pump, and the block valve when the pump has run down."""


async def test_safe_outputs_are_written_before_the_ledger_exists(tmp_path: Path) -> None:
    """Invariant 6: whatever a start may fail at later, everything is off by then."""
    async with bench(tmp_path) as setup:
        first: list[tuple[str, bool]] = []

        async def note(frame: Frame) -> bool:
            if frame.is_write and not first:
                first.append((frame.coils, (setup.folder / "ledger.db").exists()))
            return True

        setup.proxy.on_frame = note
        async with setup.daemon() as daemon:
            await daemon.until(lambda snapshot: True)
        assert first == [("0000", False)]


async def test_sigterm_while_injecting_stops_in_order(tmp_path: Path) -> None:
    """SIGTERM is a controlled stop: the safe order on the wire, exit 0, the run closed, the flush owed."""
    async with bench(tmp_path) as setup, setup.daemon() as daemon:
        await start_run(daemon)
        await daemon.until(lambda snapshot: snapshot.outputs["channels"].get("a", {}).get("run", False))
        since = len(setup.proxy.frames)
        assert await daemon.terminate() == 0
        assert [coils for coils in _coils(setup, since) if coils != _INJECTING] == _ORDERED_STOP
        assert not any((await setup.truth())["outputs"].values())
    (last,) = last_runs(setup.folder / "ledger.db", 1)
    assert last.ended is not None and last.ended.row.state == "STOPPED"
    assert {stamped.row.segment for stamped in open_state(setup.folder / "ledger.db").owed} == {"main", "creek"}
    assert not (setup.folder / "daemon.sock").exists()


async def test_a_second_daemon_is_refused_and_touches_nothing(tmp_path: Path) -> None:
    """Invariant 12: it exits 4, names the first one's pid, and not one byte of it reaches the plant."""
    async with bench(tmp_path) as setup, setup.daemon() as daemon:
        await start_run(daemon)
        before = await daemon.until(lambda snapshot: bool(snapshot.outputs["pump"]))
        connections = setup.proxy.connections
        said = await shiftwright("run", setup.site, "--db", setup.folder, "--speed", SPEED)
        assert said.code == 4
        assert f"process {daemon.process.pid} drives this plant already" in said.err
        assert "stop it first" in said.err
        assert setup.proxy.connections == connections
        after = await daemon.until(lambda snapshot: snapshot.scan > before.scan + 5)
        assert (after.run, after.procedure, after.outputs["pump"]) == (before.run, "RUNNING", True)
        assert await daemon.terminate() == 0


def _coils(setup: Bench, since: int) -> list[str]:
    """Return what the relays were told, each change once."""
    written = [frame.coils for frame in setup.proxy.writes(since) if frame.coils]
    return [coils for coils, _ in groupby(written)]

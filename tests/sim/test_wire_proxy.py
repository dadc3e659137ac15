"""Wire faults from the simulator's pipe: a bus behind a proxy, spoilt and well again."""

import json
import socket
import struct
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from sim.wire_faults import EXCEPTIONS
from tests.sim.conftest import ROOT, SITE

_RELAYS_UNIT = 1


class _Plant:
    """A started simulator with `--proxy`, and one connection of a master to its relays."""

    def __init__(self, process: "subprocess.Popen[bytes]") -> None:
        assert process.stdin is not None and process.stdout is not None
        self._in, self._out = process.stdin, process.stdout
        port = json.loads(self._out.readline())["ports"]["relays"]
        self.master = socket.create_connection(("127.0.0.1", port), timeout=20.0)

    def ask(self, **request: Any) -> dict[str, Any]:
        """Ask for one thing on the pipe."""
        self._in.write(json.dumps(request).encode() + b"\n")
        self._in.flush()
        return dict(json.loads(self._out.readline()))

    def read(self) -> bytes:
        """Read two input registers; return the reply's PDU."""
        self.master.sendall(struct.pack(">HHHBBHH", 7, 0, 6, _RELAYS_UNIT, 4, 0, 2))
        return self.master.recv(512)[7:]


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[_Plant]:
    """Start Kestrel Bend behind proxies on free ports."""
    site = tmp_path / "site.toml"
    site.write_text(SITE.read_text("utf-8").replace("port = 15020", "port = 0").replace("port = 15021", "port = 0"))
    command = [sys.executable, "-m", "sim", str(site), "--proxy"]
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        try:
            plant = _Plant(process)
            with plant.master:
                yield plant
        finally:
            process.kill()


def test_a_bus_is_spoilt_and_well_again(plant: _Plant) -> None:
    """Off, on for every second read, off: and the device itself goes on counting what reaches it."""
    well = plant.read()
    assert well[:2] == b"\x04\x04"
    assert plant.ask(do="wire", bus="relays", fault="exception", on=True, every=2, function=4) == {"ok": True}
    assert [plant.read() for _ in range(4)] == [bytes((0x84, EXCEPTIONS[0])), well, bytes((0x84, EXCEPTIONS[1])), well]
    assert plant.ask(do="wire", bus="relays", on=False) == {"ok": True}
    assert plant.read() == well
    assert plant.ask(do="truth")["requests"] == {"relays": 4, "signals": 0}


def test_a_fault_strikes_so_many_times(plant: _Plant) -> None:
    """And no other function than the one that is asked for."""
    well = plant.read()
    assert plant.ask(do="wire", bus="relays", fault="wrong_function", times=1)["ok"]
    assert [plant.read()[0] for _ in range(2)] == [3, 4]
    assert plant.ask(do="wire", bus="relays", fault="wrong_function", function=15)["ok"]
    assert plant.read() == well


@pytest.mark.parametrize(
    ("request_", "said"),
    [
        ({"bus": "sea", "fault": "garbage"}, "got bus = 'sea'; expected one with a proxy: relays, signals"),
        ({"bus": "relays", "fault": "noise"}, "got the wire fault 'noise'; known are lost_request"),
        ({"bus": "relays", "fault": "garbage", "every": 0}, "got every = 0; expected a number from 1"),
        ({"bus": "relays", "fault": "garbage", "on": 1}, "got on = 1; expected true or false"),
    ],
)
def test_a_request_that_cannot_be_done_says_why(plant: _Plant, request_: dict[str, Any], said: str) -> None:
    """What was got, and what was expected."""
    reply = plant.ask(do="wire", **request_)
    assert reply["ok"] is False and reply["error"].startswith(said)

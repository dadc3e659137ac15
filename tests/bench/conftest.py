"""A C server to measure against, built from the source beside this file, and the Kestrel Bend plant on it."""

import contextlib
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon.cli.night import free_ports
from daemon.site import Plant
from daemon.site_file import parse_site
from drivers.profile import load_profiles

from .long_night import LongNight, run_long_night

HERE = Path(__file__).parent
TWO_BUSES = HERE.parent / "two_buses.toml"
CREEK = HERE.parent / "creek"

RELAYS = ("0=7", "1=0", "4=50")
"""Emergency stop healthy, selector in Auto, pump running; all relays off; a time-out of 5 s."""
SIGNALS = tuple(f"{address}=12000" for address in range(8))
"""Every transmitter at half its range."""

Serve = Callable[..., int]


@pytest.fixture(scope="session")
def server_program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the C server."""
    program = tmp_path_factory.mktemp("bench") / "modbus_server"
    subprocess.run(["cc", "-O2", "-o", program, HERE / "modbus_server.c", "-lmodbus"], check=True)
    return program


@pytest.fixture(scope="session")
def long_night(tmp_path_factory: pytest.TempPathFactory) -> LongNight:
    """Run Kestrel Bend's night, once for all that look at what it wrote."""
    return run_long_night(tmp_path_factory.mktemp("long_night"))


@pytest.fixture
def serve(server_program: Path) -> Iterator[Serve]:
    """Return a function that starts a server with the given input registers and returns its port."""
    with contextlib.ExitStack() as stack:

        def start(*registers: str) -> int:
            (port,) = free_ports(1)
            process = stack.enter_context(
                subprocess.Popen([server_program, str(port), *registers], stdout=subprocess.PIPE)
            )
            stack.callback(process.kill)
            assert process.stdout is not None and process.stdout.readline() == b"ready\n"
            return port

        yield start


@pytest.fixture
def plant(serve: Serve) -> Plant:
    """Return the creek plant on two buses, each a C server."""
    text = TWO_BUSES.read_text("utf-8")
    text = text.replace("port = 15020", f"port = {serve(*RELAYS)}").replace("port = 15021", f"port = {serve(*SIGNALS)}")
    return parse_site(text, load_profiles())

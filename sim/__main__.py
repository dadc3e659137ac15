"""Run the simulated plant: a Modbus server for each bus of a site file, steered over standard input and output."""

import argparse
import asyncio
import gc
import importlib.util
import json
import os
import stat
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import uvloop

from sim.instruments import Instruments
from sim.plant import Plant
from sim.serial_line import LineError
from sim.server import BusServer, PortTakenError, SimulatedDevice
from sim.site import Site, SiteFileError, read_site
from sim.tolerances import NAMES, Tolerances
from sim.verbs import Verbs
from sim.wire_proxy import WireProxy

_TICK_S = 0.02
"""Real time between two moves of a plant that paces itself and is not asked anything."""


class Simulator:
    """The plant, its buses, and the pipe to whoever started it."""

    def __init__(self, site: Site, tolerances: Tolerances, factor: float | None, paced_lines: bool) -> None:
        self._site = site
        self._plant = Plant(site, tolerances)
        self._factor = factor
        self._real_s = time.monotonic()
        self._ended = asyncio.Event()
        self._unread = b""
        self._fault: BaseException | None = None
        """What the simulator itself could not do: a fault of the program, which ends it."""
        instruments = Instruments(self._plant)
        devices = {name: SimulatedDevice(name, sheet, self._plant, instruments) for name, sheet in site.device.items()}
        self._buses = {
            name: BusServer(
                bus,
                [devices[d] for d, sheet in site.device.items() if sheet.bus == name],
                self._now_s,
                paced=paced_lines,
            )
            for name, bus in site.bus.items()
        }
        self._proxies: dict[str, WireProxy] = {}
        self._verbs = Verbs(self._plant, self._plant.advance, self._requests, self._proxies)

    async def run(self, port_offset: int, proxied: bool) -> None:
        """Serve until asked to quit or until standard input ends; raises PortTakenError and LineError.

        `proxied` puts a proxy before the server of each bus of Modbus TCP, for the pipe to spoil what passes it.
        """
        try:
            if proxied:
                self._proxies |= {n: WireProxy(bus.host) for n, bus in self._site.bus.items() if bus.kind == "tcp"}
            ports = {name: await self._open(name, self._port(name, port_offset)) for name in self._buses}
            ready = {"ready": True, "ports": ports, "seed": self._plant.tolerances.seed}
            os.write(sys.stdout.fileno(), json.dumps(ready, separators=(",", ":")).encode() + b"\n")
            self._real_s = time.monotonic()
            self._listen()
            gc.freeze()  # what the start made lives as long as the plant: the collector need not look at it again
            pacing = asyncio.create_task(self._pace()) if self._factor is not None else None
            await self._ended.wait()
            if pacing is not None:
                pacing.cancel()
            if self._fault is not None:
                raise self._fault
        finally:
            for proxy in self._proxies.values():
                await proxy.stop()
            for bus in self._buses.values():
                await bus.stop()

    async def _open(self, bus: str, port: int) -> int | str:
        """Start one bus, and its proxy where it has one; return the port or the path for its masters."""
        if bus not in self._proxies:
            return await self._buses[bus].start(port)
        server_port = int(await self._buses[bus].start(0))
        try:
            return await self._proxies[bus].start(port, server_port)
        except OSError as error:
            raise PortTakenError(
                f"port {port} cannot be listened on: stop what uses it, or give --port-offset"
            ) from error

    def _port(self, bus: str, offset: int) -> int:
        port = self._site.bus[bus].port
        return port + offset if port else 0

    def _requests(self) -> dict[str, int]:
        return {name: bus.requests for name, bus in self._buses.items()}

    def _now_s(self) -> float:
        """Return the plant's time, after moving a plant that paces itself up to this moment."""
        self._keep_pace()
        return self._plant.time_s

    def _keep_pace(self) -> None:
        if self._factor is None:
            return
        now_s = time.monotonic()
        self._plant.advance((now_s - self._real_s) * self._factor)
        self._real_s = now_s

    async def _pace(self) -> None:
        while True:
            self._keep_pace()
            await asyncio.sleep(_TICK_S)

    def _listen(self) -> None:
        """Read standard input as it comes; a file, which no loop can wait for, is read at once."""
        mode = os.fstat(sys.stdin.fileno()).st_mode
        if stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode) or sys.stdin.isatty():
            asyncio.get_running_loop().add_reader(sys.stdin.fileno(), self._read)
            return
        while not self._ended.is_set():
            self._read()

    def _read(self) -> None:
        """Carry out what has come on standard input, and end with it, or with a fault: nobody may wait for ever."""
        try:
            self._take_in()
        except Exception as error:
            self._fault = error
            self._ended.set()

    def _take_in(self) -> None:
        chunk = os.read(sys.stdin.fileno(), 65536)
        *lines, self._unread = (self._unread + (chunk or b"\n")).split(b"\n")
        for line in lines:
            if line.strip() and not self._verbs.quitting:
                self._keep_pace()
                os.write(sys.stdout.fileno(), self._verbs.answer(line))
        if self._verbs.quitting or not chunk:
            self._ended.set()


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the simulator from the command line; return its exit code."""
    options = _parser().parse_args(arguments)
    try:
        site = read_site(options.site, options.profiles or _installed_profiles())
    except SiteFileError as error:
        sys.stderr.write(f"sim: {error}\n")
        return 2
    tolerances = Tolerances(options.seed, perfect=options.perfect, fixed=dict(options.hidden))
    try:
        uvloop.run(_simulate(site, tolerances, options))
    except (PortTakenError, LineError) as error:
        sys.stderr.write(f"sim: {error}\n")
        return 2
    except KeyboardInterrupt:
        return 130
    return 0


async def _simulate(site: Site, tolerances: Tolerances, options: argparse.Namespace) -> None:
    await Simulator(site, tolerances, options.pace, options.paced_lines).run(options.port_offset, options.proxy)


def _parser() -> argparse.ArgumentParser:
    about = "A simulated plant behind real Modbus servers, on TCP and on serial lines."
    parser = argparse.ArgumentParser(prog="python -m sim", description=about)
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file of the plant")
    parser.add_argument("--profiles", type=Path, metavar="DIR", help="device profiles (default: those installed)")
    parser.add_argument("--seed", type=int, default=1, help="draws the hidden tolerances and the noise (default: 1)")
    parser.add_argument("--perfect", action="store_true", help="no hidden tolerances and no noise")
    parser.add_argument(
        "--pace",
        type=_pace,
        metavar="pipe|FACTOR",
        help="pipe: time moves only by advance (default); FACTOR: so many plant seconds in a real second",
    )
    parser.add_argument(
        "--hidden",
        type=_hidden,
        nargs="+",
        action="extend",
        default=[],
        metavar="NAME=VALUE",
        help=f"fixes a hidden factor: {', '.join(NAMES)}",
    )
    parser.add_argument("--port-offset", type=int, default=0, metavar="N", help="added to every port but 0")
    parser.add_argument("--proxy", action="store_true", help="TCP goes through a proxy that the verb wire can spoil")
    parser.add_argument("--paced-lines", action="store_true", help="serial lines take the time of their bit rate")
    return parser


def _pace(text: str) -> float | None:
    if text == "pipe":
        return None
    factor = float(text)
    if not 0.0 < factor <= 10000.0:
        raise argparse.ArgumentTypeError(f"got {text!r}; expected pipe or a number above 0 and up to 10000")
    return factor


def _hidden(text: str) -> tuple[str, float]:
    name, _, value = text.partition("=")
    if name not in NAMES:
        raise argparse.ArgumentTypeError(f"got {name!r}; known are {', '.join(NAMES)}")
    return name, float(value)


def _installed_profiles() -> Path:
    """Return the folder of profiles beside the installed drivers, found without importing them."""
    spec = importlib.util.find_spec("drivers")
    if spec is None or not spec.submodule_search_locations:
        raise SiteFileError("the drivers package is not installed here: give --profiles DIR")
    return Path(next(iter(spec.submodule_search_locations))) / "profiles"


if __name__ == "__main__":
    sys.exit(main())

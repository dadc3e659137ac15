"""The simulator as a child process: started, steered and ended over its standard input and output."""

import asyncio
import contextlib
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

_READY_S = 20.0
_END_S = 5.0


class SimulatorError(Exception):
    """The simulator did not start, or refused what it was asked."""

    code = "simulator"


class Simulator:
    """One running simulator. Made by `start`; whoever makes it ends it with `close`."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        if process.stdin is None or process.stdout is None or process.stderr is None:
            raise SimulatorError("the simulator was started without pipes")
        self._process = process
        self._in, self._out, self._err = process.stdin, process.stdout, process.stderr
        self._asking = asyncio.Lock()
        """One question and its answer at a time: whoever asks meanwhile waits."""
        self.ports: dict[str, int] = {}
        """Port of each bus that has one; a serial line is where the site file says."""

    @classmethod
    async def start(cls, site: Path, options: Sequence[str] = ()) -> "Simulator":
        """Start the simulator on a site file. Raises SimulatorError with what it said when it does not get ready."""
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-P",  # a folder named like one of our packages where the command runs must not shadow it
            "-m",
            "sim",
            str(site),
            *options,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )
        simulator = cls(process)
        try:
            listening = (await asyncio.wait_for(simulator._reply(), _READY_S))["ports"]
            simulator.ports = {bus: port for bus, port in listening.items() if isinstance(port, int)}
        except BaseException:
            await simulator.close()
            raise
        return simulator

    async def ask(self, verb: str, **arguments: Any) -> dict[str, Any]:
        """Ask one thing and return the reply. Raises SimulatorError when it refuses or is gone."""
        async with self._asking:
            self._in.write(json.dumps({"do": verb, **arguments}).encode() + b"\n")
            reply = await self._reply()
        if not reply.get("ok"):
            raise SimulatorError(str(reply.get("error")))
        return reply

    async def advance(self, seconds: float) -> None:
        """Move the plant on."""
        async with self._asking:
            self._in.write(b'{"do":"advance","s":%.6f}\n' % seconds)
            line = await self._out.readline()
        if not line.startswith(b'{"ok":true'):
            raise SimulatorError(line.decode() or await self._last_words())

    async def _reply(self) -> dict[str, Any]:
        line = await self._out.readline()
        if not line:
            raise SimulatorError(await self._last_words())
        reply: dict[str, Any] = json.loads(line)
        return reply

    async def _last_words(self) -> str:
        said = await self._err.read()
        return said.decode("utf-8", "replace").strip() or "the simulator ended without a word"

    async def close(self) -> None:
        """End the simulator: by closing its input, and if that is not enough by force."""
        self._in.close()
        try:
            await asyncio.wait_for(self._process.wait(), _END_S)
        except TimeoutError:
            with contextlib.suppress(ProcessLookupError):
                self._process.kill()
            await self._process.wait()

"""Tonight on the simulator, before it is tonight: `plan --simulate` in a process of its own, one at a time."""

import asyncio
import contextlib
import json
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any, Final

_LONGEST_S: Final = 600.0
_SAID: Final = 16_000
"""Characters kept of what it says, from its end."""
_PROGRAM: Final = ("-P", "-c", "from daemon.cli.main import run; run()", "plan")


class Stand(Enum):
    """Where a rehearsal stands."""

    NONE = "none"
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """The newest rehearsal."""

    stand: Stand
    night: str = ""
    """The date of its evening; empty for that of the next start."""
    figures: Mapping[str, Any] | None = None
    """Once it is done: the plan, and what the simulated plant then delivered."""
    said: str = ""
    """What it said in words, or why it failed."""


class Rehearsal:
    """Plans a night and runs it on the simulator, beside everything. It touches neither plant nor record."""

    def __init__(self, site: Path, folder: Path) -> None:
        self._words = (*_PROGRAM, str(site), "--db", str(folder), "--simulate")
        self._task: asyncio.Task[None] | None = None
        self.newest = Rehearsed(Stand.NONE)

    def begin(self, night: str) -> bool:
        """Begin one; return False while another goes on."""
        if self.newest.stand is Stand.RUNNING:
            return False
        self.newest = Rehearsed(Stand.RUNNING, night)
        self._task = asyncio.get_running_loop().create_task(self._run(night))
        return True

    async def close(self) -> None:
        """End one that goes on."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    async def _run(self, night: str) -> None:
        with tempfile.TemporaryDirectory(prefix="shiftwright-") as scratch:
            file = Path(scratch) / "figures.json"
            words = (*self._words, "--json", str(file), *(("--night", night) if night else ()))
            process = await asyncio.create_subprocess_exec(
                sys.executable, *words, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
            )
            try:
                async with asyncio.timeout(_LONGEST_S):
                    out, _ = await process.communicate()
            except BaseException:
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
                await process.wait()
                self.newest = Rehearsed(Stand.FAILED, night, None, "It took too long, or was ended.")
                raise
            said = out.decode(errors="replace")[-_SAID:]
            if file.exists():
                self.newest = Rehearsed(Stand.DONE, night, json.loads(file.read_text("utf-8")), said)
            else:
                self.newest = Rehearsed(Stand.FAILED, night, None, said)

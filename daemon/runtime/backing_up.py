"""The daily backup: a process of its own, so that reading a whole record through costs the scan nothing."""

import asyncio
import sys
from collections.abc import Sequence
from pathlib import Path

from daemon.keeping import Keeping

_WORDS = (sys.executable, "-P", "-c", "from daemon.cli.main import run; run()", "backup")
_MOST_S = 1800.0
"""Ten seasons are read through in minutes on a small board (engineering judgement)."""


async def back_up(folder: Path, keeping: Keeping) -> tuple[bool, str]:
    """Back `folder` up to each place that is kept; return whether all went well, and what was said."""
    places: list[Sequence[str]] = [()]
    if keeping.copy_to:
        places.append(("--to", keeping.copy_to))
    told, is_good = [], True
    for place in places:
        code, text = await _run([*_WORDS, "--db", str(folder), "--keep", str(keeping.backups), *place])
        is_good = is_good and code == 0
        told.append(text)
    return is_good, "; ".join(told)


async def _run(words: Sequence[str]) -> tuple[int, str]:
    process = await asyncio.create_subprocess_exec(
        *words, stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
    )
    try:
        out, _ = await asyncio.wait_for(process.communicate(), _MOST_S)
    except TimeoutError:
        return 1, f"the backup was not done within {_MOST_S / 60.0:.0f} minutes"
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    lines = out.decode("utf-8", "replace").splitlines()
    return process.returncode or 0, lines[0][:400] if lines else "the backup said nothing"

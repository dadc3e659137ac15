"""An operator's evening at the shell: `run --all`, and every command against it."""

import json
import sys
from pathlib import Path

from daemon.messages import Verb
from tests.night.sites import PROGRAM, write_scenario
from tests.process.processes import SPEED, TINY_NIGHT, TINY_PIPES, Daemon, running, shiftwright

_ENTRY = (
    "import sys\n"
    "from daemon.cli.main import main\n"
    "code = main(sys.argv[1:])\n"
    'sys.stderr.write(f\'simulator imported: {any(n.partition(".")[0] == "sim" for n in sys.modules)}\')\n'
    "sys.exit(code)\n"
)


async def _ask(daemon: Daemon, *words: str, code: int = 0) -> str:
    said = await shiftwright(*words, "--db", daemon.folder)
    assert said.code == code, (words, said)
    return said.out


async def test_every_command_against_run_all(tmp_path: Path) -> None:
    """Each is answered after the scan that decided it, with a reason; SIGTERM ends daemon and simulator together."""
    site, decisions = write_scenario(tmp_path, TINY_PIPES, TINY_NIGHT)
    program = (sys.executable, "-P", "-c", _ENTRY)
    options = ("--all", "--speed", SPEED, "--decisions", decisions)
    async with running(site, tmp_path / "db", *options, program=program) as daemon:
        await daemon.until(lambda snapshot: True)
        assert "SIMULATED" in await _ask(daemon, "status") and "IDLE" in await _ask(daemon, "status")
        assert f"no program named 'nobody'; known: {PROGRAM}" in await _ask(daemon, "start", "nobody", code=1)
        assert "Only a running shift can be held" in await _ask(daemon, "hold", code=1)
        assert "Nothing is running" in await _ask(daemon, "stop", "fertiliser", code=1)

        begun = await _ask(daemon, "start", PROGRAM)
        assert begun.startswith("The run starts. Mind, shift creek: ") and "the line was not checked" in begun
        assert "A run is under way" in await _ask(daemon, "start", PROGRAM, code=1)
        assert "Held" in await _ask(daemon, "hold")
        await daemon.until(lambda snapshot: snapshot.procedure == "HELD")
        await daemon.until(lambda snapshot: bool(snapshot.outputs["pump"]))
        assert "starts" in await _ask(daemon, "start")
        await daemon.until(lambda snapshot: snapshot.procedure == "RUNNING" and snapshot.phase in ("PREWET", "INJECT"))
        assert "water and flush go on" in await _ask(daemon, "stop", "fertiliser")
        await daemon.until(lambda snapshot: snapshot.phase == "FLUSH")
        # Each command line takes many plant seconds to start: a held run does not end meanwhile.
        assert (await daemon.command(Verb.HOLD)).accepted
        shown = json.loads(await _ask(daemon, "status", "--json"))
        assert shown["procedure"] in ("HOLDING", "HELD") and not any(
            c["run"] for c in shown["outputs"]["channels"].values()
        )
        assert "still active" in await _ask(daemon, "reset", code=1)
        assert "safe order" in await _ask(daemon, "stop", "everything")
        await daemon.until(lambda snapshot: snapshot.procedure == "STOPPED" and not snapshot.outputs["blocks"])
        assert await _ask(daemon, "reset") == "Reset.\n"

        assert await daemon.terminate() == 0
        assert "simulator imported: False" in daemon.said()
    said = await shiftwright("status", "--db", daemon.folder)
    assert said.code == 3 and "no daemon listens" in said.err and "systemctl start" in said.err

"""`demo --serve`: after the night the farm goes on in real time, and its first page is breakfast's."""

import asyncio
import re
import signal
import sys
from pathlib import Path

import httpx

from tests.night.sites import START, write_scenario
from tests.process.processes import PATIENCE_S

_RUN = """
import sys
from pathlib import Path
from daemon.cli import demo, main
demo._SCENARIO = Path(sys.argv[1])
sys.exit(main.main(["demo", "--serve", "--db", sys.argv[2]]))
"""
_A_NIGHT_S = 3.0 * PATIENCE_S
"""The command runs a whole night before it serves."""
_TIMETABLE = '\n[timetable.nightly]\nprograms = ["creek_night"]\nstarts = [22:00:00]\n'


async def test_the_first_page_is_of_the_night_that_was_run(tmp_path: Path) -> None:
    """The sentence, a controller that is heard and can be asked, and tonight by the timetable."""
    site, decisions = write_scenario(tmp_path / "scenario")
    site.write_text(site.read_text("utf-8") + "\n[api]\nport = 1\n", "utf-8")  # the demo takes a free one
    decisions.write_text(decisions.read_text("utf-8") + _TIMETABLE, "utf-8")
    pipe = asyncio.subprocess.PIPE
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-P", "-c", _RUN, str(site.parent), str(tmp_path / "db"), stdout=pipe, stderr=pipe
    )
    assert process.stdout is not None and process.stderr is not None
    try:
        found = None
        async with asyncio.timeout(_A_NIGHT_S):
            while found is None:
                line = (await process.stderr.readline()).decode()
                assert line, "it ended"
                found = re.search(r"^(http://\S+)/pair#(\S+)", line)
        address, code = found[1], found[2]
        async with httpx.AsyncClient(base_url=address, headers={"Origin": address, "Accept": "text/html"}) as phone:
            assert (await phone.post("/pair", data={"code": code})).status_code == 303
            page = (await phone.get("/")).text
            assert "went as planned" in page and "Go and look." not in page and "SIMULATED" in page
            assert f"{START:%a} {START.day} Oct" in page
            stopped = (await phone.post("/now/stop", data={"what": "fertiliser"})).text
            assert "does not answer" not in stopped
    finally:
        process.send_signal(signal.SIGINT)
        async with asyncio.timeout(PATIENCE_S):
            told, _ = await process.communicate()
    assert process.returncode == 0 and "chain holds" in told.decode()

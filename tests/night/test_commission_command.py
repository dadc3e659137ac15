"""`shiftwright commission` beside a running daemon: scripted by a file, and where everything stands after it."""

import asyncio
import json
from collections.abc import Sequence
from pathlib import Path

import pytest

from daemon.cli.main import main
from tests.night.places import Place, kestrel
from tests.night.technician import Technician, at_the_plant

BLOCKS = ("creek", "bridge", "ridge", "hill", "house", "river")


async def command(technician: Technician, words: Sequence[str]) -> int:
    """Give a command in a thread of its own while the plant goes on; return its exit code."""
    doing = asyncio.ensure_future(asyncio.to_thread(main, words))
    while not doing.done():
        await technician.service.step()
        await asyncio.sleep(0)
    return await doing


@pytest.fixture
def place(tmp_path: Path) -> Place:
    """Write a Kestrel Bend of short pipes, and what was decided there."""
    made = kestrel(tmp_path, "kestrel_bend")
    (tmp_path / "decided.toml").write_text(made.decisions, "utf-8")
    return made


async def test_a_step_by_a_file_of_answers(place: Place, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A whole step without a person: every stage answered from the file, its evidence kept, and the status tells it."""
    wet = "\n".join(f'["wet.{block}"]\nwet = "{block}"' for block in BLOCKS)
    (tmp_path / "answers.toml").write_text(f'[way]\ninstrument = "eyes"\n{wet}\n', "utf-8")
    site, db = str(place.site_file), tmp_path / "db"
    words = ["commission", "points", site, "--of", "outputs", "--db", str(db)]
    async with at_the_plant(place.site_file, tmp_path / "decided.toml", db) as technician:
        assert await command(technician, [*words, "--answers", str(tmp_path / "answers.toml"), "--json"]) == 0
        said = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
        assert next(one["result"]["verdict"] for one in said if one.get("result")) == "PASSED"
        assert await command(technician, ["commission", "status", site, "--db", str(db)]) == 0
        status = capsys.readouterr().out
        assert "outputs" in status and "valid" in status
        html = tmp_path / "report.html"
        assert await command(technician, ["commission", "report", site, "--db", str(db), "--html", str(html)]) == 0
    text = html.read_text("utf-8")
    assert "Input and output check: outputs" in text and "flow of creek" in text and "http" not in text


async def test_answers_that_lack_a_stage_leave_the_plant_safe(
    place: Place, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An attempt that cannot go on is aborted: outputs off, what was entered kept, and the reason told."""
    (tmp_path / "answers.toml").write_text('[way]\ninstrument = "eyes"\n', "utf-8")
    words = ["commission", "points", str(place.site_file), "--of", "outputs", "--db", str(tmp_path / "db")]
    async with at_the_plant(place.site_file, tmp_path / "decided.toml", tmp_path / "db") as technician:
        assert await command(technician, [*words, "--answers", str(tmp_path / "answers.toml")]) == 1
        assert "[wet.creek]" in capsys.readouterr().err
        for _ in range(20):
            await technician.service.step()
        assert technician.view == {} and technician.service.scanner.is_at_rest()


async def test_a_wrong_step_says_what_there_is(
    place: Place, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Bad input gets an error that says what was got and what was expected."""
    words = ["commission", "transit", str(place.site_file), "--of", "creeek", "--db", str(tmp_path / "db")]
    async with at_the_plant(place.site_file, tmp_path / "decided.toml", tmp_path / "db") as technician:
        assert await command(technician, words) == 1
        assert "got 'creeek'; expected one of creek, bridge" in capsys.readouterr().err

"""What the command line says of the commissioning without a daemon: the site file's own words, and where all stands."""

import json
from pathlib import Path

import pytest

from daemon.cli.main import main
from tests.night.sites import KESTREL_BEND


def _site(folder: Path, required: str) -> Path:
    text = (KESTREL_BEND / "site.toml").read_text("utf-8")
    made = folder / "site.toml"
    made.write_text(f"{text}\n[commissioning]\nrequired = [{required}]\n", "utf-8")
    return made


def test_an_unknown_requirement_is_a_warning(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the water: it is told with what there is, and does not keep the daemon from starting."""
    assert main(["check", str(_site(tmp_path, '"transit.creeek", "probe"'))]) == 0
    said = capsys.readouterr().out
    assert "Warning: commissioning.required: got 'transit.creeek'; expected transit, or one of transit.creek" in said
    assert said.count("Warning") == 1 and "water runs" in said


def test_a_step_that_nobody_knows_is_an_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A misspelt step has no meaning at all."""
    assert main(["check", str(_site(tmp_path, '"transitt"'))]) == 2
    assert "commissioning.required" in capsys.readouterr().err


def test_status_without_a_record(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is required and was never done is told, and ends with 1: nothing is injected."""
    words = ["commission", "status", str(_site(tmp_path, '"probe", "injector.a"')), "--db", str(tmp_path)]
    assert main(words) == 1
    said = capsys.readouterr().out
    assert "main.line_ec" in said and "never done" in said and "creek" not in said
    assert main([*words, "--json", "--all"]) == 1
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert {(row["step"], row["of"]) for row in rows if row["bars_fertiliser"]} == {
        ("probe", "main.line_ec"),
        ("injector", "a"),
    }


def test_report_without_a_record(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An empty report says what is open."""
    page = tmp_path / "report.html"
    words = ["commission", "report", str(_site(tmp_path, '"probe"')), "--db", str(tmp_path), "--html", str(page)]
    assert main(words) == 0
    assert "0 results, 1 open points" in capsys.readouterr().out
    text = page.read_text("utf-8")
    assert "EC probe" in text or "probe" in text

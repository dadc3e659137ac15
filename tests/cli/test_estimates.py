"""`shiftwright estimates`: what the witnesses of the last runs said, why one is silent, and what to look at first."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.cli import client
from daemon.cli.main import main
from daemon.evidence import DoseReconciled, Event, RunEnded
from daemon.folder import LEDGER
from tests.daemon.control.plant import changed
from tests.daemon.ledger.samples import keep, opened
from tests.daemon.local_socket.house import FIRST

_SOUND = DoseReconciled(
    run="monday",
    channel="a",
    meter_ml=157_100,
    u_meter_ml=3_600,
    tank_ml=157_000,
    u_tank_ml=3_700,
    ec_ml=155_200,
    u_ec_ml=6_900,
    dose_ml=157_000,
    u_dose_ml=3_400,
    volume_en_thousandths=20,
    strength_en_thousandths=-290,
    tank_silent="",
    ec_silent="",
    causes="[]",
    beside="[]",
)


def _ended(run: str) -> RunEnded:
    return RunEnded(run, "COMPLETE", "DELIVERED", "done", 1000, 1000)


def _record(folder: Path, *rows: DoseReconciled) -> None:
    with opened(folder / LEDGER) as ledger:
        for second, row in enumerate(rows):
            keep(ledger, row, _ended(row.run), second=second)


def _said(folder: Path, capsys: pytest.CaptureFixture[str], *options: str) -> str:
    capsys.readouterr()
    assert main(["estimates", "--db", str(folder), *options]) == 0
    return capsys.readouterr().out


def test_estimates_that_agree(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the plain case: one line a run and channel, litres with their k = 2, and that they agree."""
    _record(tmp_path, _SOUND)
    said = _said(tmp_path, capsys)
    (line,) = [line for line in said.splitlines() if line.startswith("monday")]
    for part in ("157.0 ± 3.4", "157.1 ± 3.6", "157.0 ± 3.7", "155.2 ± 6.9", "+0.02", "-0.29"):
        assert part in line
    assert said.rstrip().endswith("They agree as well as their instruments can.")


def test_causes_come_with_what_to_look_at(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the hint: causes in their order, each with a first check, and a silent witness with its reason."""
    weak = changed(_SOUND, run="tuesday", beside='["c"]', causes='["mix-weak", "probe"]', strength_en_thousandths=-1900)
    blind = changed(_SOUND, run="wednesday", channel="b", ec_silent="EC cannot see this product", ec_ml=0, u_ec_ml=0)
    _record(tmp_path, _SOUND, weak, blind)
    said = _said(tmp_path, capsys)
    assert "EC is silent on channel b: EC cannot see this product." in said
    assert "EC cannot part the stocks of channels a and c, which were in the line together." in said
    mix, probe = said.index("1. the stock is weaker"), said.index("2. the line's EC probe reads wrong")
    assert said.index("tuesday, channel a: its estimates differ") < mix < probe
    assert "make a bucket test" in said and "They agree" not in said
    (line,) = [line for line in said.splitlines() if line.startswith("wednesday")]
    assert line.split()[-1] == "-"


def test_a_drift_is_said_of_the_runs_together(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the CUSUM on its way to people: no night alone is worth a look, and all of them are; --last bounds it."""
    _record(tmp_path, *(changed(_SOUND, run=f"night-{n}", volume_en_thousandths=1450) for n in range(15)))
    said = _said(tmp_path, capsys)
    assert "Channel a: small differences, run after run the same way" in said
    assert "1. the injector's meter counts more than it draws" in said
    few = _said(tmp_path, capsys, "--last", "3")
    assert "small differences" not in few and "night-11" not in few and "night-12" in few


def test_all_of_it_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the machine's form: silent estimates say why and have no litres."""
    _record(tmp_path, changed(_SOUND, tank_silent="the tank has no level", beside='["b"]'))
    said = json.loads(_said(tmp_path, capsys, "--json"))
    (run,) = said["runs"]
    assert run["tank"] == {"silent": "the tank has no level"} and run["volume_en"] is None
    assert run["ec"] == {"litres": 155.2, "u_k2_litres": 6.9} and run["strength_en"] == -0.29
    assert (run["causes"], run["not_told_from"], said["drifts"]) == ([], ["b"], {"a": []})


def test_before_the_first_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the empty record, and a number of runs that is none."""
    _record(tmp_path)
    assert _said(tmp_path, capsys) == "No run that injected has ended yet.\n"
    with pytest.raises(SystemExit):
        main(["estimates", "--db", str(tmp_path), "--last", "0"])
    assert "got '0'; expected a whole number from 1 on" in capsys.readouterr().err


def _breakthrough(run: str, en: float) -> Event:
    detail = {
        "run": run,
        "block": "creek",
        "seen_ml": 2_600_000,
        "u_seen_ml": 110_000,
        "planned_ml": 2_400_000,
        "u_planned_ml": 290_000,
        "en_thousandths": round(1000.0 * en),
    }
    return Event("breakthrough", json.dumps(detail))


def test_the_way_to_the_outermost_emitter(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the fresh transit: the newest of each block, and a hint where pipes or flow are not as planned."""
    with opened(tmp_path / LEDGER) as ledger:
        keep(ledger, _SOUND, _breakthrough("monday", 0.6), _ended("monday"))
    said = _said(tmp_path, capsys)
    assert "creek: 2600 ± 110 L in monday, planned 2400 ± 290; E_n +0.60" in said and "blocked" not in said
    with opened(tmp_path / LEDGER) as ledger:
        keep(ledger, changed(_SOUND, run="tuesday"), _breakthrough("tuesday", 1.6), _ended("tuesday"))
    said = _said(tmp_path, capsys)
    assert "in tuesday" in said and "in monday" not in said and "blocked emitters" in said
    assert [front["run"] for front in json.loads(_said(tmp_path, capsys, "--json"))["fronts"]] == ["monday", "tuesday"]


def test_status_tells_the_run_under_way() -> None:
    """Guards the estimates of each scan on their way to people: by all together, and by each that speaks."""
    said = {"litres": 12.34, "u_k2_litres": 0.56}
    estimate = {"channel": "a", "meter": said, "tank": None, "ec": said, "together": said}
    lines = client.lines_of(replace(FIRST, run=None, ledger={"writable": True}, estimates=[estimate]))
    assert "channel a: 12.3 ± 0.6 L of stock (meter 12.3, EC 12.3)" in lines

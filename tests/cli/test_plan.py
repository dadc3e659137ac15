"""`shiftwright plan`: what an operator reads in the afternoon, and the night rehearsed on the simulator."""

import json
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from daemon.cli import given
from daemon.cli.errors import InputError
from daemon.cli.main import main
from daemon.cli.plan import planned_at
from daemon.cli.plant import read_plant
from daemon.cli.rehearsal import apart
from daemon.clock import UtcStamp
from daemon.equipment import RtuBus
from daemon.folder import LEDGER
from daemon.ledger.in_force import read_in_force
from daemon.ledger.reports import verify_file
from daemon.runtime.decided import parse_request
from daemon.runtime.recording import record
from daemon.site_file import parse_site
from drivers.profile import load_profiles
from tests.daemon.control.plant import kestrel
from tests.daemon.ledger.samples import opened
from tests.daemon.runtime.farm import START, StillClock, creek, item, keep_run, request
from tests.night.sites import CREEK, SHORT_NIGHT, SHORT_PIPES, write_scenario

Plan = Callable[..., tuple[int, list[str], dict[str, Any]]]
_TIMETABLE = '\n[timetable.nightly]\nprograms = ["creek_night"]\nstarts = [22:00:00]\n'
_ADELAIDE = ZoneInfo("Australia/Adelaide")


@pytest.fixture
def plan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Plan:
    """Plan the creek's night of 13 October by a file, with more decisions; return code, lines and figures."""

    def run(more: str, *words: str) -> tuple[int, list[str], dict[str, Any]]:
        site, decisions = write_scenario(tmp_path / "scenario", SHORT_PIPES, SHORT_NIGHT)
        decisions.write_text(decisions.read_text("utf-8") + more, "utf-8")
        file = tmp_path / "plan.json"
        where = ("plan", str(site), "--decisions", str(decisions), "--night", "2026-10-13", "--json", str(file))
        code = main([*where, *words])
        return code, capsys.readouterr().out.splitlines(), json.loads(file.read_text("utf-8"))

    return run


def test_a_shift_is_told_whole(plan: Plan) -> None:
    """By hand: 0.3 kg N/ha on 3.2 ha of a stock of 31 g N/L are 30.97 L; over 4.5 m3 that is 1:145."""
    code, lines, figures = plan(_TIMETABLE)
    assert code == 0
    assert lines[0] == "Kestrel Bend, night of Tue 13 Oct 2026, planned as of Tue 13 Oct 12:00."
    assert lines[1].startswith("A draft of the command line")
    (run,) = figures["starts"][0]["runs"]
    flow_m3_h = run["recipe"]["flow_m3_h"]
    assert "Start 22:00 of timetable nightly" in lines
    assert f"Shift creek (program creek_night): 22:00 to 22:16, 9.5 m3 at {flow_m3_h:.1f} m3/h" in lines
    (channel,) = [line.split() for line in lines if line.split()[:2] == ["a", "calcium"]]
    assert channel[4:9] == [f"{flow_m3_h * 1000.0 * 30.97 / 4500.0:.0f}", "L/h", "1:145", "31.0", "L"]
    (block,) = [line.split() for line in lines if line.split()[:2] == ["creek", "3.20"]]
    assert block[2:] == ["100", "0.30", "0.36"]
    (phases,) = [line for line in lines if line.strip().startswith("pre-wet 22:00")]
    water = [float(part.split()[2]) for part in phases.split("; ")]
    assert sum(water) == pytest.approx(9.5, abs=0.15) and "inject" in phases and "flush" in phases
    assert "Tank a holds 760 L above its low level and tonight needs 31 L of calcium: enough." in lines
    assert figures["is_draft"] is True and figures["night"] == "2026-10-13"
    assert run["recipe"]["channels"][0]["stock_l"] == pytest.approx(0.3 * 3.2 * 1000.0 / 31.0)
    assert figures["tanks"][0]["needed_l"] == pytest.approx(0.3 * 3.2 * 1000.0 / 31.0)


def test_every_check_is_shown_and_warnings_come_first(plan: Plan) -> None:
    """Guards the reasons: as many lines as checks, those to mind before the figures, the others after them."""
    _, lines, figures = plan(_TIMETABLE)
    checks = figures["starts"][0]["runs"][0]["checks"]
    marked = [line for line in lines if line.startswith(("  ok: ", "  mind: "))]
    assert len(marked) == len(checks)
    assert {f"{check['what']}: {check['reason']}" for check in checks} == {line.partition(": ")[2] for line in marked}
    at = [lines.index(line) for line in marked if line.startswith("  mind: ")]
    table = next(number for number, line in enumerate(lines) if "pre-wet 22:00" in line)
    assert at and max(at) < table < min(lines.index(line) for line in marked if line.startswith("  ok: "))


def test_a_refused_shift_holds_up_no_other(plan: Plan) -> None:
    """Guards the exit code, and that the shift after it is planned all the same."""
    short = '\n[program.short]\nshift = "creek"\nwater_m3 = 2.0\norder = "together"\n'
    short += 'injections = [{ stock = "calcium", nutrient = "N", dose_kg_ha = 0.3, inject_m3 = 1.0 }]\n'
    code, lines, figures = plan(
        short + _TIMETABLE.replace("[", '["short", ', 2).replace('["short", timetable', "[timetable")
    )
    assert code == 1
    first, second = figures["starts"][0]["runs"]
    assert first["refusal"] and first["recipe"] is None and not second["refusal"]
    at = lines.index("Shift creek (program short): REFUSED")
    assert lines[at + 1].startswith("  FAILED: ") and "this program needs at least" in "\n".join(lines[at:])
    assert second["recipe"]["water_l"] == pytest.approx(9500.0)


def test_a_skipped_shift_is_no_refusal(plan: Plan) -> None:
    """Guards what somebody decided: it does not run, the reason stands there, and the exit code is 0."""
    skip = '\n[tonight.dry]\nnight = 2026-10-13\ndo = "skip"\nwhy = "rain in the afternoon"\n'
    code, lines, figures = plan(_TIMETABLE + skip)
    assert code == 0 and "Shift creek (program creek_night): does not run" in lines
    assert any("rain in the afternoon" in line for line in lines)
    assert figures["tanks"] == [] and figures["starts"][0]["runs"][0]["recipe"] is None


def test_a_night_without_a_start_says_so(plan: Plan) -> None:
    """Guards the first use: without a timetable nothing starts, and where to look is told."""
    code, lines, figures = plan("")
    assert code == 0 and figures["starts"] == []
    assert any(line.startswith("Nothing starts on this night.") for line in lines)


@pytest.mark.parametrize(
    ("now", "at"),
    [
        ("2026-10-13T15:00+10:30", "2026-10-13T15:00+10:30"),
        ("2026-10-14T03:00+10:30", "2026-10-14T03:00+10:30"),
        ("2026-10-13T09:00+10:30", "2026-10-13T12:00+10:30"),
        ("2026-12-24T09:00+10:30", "2026-10-13T12:00+10:30"),
        ("2020-01-01T09:00+10:30", "2026-10-13T12:00+10:30"),
    ],
    ids=["in its afternoon", "in the night", "the morning before", "long after", "long before"],
)
def test_a_night_is_planned_as_of_its_own_time(monkeypatch: pytest.MonkeyPatch, now: str, at: str) -> None:
    """Guards a look back or ahead: the night is planned as it is at its noon, and as of now while it goes on."""
    clock = StillClock(datetime.fromisoformat(now).astimezone(UTC))
    monkeypatch.setattr(given, "RealClock", lambda: clock)
    assert planned_at(date(2026, 10, 13), _ADELAIDE) == datetime.fromisoformat(at)


def test_the_record_is_read_and_left_as_it_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards a draft: what runs drew is off the tank, what they gave counts as of then, and nothing is written."""
    timetable = item("timetable", "nightly", programs=["creek_night"], starts=["21:00"])
    cap = item("cap", "day", nutrient="N", kg_ha=9.0, over="day", basis="each_hectare", strict="hard", why="own")
    with opened(tmp_path / LEDGER) as ledger:
        asked = parse_request(request("c1", *creek(), timetable, cap))
        record(ledger, kestrel(), read_in_force(ledger.path), asked, UtcStamp(START, True))
        keep_run(ledger, "night", START)
    head = verify_file(tmp_path / LEDGER).head
    for night, had in (("2026-10-14", "had 0.3"), ("2026-10-13", "had 0 so far")):
        assert main(["plan", str(CREEK / "site.toml"), "--db", str(tmp_path), "--night", night]) == 0
        shown = capsys.readouterr().out
        assert "Tank a holds 720 L above its low level" in shown
        (line,) = [line for line in shown.splitlines() if "cap day" in line]
        assert had in line
    assert verify_file(tmp_path / LEDGER).head == head
    assert main(["plan", str(CREEK / "site.toml"), "--db", str(tmp_path / "none")]) == 2
    assert "shiftwright plan SITE --decisions FILE" in capsys.readouterr().err


@pytest.mark.plant
def test_a_night_is_rehearsed(plan: Plan) -> None:
    """The very recipe runs in stepped time: delivered is within 1 % of planned, the truth within 5 %."""
    code, lines, figures = plan(_TIMETABLE, "--simulate")
    assert code == 0
    (run,) = figures["simulated"]["runs"]
    assert run["run"] == figures["starts"][0]["runs"][0]["recipe"]["run"] and run["outcome"] == "DELIVERED"
    assert [dose["nutrient"] for dose in run["doses"]] == ["N", "Ca"]
    for dose in run["doses"]:
        assert dose["delivered_kg"] == pytest.approx(dose["planned_kg"], rel=0.01)
        assert dose["truth_kg"] == pytest.approx(dose["planned_kg"], rel=0.05)
    assert sum(line.endswith("as planned") for line in lines) == 2
    assert any(line.startswith("  DELIVERED (COMPLETE)") for line in lines)


def test_there_is_nothing_to_rehearse(plan: Plan) -> None:
    """Guards the words where no shift runs: the simulator is not even started."""
    code, lines, figures = plan("", "--simulate")
    assert code == 0 and lines[-1] == "Nothing runs on this night: nothing was rehearsed."
    assert "simulated" not in figures


def test_a_rehearsal_never_meets_the_plant(tmp_path: Path) -> None:
    """Every bus of the copy is on this computer, at another place than the plant's: an address, a port or a line."""
    text = (CREEK / "site.toml").read_text("utf-8").replace('host = "127.0.0.1"', 'host = "192.168.1.10"')
    file = tmp_path / "site.toml"
    for bus in (text, _on_a_line(text)):
        file.write_text(bus, "utf-8")
        plant = read_plant(file)
        copy = parse_site(apart(bus, plant, tmp_path), load_profiles())
        for theirs, ours in zip(plant.site.bus.values(), copy.site.bus.values(), strict=True):
            assert ours.endpoint != theirs.endpoint and type(ours) is type(theirs)
            assert ours.line.startswith(str(tmp_path)) if isinstance(ours, RtuBus) else ours.host == "127.0.0.1"
    text = text.replace('host = "192.168.1.10"', "host = '192.168.1.10'")
    file.write_text(text, "utf-8")
    with pytest.raises(InputError, match=r"bus\.shed is still at 192\.168\.1\.10:"):
        apart(text, read_plant(file), tmp_path)


def _on_a_line(text: str) -> str:
    """Return the site with its bus on a serial line."""
    lines = text.splitlines()
    at = lines.index('kind = "tcp"')
    bus = ['kind = "rtu"', 'line = "/dev/ttyS9"', "baud = 19200", *lines[at + 3 : at + 4]]
    return "\n".join([*lines[:at], *bus, *lines[at + 4 :], ""])

"""`shiftwright interlocks`: what is printed is what the daemon runs by; and how alarms are shown."""

import argparse
import json
from dataclasses import asdict, replace

import pytest

from daemon.cli import alarms, client
from daemon.cli.main import main
from daemon.control.interlocks import BY_CODE, MATRIX
from daemon.messages import Verb
from tests.daemon.local_socket.house import FIRST
from tests.night.sites import KESTREL_BEND

_SITE = str(KESTREL_BEND / "site.toml")


def test_the_whole_matrix_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    """One line for each row, in the matrix's order."""
    assert main(["interlocks", _SITE]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0].rstrip("*+") for line in lines[1 : len(MATRIX) + 1]] == [row.code for row in MATRIX]


def test_json_holds_what_the_rows_hold(capsys: pytest.CaptureFixture[str]) -> None:
    """Every row with its delay on this site, its phases and who may reset it."""
    assert main(["interlocks", _SITE, "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    for row, content in zip(MATRIX, printed, strict=True):
        assert (content["code"], content["effect"], content["reset"]) == (row.code, row.effect.name, row.reset.value)
        assert set(content["phases"]) == {phase.value if phase else "none" for phase in row.phases}
    by_code = {content["code"]: content for content in printed}
    assert by_code["no-flow"]["delay_s"] == 30.0, "limits.no_flow_s of this site"
    assert len([content for content in printed if content["wakes"]]) == len([row for row in MATRIX if row.wakes])


def test_one_cause_is_explained(capsys: pytest.CaptureFixture[str]) -> None:
    """With what it means, what to look at first, and who may reset it."""
    assert main(["interlocks", _SITE, "siphon"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert BY_CODE["siphon"].meaning in said and BY_CODE["siphon"].check in said
    assert "reset by at the machine" in said and "by nobody: it is critical" in said


def test_an_unknown_cause_is_refused_with_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    """What was got, and the nearest known."""
    assert main(["interlocks", _SITE, "sifon"]) == 2
    assert "got 'sifon'" in (said := capsys.readouterr().err) and "Nearest known: siphon" in said


_ALARM = {
    "code": "siphon",
    "state": "latched, unacknowledged",
    "in_force": True,
    "priority": "CRITICAL",
    "wakes": True,
    "first": True,
    "age_s": 300.0,
    "shelved_s": 0.0,
    "effect": "WATER_ONLY",
    "meaning": "Stock flows while the injector is off.",
    "likely": "A check valve that leaks.",
    "check": "Close the tank's outlet by hand.",
    "reset": "at the machine",
}


def test_alarms_are_listed_with_what_to_look_at(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """And an empty list says so."""
    snapshot = replace(FIRST, alarms=[_ALARM])
    monkeypatch.setattr(alarms, "snapshot_of", lambda arguments: snapshot)
    assert main(["alarms", "list"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "siphon critical latched, unacknowledged, came first 5 min WATER_ONLY at the machine" in said
    assert "Likely: A check valve that leaks. First: Close the tank's outlet by hand." in said
    assert main(["alarms", "list", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == asdict(snapshot)["alarms"]
    monkeypatch.setattr(alarms, "snapshot_of", lambda arguments: FIRST)
    assert main(["alarms", "list"]) == 0 and capsys.readouterr().out == "No alarm stands.\n"


@pytest.mark.parametrize(
    ("words", "verb", "values"),
    [
        (("acknowledge",), Verb.ACKNOWLEDGE, {}),
        (("acknowledge", "siphon"), Verb.ACKNOWLEDGE, {"code": "siphon"}),
        (
            ("shelve", "reset-stuck", "--minutes", "30", "--reason", "a new button comes"),
            Verb.SHELVE,
            {"code": "reset-stuck", "minutes": 30.0, "reason": "a new button comes"},
        ),
        (("unshelve", "reset-stuck"), Verb.UNSHELVE, {"code": "reset-stuck"}),
    ],
)
def test_what_is_asked_of_the_daemon(
    monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], verb: Verb, values: dict[str, object]
) -> None:
    """Each is one command, with what was given."""
    asked: list[tuple[Verb, object]] = []

    def take(arguments: argparse.Namespace, verb: Verb, values: dict[str, object], role: str = "operator") -> int:
        asked.append((verb, values))
        return 0

    monkeypatch.setattr(alarms, "command", take)
    assert main(["alarms", *words]) == 0 and asked == [(verb, values)]


def test_status_tells_alarms_from_what_needs_nobody() -> None:
    """A cause that is no alarm is not shown as one."""
    lines = client.lines_of(
        replace(
            FIRST,
            run=None,
            ledger={"writable": True},
            alarms=[_ALARM, {**_ALARM, "code": "filter-backwash", "state": "no alarm"}],
        )
    )
    assert any(line.startswith("ALARM siphon (latched, unacknowledged): ") for line in lines)
    assert any(line.startswith("CAUSE filter-backwash: ") for line in lines)

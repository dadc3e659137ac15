"""One-tap exceptions at a terminal: `tonight`, `block`, and a block's water by hand."""

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from daemon.cli import client
from daemon.cli.main import main
from daemon.decisions.timetable import Tonight
from daemon.decisions.watering import BlockState
from daemon.folder import LEDGER
from daemon.ledger.in_force import read_in_force
from daemon.ledger.reports import verify_file
from daemon.messages import Answer, Command, Verb

Say = Callable[..., tuple[int, str]]
_NIGHT = ("--night", "2026-10-13")


@pytest.fixture
def say(folder: Path, capsys: pytest.CaptureFixture[str]) -> Say:
    """Run a command on the site and its record; return the exit code and what was said, errors included."""
    capsys.readouterr()

    def run(*words: str, more: tuple[str, ...] = ()) -> tuple[int, str]:
        code = main([*words, str(folder / "site.toml"), "--db", str(folder), *more])
        said = capsys.readouterr()
        return code, said.out + said.err

    return run


def _tonight(folder: Path) -> dict[str, dict[str, Any]]:
    found = read_in_force(folder / LEDGER).decisions
    return {
        key: decision.model_dump(mode="json", exclude_defaults=True)
        for (_, key), decision in found.items()
        if isinstance(decision, Tonight)
    }


def _block(folder: Path, name: str = "creek") -> dict[str, Any]:
    return read_in_force(folder / LEDGER).decisions[BlockState.kind, name].model_dump(mode="json", exclude_none=True)


@pytest.mark.parametrize(
    ("words", "body", "told"),
    [
        (("skip",), {"do": "skip"}, "skipped"),
        (("water-only",), {"do": "water_only"}, "water without fertiliser"),
        (("water", "70%"), {"do": "water_share", "water_share": 0.7}, "70 % of the water, the same dose"),
        (("water", "120"), {"do": "water_share", "water_share": 1.2}, "120 % of the water, the same dose"),
    ],
)
def test_one_night_is_different(
    folder: Path, say: Say, words: tuple[str, ...], body: dict[str, Any], told: str
) -> None:
    """Guards each exception, for the whole night: what is recorded, and what is said of it."""
    code, said = say("tonight", *words, more=("--why", "rain", *_NIGHT))
    assert code == 0 and f"Night of Tue 13 Oct 2026, all shifts: {told} (rain)." in said
    assert _tonight(folder) == {"night_2026_10_13": {"night": "2026-10-13", "why": "rain", **body}}


def test_a_newer_word_takes_the_place_of_the_older(folder: Path, say: Say) -> None:
    """Guards a change of mind: the same shifts have one exception, other shifts keep theirs, and all can go."""
    shifts = ("--shift", "low", "--shift", "high")
    say("tonight", "skip", more=("--why", "rain", *_NIGHT, *shifts))
    code, said = say("tonight", "water", "50%", more=("--why", "less rain", *_NIGHT, "--shift", "low"))
    assert code == 0 and said.count("Night of") == 2
    found = _tonight(folder)
    assert found["night_2026_10_13_low"]["water_share"] == 0.5
    assert found["night_2026_10_13_high"]["do"] == "skip"
    assert say("tonight", "as-planned", more=(*_NIGHT, "--shift", "high"))[0] == 0
    assert set(_tonight(folder)) == {"night_2026_10_13_low"}
    code, said = say("tonight", "as-planned", more=_NIGHT)
    assert code == 0 and said.endswith("Night of Tue 13 Oct 2026: as planned.\n")
    assert say("tonight", "as-planned", more=_NIGHT)[0] == 2


def test_tonight_is_the_night_of_the_next_start(folder: Path, say: Say) -> None:
    """Guards the default: in the morning the night that is meant is the one to come, not the one that is over."""
    assert say("tonight", "skip", more=("--why", "rain"))[0] == 0
    (body,) = _tonight(folder).values()
    said = say("program", "list")[1]
    assert f"Next: {date.fromisoformat(body['night']):%a %d %b %Y} 22:00" in said


@pytest.mark.parametrize(
    ("words", "more", "told"),
    [
        (("skip",), ("--why", "rain", "--shift", "lo"), "--shift: got 'lo'; expected one of grove, high, low"),
        (("skip",), ("--why", "rain", "--night", "tomorrow"), "--night: got 'tomorrow'; expected a day"),
        (("skip",), ("--why", "", *_NIGHT), "tonight.night_2026_10_13.why"),
    ],
)
def test_a_mistake_is_told(folder: Path, say: Say, words: tuple[str, ...], more: tuple[str, ...], told: str) -> None:
    """Guards the words for a wrong name or day; nothing is recorded."""
    head = verify_file(folder / LEDGER).head
    code, said = say("tonight", *words, more=more)
    assert code == 2 and told in said
    assert verify_file(folder / LEDGER).head == head


@pytest.mark.parametrize("share", ["5%", "300%", "half"])
def test_a_share_out_of_bounds_is_refused(say: Say, capsys: pytest.CaptureFixture[str], share: str) -> None:
    """Guards the range that a night's water may be changed by."""
    with pytest.raises(SystemExit):
        say("tonight", "water", share, more=("--why", "rain"))
    assert "expected 10% to 200% of its water" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("until", "kept"),
    [("2096-11-27T15:00", "2096-11-27T15:00:00+10:30"), ("2096-11-27", "2096-11-27")],
    ids=["a moment of the site's clock", "a day"],
)
def test_a_block_is_closed_and_opened(folder: Path, say: Say, until: str, kept: str) -> None:
    """Guards pickers and spraying, and that the area in use stays what somebody decided."""
    code, said = say("block", "close", "creek", more=("--until", until, "--why", "pickers"))
    assert code == 0 and f"Block creek: closed until {kept} (pickers)." in said
    assert _block(folder) == {"closed_until": kept, "why": "pickers"}
    assert say("block", "open", "creek")[0] == 0
    assert _block(folder) == {"why": "open again"}
    code, said = say("block", "open", "creek")
    assert code == 2 and "is not closed" in said


def test_closing_keeps_the_area_in_use(folder: Path, say: Say) -> None:
    """Guards a decision beside: half a block is still half a block once it is open again."""
    file = folder / "more.toml"
    file.write_text('[block.creek]\narea_ha = 3.0\nwhy = "grubbed"\n')
    assert main(["import", "decisions", str(file), str(folder / "site.toml"), "--db", str(folder)]) == 0
    say("block", "close", "creek", more=("--until", "2096-11-27", "--why", "spraying"))
    assert _block(folder)["area_ha"] == 3.0
    say("block", "open", "creek", more=("--why", "sprayed"))
    assert _block(folder) == {"area_ha": 3.0, "why": "sprayed"}


@pytest.mark.parametrize(
    ("name", "until", "told"),
    [
        ("crek", "2096-11-27", "block: got 'crek'; expected one of creek"),
        ("creek", "2020-11-27", "--until: got 2020-11-27, which is past"),
        ("creek", "2020-11-27T15:00", "which is past; expected a time to come"),
        ("creek", "noon", "--until: got 'noon'"),
    ],
)
def test_a_block_that_cannot_be_closed(say: Say, name: str, until: str, told: str) -> None:
    """Guards the words for a wrong block or time."""
    code, said = say("block", "close", name, more=("--until", until, "--why", "pickers"))
    assert code == 2 and told in said


class _Daemon:
    """Takes commands and keeps them."""

    taken: list[Command] = []  # noqa: RUF012 - emptied by the test

    def __init__(self, *_: object) -> None: ...

    def __enter__(self) -> "_Daemon":
        return self

    def __exit__(self, *_: object) -> None: ...

    def command(self, command: Command) -> Answer:
        """Accept it."""
        self.taken.append(command)
        return Answer(command.id, True, "The run starts.")


def test_a_block_is_watered_by_hand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards the form of the command: one block and minutes, or programs, or nothing; never a mixture."""
    monkeypatch.setattr(client, "LocalClient", _Daemon)
    _Daemon.taken.clear()
    where = ("--db", str(tmp_path))
    assert main(["start", "--block", "creek", "--minutes", "120", *where]) == 0
    assert main(["start", "low_night", *where]) == 0
    assert [(one.verb, one.arguments) for one in _Daemon.taken] == [
        (Verb.START, {"block": "creek", "minutes": 120.0}),
        (Verb.START, {"programs": ["low_night"]}),
    ]
    for words in (("--block", "creek"), ("--minutes", "5"), ("low_night", "--block", "creek", "--minutes", "5")):
        assert main(["start", *words, *where]) == 2
    assert len(_Daemon.taken) == 2

"""What is given wrong is told before anything starts: what was got, what was expected, exit code 2."""

from pathlib import Path

import pytest

from daemon.cli.main import main
from tests.night.sites import KESTREL_BEND, edited

_WRONG = {
    'zone = "Australia/Adelaide"': 'zone = "Mars"',
    "travel_s = 8.0": "travle_s = 8.0",
    "min_flow_m3_h = 15.0": 'min_flow_m3_h = "much"',
}


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A right site file."""
    file = tmp_path / "site.toml"
    file.write_text((KESTREL_BEND / "site.toml").read_text("utf-8"), "utf-8")
    return file


def _refused(capsys: pytest.CaptureFixture[str], *words: object, code: int = 2) -> str:
    """Run a command that must be refused, and return what it said."""
    try:
        got = main([str(word) for word in words])
    except SystemExit as left:  # argparse's own
        got = int(left.code or 0)
    assert got == code
    return capsys.readouterr().err


def test_every_error_of_a_site_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One reading of the file names all that is wrong in it, and nothing is made for a daemon that cannot run."""
    file = tmp_path / "site.toml"
    file.write_text(edited((KESTREL_BEND / "site.toml").read_text("utf-8"), _WRONG), "utf-8")
    said = _refused(capsys, "run", file, "--db", tmp_path / "db")
    for key in ("site.zone", "block.creek.travle_s", "block.creek.travel_s", "main.min_flow_m3_h"):
        assert f"{key}: got " in said
    assert "Nearest known: travel_s" in said
    assert not (tmp_path / "db").exists()
    assert _refused(capsys, "check", file) == said


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (None, "no such file. A site to start from: shiftwright demo --copy DIR"),
        (b"\xff\xfe\x00", "expected a TOML file in UTF-8"),
        (b"[site", "expected TOML"),
        (b"", "got nothing"),
    ],
    ids=["missing", "binary", "torn", "empty"],
)
def test_a_file_that_is_no_site(
    content: bytes | None, expected: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Missing, unreadable, torn or empty: each has its own word."""
    file = tmp_path / "site.toml"
    if content is not None:
        file.write_bytes(content)
    assert expected in _refused(capsys, "check", file)


def test_a_folder_is_no_site(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What cannot be opened is told with the system's own reason."""
    assert "cannot be read" in _refused(capsys, "check", tmp_path)


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (None, "cannot be read"),
        ("[program", "cannot be read"),
        ("program = 1", "program"),
        ("[program.x]\ndose = 1", "program.x.shift: got nothing"),
        ("[pogrom.x]\ndose = 1", "expected one of"),
    ],
    ids=["missing", "torn", "no table", "wrong keys", "unknown kind"],
)
def test_decisions_that_cannot_be_taken(
    content: str | None, expected: str, site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """They are read before anything starts: no simulator, no ledger."""
    file = tmp_path / "decisions.toml"
    if content is not None:
        file.write_text(content)
    said = _refused(capsys, "run", site, "--db", tmp_path / "db", "--all", "--decisions", file)
    assert expected in said
    assert not (tmp_path / "db").exists()


@pytest.mark.parametrize("speed", ["0", "-3", "nan", "fast"])
def test_a_speed_that_is_none(speed: str, site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Time that stands still or runs backwards is refused."""
    assert "--speed" in _refused(capsys, "run", site, "--db", tmp_path / "db", f"--speed={speed}")
    assert not (tmp_path / "db").exists()


@pytest.mark.parametrize(
    ("fault", "expected"),
    [("airlock@late", "expected NAME@MINUTE"), ("airlok@5", "known are airlock"), ("airlock@-5", "expected a number")],
)
def test_a_fault_that_is_none(fault: str, expected: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The known faults are named."""
    said = _refused(capsys, "demo", "--fault", fault, "--db", tmp_path / "db")
    assert "--fault" in said and expected in said


def test_figures_that_cannot_be_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Told before the night, not after it."""
    assert "--json" in _refused(capsys, "demo", "--json", tmp_path / "nowhere" / "night.json")


def test_a_copy_that_cannot_be_made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file stands where the folder should."""
    (tmp_path / "mine").write_text("mine")
    assert "--copy" in _refused(capsys, "demo", "--copy", tmp_path / "mine")


def test_no_daemon(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 3, and how to start one."""
    for words in (("status",), ("start", "x"), ("hold",), ("stop", "everything"), ("reset",)):
        said = _refused(capsys, *words, "--db", tmp_path, code=3)
        assert "no daemon listens" in said and "systemctl start" in said

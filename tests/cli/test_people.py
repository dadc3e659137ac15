"""`user`: who may log in, from the controller's own shell, while neither daemon nor api runs."""

import io
from pathlib import Path

import pytest

from api.access.roles import Role
from api.access.store import AccessStore
from daemon.cli.main import main
from daemon.folder import ACCESS

_PASSWORD = "creek-and-ridge-7"


def _user(folder: Path, *words: str) -> int:
    return main(["user", *words, "--db", str(folder)])


@pytest.fixture(autouse=True)
def _typed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Stand for a pipe that the password comes from."""
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{_PASSWORD}\n" * 3))


def test_people_from_the_shell(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the way in and back in: added with a password or a code, reset, listed, removed."""
    assert _user(tmp_path, "list") == 0 and "Nobody may log in yet." in capsys.readouterr().out
    assert _user(tmp_path, "add", "theo", "technician") == 0
    assert _user(tmp_path, "add", "rani", "viewer", "--code") == 0
    said = capsys.readouterr().out
    assert "theo may log in as technician." in said and "rani may log in as viewer. Code, once and within 2" in said
    assert _PASSWORD not in said
    assert _user(tmp_path, "list") == 0
    listed = capsys.readouterr().out
    assert "rani" in listed and "by a code" in listed and "technician" in listed
    store = AccessStore(tmp_path / ACCESS)
    secret, before = store.begin_session("rani", 0), store.password_of("theo")
    assert _user(tmp_path, "reset", "rani", "--code") == 0 and _user(tmp_path, "reset", "theo") == 0
    assert "was logged out everywhere. Code" in capsys.readouterr().out
    assert store.session(secret, 1) is None and store.password_of("theo") != before
    assert store.person("rani") is not None and store.person("theo").role is Role.TECHNICIAN  # type: ignore[union-attr]
    store.close()
    assert _user(tmp_path, "remove", "rani") == 0 and "may log in no more" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "code", "why"),
    [
        (("add", "Theo Smith", "viewer", "--code"), 2, "small letters, digits and underscores"),
        (("add", "theo", "viewer", "--code"), 1, "there is one of that name already"),
        (("reset", "nobody", "--code"), 1, "nobody of that name is known"),
        (("remove", "theo"), 1, "only technician"),
        (("add", "creek_and_ridge_7", "viewer"), 0, ""),
    ],
)
def test_what_cannot_be_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], code: int, why: str
) -> None:
    """Guards the errors: what was got and what to do, with an exit code."""
    assert _user(tmp_path, "add", "theo", "technician") == 0
    assert _user(tmp_path, *words) == code and why in capsys.readouterr().err


def test_a_weak_password_and_a_missing_folder(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Guards the errors of what is typed."""
    monkeypatch.setattr("sys.stdin", io.StringIO("short\n"))
    assert _user(tmp_path, "add", "theo", "technician") == 2
    assert "got 5 characters; expected 10 to 200" in capsys.readouterr().err
    assert _user(tmp_path / "nowhere", "list") == 2 and "expected the daemon's folder" in capsys.readouterr().err

"""Secrets are read from a file that nobody but its owner may read, and no error shows one."""

from pathlib import Path

import pytest

from api.followers.credentials import CredentialError, read_credentials
from daemon.destinations import Alerts

_SECRET = "blue-gate-7"
_PHONE = {"kind": "ntfy", "url": "https://push.example", "topic": "kestrel", "events": ["morning"]}


def _alerts(file: Path | None) -> Alerts:
    return Alerts.model_validate({"credentials": None if file is None else str(file), "to": {"phone": _PHONE}})


def _file(folder: Path, text: str, mode: int = 0o600) -> Path:
    file = folder / "credentials.toml"
    file.write_text(text, "utf-8")
    file.chmod(mode)
    return file


def test_secrets_by_destination(tmp_path: Path) -> None:
    """And none where the site names no file."""
    assert read_credentials(_alerts(None)) == {}
    file = _file(tmp_path, f'[phone]\ntoken = "{_SECRET}"\n')
    assert read_credentials(_alerts(file)) == {"phone": {"token": _SECRET}}


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644, 0o660])
def test_others_may_not_read_it(tmp_path: Path, mode: int) -> None:
    """Group and others alike; it is said what to do."""
    file = _file(tmp_path, f'[phone]\ntoken = "{_SECRET}"\n', mode)
    with pytest.raises(CredentialError, match="chmod 600"):
        read_credentials(_alerts(file))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (f'[fone]\ntoken = "{_SECRET}"\n', "got the table 'fone'; expected one of phone"),
        (f'[phone]\nkey = "{_SECRET}"\n', "table phone: expected texts for password, token, user"),
        (f'phone = "{_SECRET}"\n', "table phone: expected texts"),
        (f"[phone\n{_SECRET}\n", "no TOML in UTF-8"),
    ],
)
def test_what_is_wrong_is_said_without_the_secret(tmp_path: Path, text: str, says: str) -> None:
    """Where, what was expected; never what stands in it."""
    with pytest.raises(CredentialError) as told:
        read_credentials(_alerts(_file(tmp_path, text)))
    assert says in str(told.value) and _SECRET not in str(told.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    """It is an error, not an empty one: nobody would be told."""
    with pytest.raises(CredentialError, match="No such file"):
        read_credentials(_alerts(tmp_path / "nowhere.toml"))

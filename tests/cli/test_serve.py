"""`serve`: where the farm is reached, and how the first one logs in."""

import contextlib
from pathlib import Path

import pytest

from api.access.roles import Role
from api.access.store import AccessStore
from daemon.cli import serve
from daemon.cli.main import main
from daemon.cli.serve import FIRST, address_of, greeting
from daemon.equipment import Api
from tests.night.sites import KESTREL_BEND


@pytest.mark.parametrize(
    ("settings", "address"),
    [
        (Api(), "http://127.0.0.1:8080"),
        (Api(host="192.0.2.7", port=80), "http://192.0.2.7:80"),
        (Api(host="::1"), "http://[::1]:8080"),
        (Api(host="0.0.0.0", names=("pump-shed.local",)), "http://pump-shed.local:8080"),
        (Api(certificate="a.pem", key="a.key"), "https://127.0.0.1:8080"),
    ],
)
def test_the_address_that_others_use(settings: Api, address: str) -> None:
    """Guards the QR code: it holds what a phone can reach, by the name that the site gives."""
    assert address_of(settings) == address


def test_all_networks_are_told_as_one_address(monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards the same without a name: never 0.0.0.0, which no phone can reach."""
    monkeypatch.setattr(serve, "_ELSEWHERE", ("127.0.0.1", 9))
    assert "0.0.0.0" not in address_of(Api(host="0.0.0.0"))


def test_the_first_one_logs_in_by_a_code(tmp_path: Path) -> None:
    """Guards a fresh controller: one technician without a password and a code; nothing of it once somebody is known."""
    with contextlib.closing(AccessStore(tmp_path / "access.db")) as store:
        said = greeting(Api(), store, 0)
        code = said[-1].rpartition(" ")[2]
        assert said[0] == "Serving at http://127.0.0.1:8080" and f"/pair#{code}" in said[2] and "█" in said[1]
        again = greeting(Api(), store, 0)[-1].rpartition(" ")[2]
        assert again != code, "whoever missed the first one starts it again"
        assert store.claim(code, 15 * 60_000 - 1) == FIRST
        store.begin_session(FIRST, 0)
        person = store.person(FIRST)
        assert person is not None and person.role is Role.TECHNICIAN
        assert greeting(Api(), store, 0) == ["Serving at http://127.0.0.1:8080"]


def test_a_folder_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the error of a mistyped folder."""
    assert main(["serve", str(KESTREL_BEND / "site.toml"), "--db", str(tmp_path / "nowhere")]) == 2
    assert "expected the daemon's folder" in capsys.readouterr().err

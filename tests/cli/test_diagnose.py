"""The bundle for whoever helps: what is in it, and what is nowhere in it."""

import json
import zipfile
from pathlib import Path

import pytest

from daemon.cli.diagnose import redacted
from daemon.cli.main import main
from daemon.evidence import Event
from daemon.folder import ACCESS, LEDGER
from tests.daemon.ledger.samples import WAIT_S, opened, stamp
from tests.night.sites import KESTREL_BEND

_SECRETS = ("hunter2", "mina@farm.example", "push.farm.example", "shed-topic", "/etc/secret.toml", "pump-shed.farm")
_PRIVATE = """
[api]
names = ["pump-shed.farm"]   # hunter2
port = 8090

[alerts]
credentials = "/etc/secret.toml"

[alerts.to.phone]
kind = "ntfy"
url = 'https://push.farm.example'
topic = "shed-topic"
# mina@farm.example
events = ["morning"]

[alerts.to.letter]
kind = "email"
host = "push.farm.example"
to = ["mina@farm.example"]
"""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """Return a site file with addresses in it."""
    made = tmp_path / "site.toml"
    made.write_text(
        (KESTREL_BEND / "site.toml").read_text("utf-8").replace('\n[api]\nlocale = "en_AU"', _PRIVATE), "utf-8"
    )
    return made


def _bundle(site: Path, db: Path, tmp_path: Path) -> dict[str, str]:
    assert main(["diagnose", str(site), "--db", str(db), "--to", str(tmp_path / "d.zip")]) == 0
    with zipfile.ZipFile(tmp_path / "d.zip") as bundle:
        return {name: bundle.read(name).decode() for name in bundle.namelist()}


def test_what_helps_is_in_it_and_no_secret(site: Path, tmp_path: Path) -> None:
    """The plant's own part of the site file is whole, the record's state and events are there; nobody's address is."""
    db = tmp_path / "db"
    db.mkdir()
    (db / ACCESS).write_bytes(b"hunter2")
    with opened(db / LEDGER) as ledger:
        assert ledger.wait_durable(ledger.submit((Event("boot", "again"),), stamp()), WAIT_S)
    found = _bundle(site, db, tmp_path)
    assert not [secret for secret in _SECRETS for text in found.values() if secret in text]
    assert str(tmp_path) not in "".join(found.values())
    sheet = json.loads(found["site.json"])
    assert sheet["injector"]["a"]["curve"] == [[0.1, 50.0], [0.5, 250.0], [1.0, 500.0]] and sheet["api"]["port"] == 8090
    record = json.loads(found["record.json"])
    assert record["rows"] == 2 and record["broken_at"] is None and record["rows_by_kind"]["event"] == 1
    assert json.loads(found["events.json"])[-1]["code"] == "boot"
    about = json.loads(found["about.json"])
    assert about["packages"]["pymodbus"] and about["files_bytes"][LEDGER] > 0
    assert "error" in json.loads(found["snapshot.json"])


def test_an_error_in_an_address_names_its_key_alone(site: Path, tmp_path: Path) -> None:
    """Guards secrets that were written wrongly."""
    site.write_text(site.read_text("utf-8").replace('kind = "ntfy"', 'kind = "hunter2"'), "utf-8")
    found = _bundle(site, tmp_path / "db", tmp_path)
    assert "alerts.to.phone" in found["site_errors.txt"]
    assert not [secret for secret in _SECRETS for text in found.values() if secret in text]


def test_what_cannot_be_read_is_told_in_its_place(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the worst day: no site file, no record, and still a bundle; never over another file."""
    db = tmp_path / "db"
    db.mkdir()
    (db / LEDGER).write_bytes(b"nonsense" * 1000)
    found = _bundle(tmp_path / "none.toml", db, tmp_path)
    assert "error" in json.loads(found["record.json"]) and "no such file" in found["site_errors.txt"]
    assert main(["diagnose", str(tmp_path / "none.toml"), "--db", str(db), "--to", str(tmp_path / "d.zip")]) == 2
    assert "nothing is overwritten" in capsys.readouterr().err


@pytest.mark.parametrize(
    "private", ['[api]\nhost = "10.0.0.7"', 'api = { host = "10.0.0.7" }', '"api".host = "10.0.0.7"']
)
def test_text_is_left_out_of_api_and_alerts_alone(private: str) -> None:
    """However they are written; numbers stay, and the plant's own words."""
    text = f'{private}\n[block.creek]\nvalve = "station.out2"\n[alerts]\nlimit = 3\nto = [["a", """b\nc"""]]\n'
    assert json.loads(redacted(text)) == {
        "api": {"host": "(left out)"},
        "block": {"creek": {"valve": "station.out2"}},
        "alerts": {"limit": 3, "to": [["(left out)", "(left out)"]]},
    }


def test_what_is_no_toml_ends_before_them() -> None:
    """Guards secrets in a file that somebody broke: what cannot be told apart is left out."""
    text = '[block.creek]\nvalve = station\n[ alerts ]\nurl = "https://push.farm.example"\n'
    assert redacted(text) == "[block.creek]\nvalve = station\n[ "

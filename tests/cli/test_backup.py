"""`backup`, `restore`, `export` and `verify` as people call them."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.cli.main import main
from daemon.cli.verify import Broken, check
from daemon.folder import LEDGER, LOCK
from daemon.ledger.reports import verify_file
from daemon.runtime.lock import PlantLock
from tests.daemon.ledger.samples import WAIT_S, one_of_each, opened, stamp

_ROWS = 3


@pytest.fixture
def db(tmp_path: Path) -> Path:
    """Return a daemon's folder with a record of every kind of row."""
    made = tmp_path / "db"
    made.mkdir()
    with opened(made / LEDGER) as ledger:
        for number in range(_ROWS):
            assert ledger.wait_durable(ledger.submit(one_of_each(number + 1), stamp(number)), WAIT_S)
    return made


def test_backup_and_restore(db: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A dry run changes nothing, a daemon at work refuses it, and then the record is the one of the backup."""
    site = tmp_path / "site.toml"
    site.write_text("# a site\n")
    assert main(["backup", "--db", str(db), "--site", str(site), "--keep", "3"]) == 0
    said = capsys.readouterr().out
    assert "It lies on the same disk" in said and "site.toml" in said
    (made,) = (db / "backups").iterdir()
    before = verify_file(db / LEDGER)
    assert before.head in said
    with opened(db / LEDGER) as ledger:
        assert ledger.wait_durable(ledger.submit(one_of_each(9), stamp()), WAIT_S)
    later = verify_file(db / LEDGER)
    assert main(["restore", str(made), "--db", str(db), "--dry-run"]) == 0
    assert "Nothing was changed" in capsys.readouterr().out and verify_file(db / LEDGER) == later
    lock = PlantLock(db / LOCK, ())
    lock.acquire()
    try:
        assert main(["restore", str(made), "--db", str(db)]) == 1
        assert "Stop the daemon and the api first" in capsys.readouterr().err
    finally:
        lock.close()
    assert verify_file(db / LEDGER) == later
    assert main(["restore", str(made), "--db", str(db)]) == 0
    assert "Restored" in capsys.readouterr().out and verify_file(db / LEDGER) == before


def test_errors_say_what_to_do(db: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is given wrongly, and a folder that is no backup."""
    for words, said, code in (
        (["backup", "--db", str(db), "--keep", "-1"], "expected 0 or more", 2),
        (["backup", "--db", str(db), "--site", str(tmp_path / "none")], "expected a file", 2),
        (["backup", "--db", str(tmp_path / "none")], "expected the daemon's folder", 4),
        (["restore", str(tmp_path), "--db", str(db)], "expected a folder made by backup", 4),
        (["export", str(db / LEDGER), "--db", str(db)], "nothing is overwritten", 2),
        (["verify", str(tmp_path / "none")], "cannot be read", 2),
    ):
        assert main(words) == code and said in capsys.readouterr().err, words


def _lines(db: Path, tmp_path: Path) -> list[str]:
    assert main(["export", str(tmp_path / "evidence.jsonl"), "--db", str(db)]) == 0
    return (tmp_path / "evidence.jsonl").read_text("utf-8").splitlines()


def test_an_export_is_checked_by_the_standard_library_alone(
    db: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By the copy that lies beside it, in an interpreter without site packages: no code of ours, the same head."""
    lines = _lines(db, tmp_path)
    head = verify_file(db / LEDGER).head
    assert head in capsys.readouterr().out and len(lines) == verify_file(db / LEDGER).rows + 2
    words = [sys.executable, "-I", "-S", str(tmp_path / "verify.py"), str(tmp_path / "evidence.jsonl"), "--head", head]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60, check=False, cwd=tmp_path)
    assert done.returncode == 0 and f"Head {head}" in done.stdout, done
    imports = re.findall(r"^(?:import|from) ([a-z_]+)", (tmp_path / "verify.py").read_text(), re.M)
    assert set(imports) <= set(sys.stdlib_module_names)


def test_every_altered_line_is_found(db: Path, tmp_path: Path) -> None:
    """Guards the evidence: a value, a row, their order, the end: whatever is changed is named by its line."""
    lines = _lines(db, tmp_path)
    count, head = check(lines)
    assert (count, head) == (len(lines) - 2, verify_file(db / LEDGER).head)
    for place in range(1, len(lines) - 1):
        line = json.loads(lines[place])
        name = next((name for name, value in line["row"].items() if isinstance(value, str)), None)
        changed = {**line["row"], name: "other"} if name else {**line["row"], "at_ms": 1}
        for altered in (
            [*lines[:place], json.dumps({**line, "row": changed}), *lines[place + 1 :]],
            [*lines[:place], *lines[place + 1 :]],
            [*lines[:place], lines[place], *lines[place:]],
        ):
            with pytest.raises(Broken, match=rf"line {place + 1}\b|line {place + 2}\b|rows to head"):
                check(altered)
    for broken, says in (
        (lines[:-1], "cut short"),
        ([*lines, lines[1]], "after the end"),
        (["{}", *lines[1:]], "expected 'shiftwright evidence 1'"),
        ([lines[0], "nonsense", *lines[1:]], "no JSON"),
        ([lines[0], "[]"], "expected an object"),
        ([lines[0], '{"seq": 1}'], "expected seq, kind, row and digest"),
    ):
        with pytest.raises(Broken, match=says):
            check(broken)
    with pytest.raises(Broken, match="nowhere in it"):
        check(lines, "ab" * 32)
    middle = json.loads(lines[len(lines) // 2])["digest"]
    assert check(lines, middle)[1] == head

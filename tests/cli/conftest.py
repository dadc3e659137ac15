"""A record of Kestrel Bend for the tests of import."""

from pathlib import Path

import pytest

from daemon.cli.main import main
from daemon.cli.night import on_free_ports
from daemon.folder import LEDGER
from daemon.ledger.reports import verify_file
from tests.cli.imports import Import, Refused
from tests.daemon.ledger.samples import opened
from tests.night.sites import KESTREL_BEND


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The folder of a daemon that has run once at Kestrel Bend, and has its decisions."""
    (tmp_path / "site.toml").write_text(on_free_ports((KESTREL_BEND / "site.toml").read_text("utf-8")), "utf-8")
    with opened(tmp_path / LEDGER):
        pass
    words = ("import", "decisions", KESTREL_BEND / "decisions.toml", tmp_path / "site.toml", "--db", tmp_path)
    assert main([str(word) for word in words]) == 0
    return tmp_path


@pytest.fixture
def take(folder: Path, capsys: pytest.CaptureFixture[str]) -> Import:
    """Import a text or bytes; return the exit code and what was said, errors included."""
    capsys.readouterr()

    def run(what: str, content: str | bytes, *options: str) -> tuple[int, str]:
        file = folder / f"file.{'toml' if what == 'decisions' else 'csv'}"
        file.write_bytes(content.encode() if isinstance(content, str) else content)
        code = main(["import", what, str(file), str(folder / "site.toml"), "--db", str(folder), *options])
        said = capsys.readouterr()
        return code, said.out + said.err

    return run


@pytest.fixture
def refused(folder: Path, take: Import) -> Refused:
    """Import what must be refused; return the errors, one a line. The record stays as it was, to the last row."""

    def run(what: str, content: str | bytes) -> list[str]:
        head = verify_file(folder / LEDGER).head
        code, said = take(what, content)
        assert code == 2
        assert verify_file(folder / LEDGER).head == head
        first, *errors = said.splitlines()
        assert first.endswith(f": {len(errors)} error{'s' if len(errors) > 1 else ''}")
        return errors

    return run

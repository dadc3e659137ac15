"""The hash chain finds whatever is done to the record (invariant 7: the ledger is gap-free)."""

import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.ledger.batch import NewDecision
from daemon.ledger.chain import GENESIS, SealedRow, canonical, seal_of, verify
from daemon.ledger.errors import LedgerDamaged, LedgerRow
from daemon.ledger.reports import verify_file
from daemon.ledger.tables import METADATA, SEALED
from tests.daemon.ledger.samples import keep, one_of_each, opened, stamp, tampered

_texts = st.text(st.characters(exclude_categories=["Cs"]))
_rows = st.dictionaries(_texts, st.integers() | st.booleans() | _texts)


def _typed(row: Mapping[str, object]) -> dict[str, tuple[type, object]]:
    return {name: (type(value), value) for name, value in row.items()}


@given(_rows, _rows)
def test_canonical_bytes_are_one_to_one(one: dict[str, object], other: dict[str, object]) -> None:
    """Invariant 7: no two rows share their bytes, else one could stand in for the other under its seal."""
    assert (canonical(one) == canonical(other)) == (_typed(one) == _typed(other))


@given(_rows, st.randoms())
def test_canonical_bytes_do_not_depend_on_order(row: dict[str, object], random: Any) -> None:
    """Invariant 7: a row read back in another order of columns still matches its seal."""
    names = list(row)
    random.shuffle(names)
    assert canonical({name: row[name] for name in names}) == canonical(row)


@pytest.mark.parametrize("value", [1.0, None, b"1", [1], "\ud800"])
def test_canonical_refuses_what_has_no_single_spelling(value: object) -> None:
    """Invariant 7: only whole numbers, truth values and text are sealed."""
    with pytest.raises(LedgerRow, match="got"):
        canonical({"a": value})


def test_a_seal_is_written_by_hand_once() -> None:
    """The spelling under the seal is part of the format: changing it would break every ledger there is."""
    assert canonical({"b": True, "a": 1, "c": "µ"}) == '{"a":1,"b":true,"c":"µ"}'.encode()
    assert (
        seal_of(GENESIS, 1, "event", {"code": "boot", "at_ms": 5})
        == "ea94c696c516720cc8b001a53168fd2f560728dfafba2c36cbf967df196f0dd6"
    )


def _chain(n: int) -> list[SealedRow]:
    rows, head = [], GENESIS
    for seq in range(1, n + 1):
        head = seal_of(head, seq, "event", {"n": seq})
        rows.append(SealedRow(seq, "event", head, {"n": seq}))
    return rows


def test_a_whole_chain_is_good() -> None:
    """Invariant 7: an untouched chain verifies, and tells its head."""
    rows = _chain(5)
    verdict = verify(iter(rows))
    assert (verdict.rows, verdict.head, verdict.broken_seq, verdict.why) == (5, rows[-1].digest, None, "")
    assert verify(iter(())).head == GENESIS


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a closed ledger that holds two rows of every table."""
    path = tmp_path_factory.mktemp("sealed") / "ledger.db"
    with opened(path) as ledger:
        for n in (1, 2):
            keep(ledger, *one_of_each(n), second=n)
            ledger.record_decisions([NewDecision("shift", f"east{n}", f'{{"blocks":["b{n}"]}}')], "Mina", stamp(n))
    verdict = verify_file(path)
    assert verdict.broken_seq is None
    assert verdict.rows == 1 + 2 * (len(SEALED) - 1)
    return path


@pytest.mark.parametrize("table", sorted(SEALED))
def test_every_column_of_every_row_is_sealed(sealed: Path, tmp_path: Path, table: str) -> None:
    """Invariant 7: one altered character, number or truth value in any sealed row of any table is found at its row."""
    with tampered(sealed, tmp_path / "ledger.db") as forger:
        places = [
            (seq, column) for (seq,) in forger.execute(f"SELECT seq FROM {table}") for column in SEALED[table].columns
        ]
        for seq, column in places:
            if column.name == "seq":
                continue
            forger.execute("BEGIN")
            old = forger.execute(f'SELECT "{column.name}" FROM {table} WHERE seq = ?', (seq,)).fetchone()[0]
            for new in _altered(old):
                forger.execute(f'UPDATE {table} SET "{column.name}" = ? WHERE seq = ?', (new, seq))
                forger.execute("COMMIT")
                verdict = verify_file(tmp_path / "ledger.db")
                assert (verdict.broken_seq, verdict.why[:7]) == (seq, "altered"), (column.name, old, new)
                forger.execute("BEGIN")
            forger.execute(f'UPDATE {table} SET "{column.name}" = ? WHERE seq = ?', (old, seq))
            forger.execute("COMMIT")
        assert verify_file(tmp_path / "ledger.db").broken_seq is None
        assert len(places) >= 2


def _altered(value: object) -> list[object]:
    if value == "":
        return [" "]
    if isinstance(value, str):
        return [chr(ord(value[0]) ^ 1) + value[1:], value + " ", value.encode()[:-1] + b"\xff"]
    assert isinstance(value, int)
    return [1 - value, 2, 0.5] if value in (0, 1) else [value ^ 1, str(value) + "x"]


def test_one_altered_byte_of_the_file_is_found(sealed: Path, tmp_path: Path) -> None:
    """Invariant 7: a flipped bit under a text of each table, as a worn card flips it, is found at its row."""
    whole = sealed.read_bytes()
    copy = tmp_path / "ledger.db"
    for table in sorted(set(SEALED) - {"meta", "decision"}):
        # Every sample text ends in its table's name; the first one in the file is in a row, not in an index page of it.
        for at in _places(whole, f" {table} 1".encode()):
            copy.write_bytes(whole[:at] + bytes([whole[at] ^ 0x80]) + whole[at + 1 :])
            try:
                assert verify_file(copy).broken_seq is not None or _only_in_an_index(copy), (table, at)
            except LedgerDamaged as damage:
                assert "ledger.db" in str(damage)


def _places(whole: bytes, text: bytes) -> list[int]:
    return [at for at in range(len(whole)) if whole.startswith(text, at)]


def _only_in_an_index(path: Path) -> bool:
    """Return whether SQLite itself finds that an index no longer says what its table says."""
    connection = sqlite3.connect(path)
    try:
        return "index" in str(connection.execute("PRAGMA integrity_check").fetchall())
    finally:
        connection.close()


@pytest.mark.parametrize("table", sorted(SEALED))
def test_a_removed_row_is_found(sealed: Path, tmp_path: Path, table: str) -> None:
    """Invariant 7: a row that was taken out is missed, whether its seal stays or goes."""
    with tampered(sealed, tmp_path / "ledger.db") as forger:
        seq = forger.execute(f"SELECT min(seq) FROM {table}").fetchone()[0]
        forger.execute(f"DELETE FROM {table} WHERE seq = ?", (seq,))
        verdict = verify_file(tmp_path / "ledger.db")
        assert (verdict.broken_seq, verdict.why[:7]) == (seq, "missing")
        forger.execute("DELETE FROM seal WHERE seq = ?", (seq,))
        verdict = verify_file(tmp_path / "ledger.db")
        assert (verdict.broken_seq, verdict.why[:3]) == (seq, "gap")


def test_a_swapped_pair_is_found(sealed: Path, tmp_path: Path) -> None:
    """Invariant 7: two rows of one table that change places are found at the first."""
    with tampered(sealed, tmp_path / "ledger.db") as forger:
        first, second = (seq for (seq,) in forger.execute("SELECT seq FROM event ORDER BY seq"))
        for old, new in ((first, -1), (second, first), (-1, second)):
            forger.execute("UPDATE event SET seq = ? WHERE seq = ?", (new, old))
        verdict = verify_file(tmp_path / "ledger.db")
        assert (verdict.broken_seq, verdict.why[:7]) == (first, "altered")


def test_an_appended_row_is_found(sealed: Path, tmp_path: Path) -> None:
    """Invariant 7: a row without a seal, with a made-up seal, or under a seal of another table is no evidence."""
    with tampered(sealed, tmp_path / "ledger.db") as forger:
        last = forger.execute("SELECT max(seq) FROM seal").fetchone()[0]
        forger.execute("INSERT INTO event VALUES (?, 5, 1, 'boot', '')", (last + 1,))
        verdict = verify_file(tmp_path / "ledger.db")
        assert (verdict.broken_seq, verdict.why[:6]) == (last + 1, "forged")
        forger.execute("INSERT INTO seal VALUES (?, 'event', ?)", (last + 1, "0" * 63 + "1"))
        verdict = verify_file(tmp_path / "ledger.db")
        assert (verdict.broken_seq, verdict.why[:7]) == (last + 1, "altered")
    with tampered(sealed, tmp_path / "other.db") as forger:
        forger.execute("INSERT INTO alarm_cleared VALUES (2, 5, 1, 'no_flow')")
        assert verify_file(tmp_path / "other.db").broken_seq in (2, 3)


def test_altered_seals_are_found(sealed: Path, tmp_path: Path) -> None:
    """Invariant 7: the seals themselves are held by the seals after them and by their rows."""
    with tampered(sealed, tmp_path / "ledger.db") as forger:
        forger.execute("UPDATE seal SET digest = ? WHERE seq = 3", ("f" * 64,))
        assert verify_file(tmp_path / "ledger.db").broken_seq == 3
    with tampered(sealed, tmp_path / "other.db") as forger:
        forger.execute("UPDATE seal SET kind = 'event' WHERE seq = 4")
        assert verify_file(tmp_path / "other.db").broken_seq == 4


def test_the_file_refuses_changes(sealed: Path, tmp_path: Path) -> None:
    """Evidence is append-only in the file itself, for every table and any client that honours it."""
    copy = tmp_path / "ledger.db"
    copy.write_bytes(sealed.read_bytes())
    connection = sqlite3.connect(copy)
    try:
        for table in METADATA.tables:
            for change in (f"UPDATE {table} SET seq = seq + 100", f"DELETE FROM {table}"):
                with pytest.raises(sqlite3.IntegrityError, match=f"{table} is append-only"):
                    connection.execute(change)
    finally:
        connection.close()

"""Evidence and tables say the same thing, on SQLite and on PostgreSQL."""

from typing import Any

import pytest
from sqlalchemy import Boolean, CheckConstraint, create_mock_engine
from sqlalchemy.schema import CreateTable
from sqlmodel import AutoString

from daemon.ledger.tables import EVIDENCE, FIELDS, METADATA, SEALED, WholeNumber, named


@pytest.mark.parametrize("kind", EVIDENCE, ids=named)
def test_every_class_of_evidence_has_its_table(kind: type[Any]) -> None:
    """Invariant 7: what happened is stored field by field; a field without a column would be lost."""
    stored = {int: WholeNumber, bool: Boolean, str: AutoString}
    columns = SEALED[named(kind)].columns
    assert {column.name for column in columns} == {"seq", "at_ms", "trusted", *FIELDS[kind]}
    for name, type_ in FIELDS[kind].items():
        assert isinstance(columns[name].type, stored[type_]), name


def test_every_table_is_sealed() -> None:
    """Invariant 7: there is no table outside the chain, and none without a class of evidence but the two known."""
    assert set(SEALED) == {named(kind) for kind in EVIDENCE} | {"meta", "decision"}
    assert set(METADATA.tables) == {*SEALED, "seal"}
    for name, table in SEALED.items():
        assert [key.target_fullname for key in table.columns["seq"].foreign_keys] == ["seal.seq"], name
        assert not any(column.nullable for column in table.columns), name


@pytest.mark.parametrize("name", sorted(METADATA.tables))
def test_the_tables_mean_the_same_on_postgresql(name: str) -> None:
    """Whole numbers keep 64 bits there, and every constraint has a name and no word of SQLite's own."""
    table = METADATA.tables[name]
    made = str(CreateTable(table).compile(dialect=create_mock_engine("postgresql://", lambda *_: None).dialect))
    assert "BIGINT" in made
    assert "INTEGER" not in made
    checks = [rule for rule in table.constraints if isinstance(rule, CheckConstraint)]
    assert all(str(rule.name).startswith(f"ck_{name}_") for rule in checks)
    assert not any(word in made.lower() for word in ("typeof", "glob", "json_valid", " in (0"))

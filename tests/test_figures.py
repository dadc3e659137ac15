"""The claims table of DEVELOPERS.md says what the recorded runs reached, and nothing else of them."""

from tests.figures import COLUMNS, DEVELOPERS, recorded, rows


def test_claims_are_what_the_runs_reached() -> None:
    """Each recorded row stands in the table as printed; no row of the same claim says otherwise."""
    lines = DEVELOPERS.read_text("utf-8").splitlines()
    assert rows()
    assert [row for row in rows() if row not in lines] == []
    for name, row in recorded().items():
        assert len([line for line in lines if line.startswith(f"| {row['claim']} |")]) == 1, name
        assert all("\n" not in row[column] for column in COLUMNS), name

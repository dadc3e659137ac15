"""Kestrel Bend, recorded once for all of these tests and served from a copy for each."""

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from tests.api.farms import Given, Recorded, recorded, served


@pytest.fixture(scope="session")
def record(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """Return a record with one night."""
    return recorded(tmp_path_factory.mktemp("record"))


@pytest.fixture
async def given(record: Recorded, tmp_path: Path) -> AsyncIterator[Given]:
    """Return a farm whose controller is heard."""
    async with served(record, tmp_path / "served") as found:
        yield found


@pytest.fixture
async def silent(record: Recorded, tmp_path: Path) -> AsyncIterator[Given]:
    """Return a farm whose controller was never heard."""
    async with served(record, tmp_path / "silent", is_silent=True) as found:
        yield found

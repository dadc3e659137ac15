"""A listening server for the tests of the local socket."""

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from tests.daemon.local_socket.house import House


@pytest.fixture
async def house(tmp_path: Path) -> AsyncIterator[House]:
    """Return a listening server with its scan."""
    house = House(tmp_path / "s")
    await house.server.start()
    yield house
    for client in house.clients:
        await client.close()
    await house.server.close()

"""The socket's file: who may open it, what it replaces, how long its name may be."""

import asyncio
import os
import socket
import stat
from pathlib import Path

import pytest

from daemon.local_socket.client import LocalClient
from daemon.local_socket.frames import (
    SocketPathFault,
)
from tests.daemon.local_socket.house import House


async def test_socket_file_is_for_owner_and_group(tmp_path: Path) -> None:
    """Guards who may command: mode 0660 under any umask."""
    for mask in (0o000, 0o022, 0o077):
        before = os.umask(mask)
        house = House(tmp_path / "s")
        try:
            await house.server.start()
        finally:
            os.umask(before)
        assert stat.S_IMODE(house.path.stat().st_mode) == 0o660
        await house.server.close()


async def test_stale_socket_is_replaced_and_a_living_one_is_not(tmp_path: Path) -> None:
    """Invariant 12: a socket left by a crash bars no start; a living one, or another's file, is left alone."""
    house = House(tmp_path / "s")
    with socket.socket(socket.AF_UNIX) as crashed:
        crashed.bind(str(house.path))
    await house.server.start()
    second = House(house.path)
    with pytest.raises(SocketPathFault, match="another program listens"):
        await second.server.start()
    client = await house.client()
    client.send({"snapshot": True})
    assert (await client.read())["snapshot"]["scan"] == 1
    await client.close()
    house.path.unlink()
    house.path.write_text("someone's notes")
    with pytest.raises(SocketPathFault, match="is not a socket"):
        await second.server.start()
    await house.server.close()
    assert house.path.read_text() == "someone's notes"


async def test_long_path_is_explained(tmp_path: Path) -> None:
    """Guards the first start: a path that the kernel would refuse is explained on both sides, and 107 bytes work."""
    fits = tmp_path / ("é" * 53 + "x" * 107)[: 107 - len(os.fsencode(tmp_path)) - 1]
    while len(os.fsencode(fits)) > 107:
        fits = fits.with_name(fits.name[1:])
    house = House(fits)
    await house.server.start()
    await house.server.close()
    too_long = fits.with_name(fits.name + "xx")
    for use in (House(too_long).server.start, lambda: asyncio.to_thread(LocalClient(too_long, 1.0).__enter__)):
        with pytest.raises(
            SocketPathFault, match=r"at most 107: use a shorter directory, such as /var/lib/shiftwright"
        ):
            await use()

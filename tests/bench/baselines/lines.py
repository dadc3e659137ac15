"""Requests to many devices through pymodbus: line by line side by side, with nothing looked at."""

import asyncio
from collections.abc import Sequence

from pymodbus.client import AsyncModbusTcpClient

Request = tuple[int, int, int]
"""Unit, first register, count."""


async def lines(clients: Sequence[AsyncModbusTcpClient], requests: Sequence[Sequence[Request]]) -> None:
    """Make every line's requests one after the other."""

    async def ask(client: AsyncModbusTcpClient, of_line: Sequence[Request]) -> None:
        for unit, address, count in of_line:
            await client.read_input_registers(address, count=count, device_id=unit)

    await asyncio.gather(*map(ask, clients, requests))

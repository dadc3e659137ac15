"""The requests of one scan through pymodbus, with nothing looked at."""

import asyncio

from pymodbus.client import AsyncModbusTcpClient


async def scan(relays: AsyncModbusTcpClient, signals: AsyncModbusTcpClient) -> None:
    """Read both devices side by side, and write four coils."""
    await asyncio.gather(
        relays.read_input_registers(0, count=5, device_id=1),
        signals.read_input_registers(0, count=17, device_id=2),
    )
    await relays.write_coils(0, [False] * 4, device_id=1)

"""The two requests of a scan through pymodbus, again and again, with a plant that is moved on between them."""

import time
from collections.abc import Awaitable, Callable

from pymodbus.client import AsyncModbusTcpClient


async def scan_s(port: int, move_on: Callable[[], Awaitable[object]], scans: int) -> float:
    """Return the seconds of one scan."""
    client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=1.0, retries=0)
    await client.connect()
    try:
        began_s = time.perf_counter()
        for _ in range(scans):
            await client.read_input_registers(0, count=23, device_id=1)
            await client.write_coils(0, [False] * 4, device_id=1)
            await move_on()
        return (time.perf_counter() - began_s) / scans
    finally:
        client.close()

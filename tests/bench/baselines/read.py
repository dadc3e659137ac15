"""One read of five registers through pymodbus."""

import asyncio
import time

from pymodbus.client import AsyncModbusTcpClient


async def read_us(port: int, reads: int) -> float:
    """Return the microseconds of one read, over many."""
    client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=1.0, retries=0)
    await client.connect()
    began_s = time.perf_counter()
    for _ in range(reads):
        await client.read_input_registers(0, count=5, device_id=1)
    took_s = time.perf_counter() - began_s
    client.close()
    await asyncio.sleep(0.02)
    return took_s / reads * 1e6

"""A program that imports the same libraries and makes the same requests once a second: `board.py PORT PORT`."""

import asyncio
import sys

import apscheduler.schedulers.asyncio  # noqa: F401
import pydantic  # noqa: F401
import sqlmodel  # noqa: F401
import uvloop
from pymodbus.client import AsyncModbusTcpClient


async def scan(ports: list[int], units: list[tuple[int, int]]) -> None:
    """Say when it is ready, then read every unit once a second."""
    clients = [AsyncModbusTcpClient("127.0.0.1", port=port) for port in ports]
    for client in clients:
        await client.connect()
    print("ready", flush=True)
    while True:
        for place, unit in units:
            await clients[place].read_input_registers(0, count=9, device_id=unit)
        await asyncio.sleep(1.0)


if __name__ == "__main__":
    uvloop.run(scan([int(port) for port in sys.argv[1:3]], [(0, 1), (1, 2), *((0, n + 3) for n in range(24))]))

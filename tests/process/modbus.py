"""A master of a few lines, for what a technician would set with a tool of his own."""

import asyncio

_UNIT = 1
_WATCHDOG_ADDRESS = 0


async def set_watchdog(port: int, seconds: float) -> None:
    """Set the relay block's own time-out (holding register 0, in tenths of a second)."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        request = bytes((_UNIT, 6)) + _WATCHDOG_ADDRESS.to_bytes(2, "big") + round(seconds * 10.0).to_bytes(2, "big")
        writer.write(b"\x00\x01\x00\x00\x00\x06" + request)
        reply = await asyncio.wait_for(reader.readexactly(12), 5.0)
        assert reply[6:] == request
    finally:
        writer.close()
        await writer.wait_closed()

"""A page of one line, served."""

import asyncio

_BARE = b"<!doctype html><html lang=en><title>Bare</title><p>Nothing to do.</p></html>"


async def page() -> asyncio.Server:
    """Serve it on a free port of loopback."""

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        head = (
            f"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\nContent-Length: {len(_BARE)}\r\nConnection: close\r\n\r\n"
        )
        writer.write(head.encode() + _BARE)
        await writer.drain()
        writer.close()

    return await asyncio.start_server(answer, "127.0.0.1", 0)

"""Load for the api over raw sockets, so that on two cores the load and not the loader is measured."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from daemon.clock import real_seconds
from tests.process.apis import Serving

MIX = (
    "/live",
    "/runs",
    "/blocks",
    "/session",
    "/tanks",
    "/alarms",
    "/decisions/program",
    "/readings",
    "/live",
    "/plan",
)


async def ask(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, path: str, secret: str) -> int:
    """Ask once over a connection that stays; return the length of the answer."""
    writer.write(f"GET /v1{path} HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {secret}\r\n\r\n".encode())
    head = await reader.readuntil(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 200"), head
    length = next(int(line[16:]) for line in head.split(b"\r\n") if line.lower().startswith(b"content-length: "))
    await reader.readexactly(length)
    return length


async def _client(found: Serving, paths: tuple[str, ...], until_s: float, took_s: list[float], pause_s: float) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", found.port)
    number = 0
    due_s = real_seconds()
    while real_seconds() < until_s:
        began_s = real_seconds()
        await ask(reader, writer, paths[number % len(paths)], found.secret)
        took_s.append(real_seconds() - began_s)
        number += 1
        due_s += pause_s
        await asyncio.sleep(max(0.0, due_s - real_seconds()))
    writer.close()


@asynccontextmanager
async def streams(found: Serving, count: int) -> AsyncIterator[list[int]]:
    """Keep so many event streams open; yield the bytes that came over each."""
    came = [0] * count

    async def listen(number: int) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", found.port)
        head = f"GET /v1/events HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {found.secret}\r\n\r\n"
        writer.write(head.encode())
        try:
            while part := await reader.read(65_536):
                came[number] += len(part)
        finally:
            writer.close()

    listening = [asyncio.create_task(listen(number)) for number in range(count)]
    try:
        yield came
    finally:
        for task in listening:
            task.cancel()
        await asyncio.gather(*listening, return_exceptions=True)


async def load(found: Serving, paths: tuple[str, ...], *, clients: int, a_second: float, lasts_s: float) -> list[float]:
    """Ask for so long, by so many clients; return how long each answer took in seconds."""
    took_s: list[float] = []
    until_s, pause_s = real_seconds() + lasts_s, clients / a_second
    await asyncio.gather(*(_client(found, paths, until_s, took_s, pause_s) for _ in range(clients)))
    return took_s

"""Every test leaves nothing behind (no task, socket or thread) and reaches no further than this computer."""

import asyncio
import ipaddress
import os
import socket
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from typing import Any

import pytest
import pytest_asyncio

_THREAD_END_S = 1.0


def _open_sockets() -> set[str]:
    """Return the sockets of this process by inode, which no later socket gets while one is open."""
    found = set()
    for name in os.listdir("/proc/self/fd"):
        try:
            target = os.readlink(f"/proc/self/fd/{name}")
        except FileNotFoundError:
            continue  # the descriptor of the listing itself
        if target.startswith("socket:"):
            found.add(target)
    return found


@pytest.fixture(autouse=True)
def _no_socket_or_thread_left() -> Iterator[None]:
    """Fail a test that leaves a socket open or a thread running. Set up before the loop, checked after it."""
    sockets, threads = _open_sockets(), set(threading.enumerate())
    yield
    left = [thread for thread in threading.enumerate() if thread not in threads]
    for thread in left:
        thread.join(_THREAD_END_S)  # one that was told to end may need a moment
    running = [thread.name for thread in left if thread.is_alive()]
    still_open = _open_sockets() - sockets
    if running:
        pytest.fail(f"the test left threads running: {running}", pytrace=False)
    if still_open:
        pytest.fail(f"the test left sockets open: {sorted(still_open)}", pytrace=False)


@pytest_asyncio.fixture
async def _tasks_of_the_loop() -> AsyncIterator[None]:
    """Fail when tasks are left as the test's own fixtures are gone; the loop would cancel them without a word."""
    yield
    left = asyncio.all_tasks() - {asyncio.current_task()}
    if left:
        pytest.fail(f"the test left tasks running: {sorted(str(task.get_coro()) for task in left)}", pytrace=False)


@pytest.fixture(autouse=True)
def _no_task_left(request: pytest.FixtureRequest, _no_socket_or_thread_left: None) -> None:
    """Watch the loop of an async test; a test without a loop gets none."""
    if pytest_asyncio.is_async_test(request.node):
        request.getfixturevalue("_tasks_of_the_loop")


@pytest.fixture(autouse=True, scope="session")
def _only_loopback() -> Iterator[None]:
    """Fail whatever connects to another computer."""
    with pytest.MonkeyPatch.context() as patch:
        for name in ("connect", "connect_ex"):
            patch.setattr(socket.socket, name, _guarded(getattr(socket.socket, name)))
        yield


def _guarded(connect: Callable[[socket.socket, Any], Any]) -> Callable[[socket.socket, Any], Any]:
    def guarded(self: socket.socket, address: Any) -> Any:
        if self.family in (socket.AF_INET, socket.AF_INET6) and not _is_loopback(address[0]):
            pytest.fail(f"a test may only connect to this computer, not to {address[0]}")
        return connect(self, address)

    return guarded


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"

"""The watch over leftovers is itself watched: it fails each kind of leak, and nothing else."""

from pathlib import Path

import pytest

pytest_plugins = ["pytester"]

_CONFTEST = Path(__file__).with_name("conftest.py")

_INNER = """
import asyncio
import socket
import threading

import pytest
from hypothesis import given, strategies

kept = []


async def server():
    running = await asyncio.start_server(lambda reader, writer: writer.close(), "127.0.0.1", 0)
    return running, running.sockets[0].getsockname()


@pytest.fixture
async def tidy_server():
    running, address = await server()
    task = asyncio.create_task(asyncio.sleep(60))
    yield address
    task.cancel()
    running.close()
    await running.wait_closed()


async def test_leaks_task():
    kept.append(asyncio.create_task(asyncio.sleep(60)))


async def test_leaks_server_socket():
    kept.append((await server())[0])


def test_leaks_socket():
    kept.append(socket.socket())


def test_leaks_thread():
    stop = threading.Event()
    kept.append(stop)
    threading.Thread(target=stop.wait, daemon=True, name="left-behind").start()


def test_far_connect():
    with socket.socket() as far:
        far.connect(("192.0.2.1", 9))


async def test_far_connect_async():
    await asyncio.open_connection("192.0.2.1", 9)


def test_clean_sync():
    with socket.socket() as near:
        near.settimeout(1.0)
        assert near.connect_ex(("127.0.0.1", 1)) != 0


async def test_clean_async(tidy_server):
    reader, writer = await asyncio.open_connection(*tidy_server)
    assert await reader.read() == b""
    writer.close()
    await writer.wait_closed()
    assert await asyncio.to_thread(lambda: 1) == 1


def test_clean_own_loop():
    assert asyncio.run(asyncio.sleep(0, 5)) == 5


@given(strategies.integers())
def test_clean_given(number):
    assert number == number


@given(strategies.integers())
async def test_clean_given_async(number):
    assert await asyncio.sleep(0, number) == number
"""


def test_every_kind_of_leak_fails_its_test_and_a_clean_test_passes(pytester: pytest.Pytester) -> None:
    """Guards what every other test relies on: a leaked task, socket or thread fails the test that leaked it."""
    pytester.makeconftest(_CONFTEST.read_text())
    pytester.makepyfile(test_inner=_INNER)
    pytester.makeini("""
        [pytest]
        asyncio_mode = auto
        asyncio_default_fixture_loop_scope = function
        addopts = --import-mode=importlib -p no:cacheprovider
        filterwarnings = error
    """)
    result = pytester.runpytest_subprocess(timeout=60)
    result.stdout.fnmatch_lines(
        [
            "*ERROR at teardown of test_leaks_task*",
            "the test left tasks running: *sleep*",
            "*ERROR at teardown of test_leaks_server_socket*",
            "the test left sockets open: *",
            "*ERROR at teardown of test_leaks_socket*",
            "the test left sockets open: *",
            "*ERROR at teardown of test_leaks_thread*",
            "the test left threads running: *left-behind*",
            "* test_far_connect *",
            "*a test may only connect to this computer, not to 192.0.2.1",
            "* test_far_connect_async *",
            "*a test may only connect to this computer, not to 192.0.2.1",
        ]
    )
    result.assert_outcomes(passed=9, failed=2, errors=4)

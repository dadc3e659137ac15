"""systemd hears the truth: ready once, alive only as often as needed, and never at the cost of a scan."""

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.runtime.notify import Notifier


@pytest.fixture(params=["path", "abstract"])
def systemd(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[socket.socket, str]]:
    """Return a stand-in for systemd's socket and the name that the environment gives for it."""
    name = str(tmp_path / "notify") if request.param == "path" else f"@shiftwright-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as listener:
        listener.bind(name.replace("@", "\0"))
        yield listener, name


def _heard(listener: socket.socket) -> list[str]:
    heard = []
    try:
        while True:
            heard.append(listener.recv(4096).decode())
    except BlockingIOError:
        return heard


def test_systemd_hears_every_notice(systemd: tuple[socket.socket, str]) -> None:
    """Guards the unit's Type=notify: the notices are systemd's own, on both kinds of address, one line each."""
    listener, name = systemd
    notifier = Notifier.from_environment({"NOTIFY_SOCKET": name})
    notifier.ready()
    notifier.status("shift 2: INJECT\nREADY=0")
    notifier.stopping()
    assert _heard(listener) == ["READY=1", "STATUS=shift 2: INJECT READY=0", "STOPPING=1"]


def test_watchdog_is_fed_at_half_its_time(systemd: tuple[socket.socket, str]) -> None:
    """Guards the watchdog: fed at once, then each 5 of 10 s, by the time it is handed and no other."""
    listener, name = systemd
    notifier = Notifier.from_environment(
        {"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "10000000", "WATCHDOG_PID": str(os.getpid())}
    )
    fed = []
    for scan_s in range(100, 113):
        notifier.alive(float(scan_s))
        fed += [scan_s] * len(_heard(listener))
    assert fed == [100, 105, 110]


@pytest.mark.parametrize("watchdog", [{}, {"WATCHDOG_USEC": "10000000", "WATCHDOG_PID": "1"}])
def test_no_watchdog_of_ours_is_fed(systemd: tuple[socket.socket, str], watchdog: dict[str, str]) -> None:
    """Guards the watchdog's meaning: without one, or with one for another process, nothing is fed."""
    listener, name = systemd
    Notifier.from_environment({"NOTIFY_SOCKET": name, **watchdog}).alive(100.0)
    assert _heard(listener) == []


def test_no_systemd_no_effect(monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards the demo and the shell: without NOTIFY_SOCKET no socket is even opened."""
    opened: list[object] = []
    monkeypatch.setattr(socket, "socket", lambda *kinds: opened.append(kinds))
    notifier = Notifier.from_environment({"WATCHDOG_USEC": "10000000"})
    notifier.ready()
    notifier.alive(1.0)
    notifier.status("x")
    notifier.stopping()
    assert opened == []


def test_full_or_missing_socket_delays_no_scan(systemd: tuple[socket.socket, str]) -> None:
    """Guards the scan: a systemd that does not listen costs nothing, and the lost feeding is tried again at once."""
    listener, name = systemd
    notifier = Notifier.from_environment({"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "10000000"})
    for number in range(2000):  # far more than a datagram queue holds; a blocking send would stand here for ever
        notifier.status(str(number))
    notifier.alive(100.0)
    assert "WATCHDOG=1" not in _heard(listener)
    notifier.alive(101.0)
    assert _heard(listener) == ["WATCHDOG=1"]
    listener.close()
    notifier.alive(200.0)
    notifier.stopping()
    assert notifier._alive_at_s == 101.0

"""What systemd is told: ready, alive, stopping, and one line of status."""

import os
import socket
from collections.abc import Mapping


class Notifier:
    """Sends notices to systemd's socket; does nothing when systemd gave none.

    A notice that cannot be sent at once is dropped: telling systemd never delays or ends a scan.
    """

    def __init__(self, address: str | None, watchdog_s: float | None) -> None:
        self._address = address
        self._watchdog_s = watchdog_s
        self._alive_at_s: float | None = None

    @classmethod
    def from_environment(cls, environ: Mapping[str, str]) -> "Notifier":
        """Return the notifier that systemd's variables ask for. Raises ValueError for a WATCHDOG_USEC not a number."""
        address = environ.get("NOTIFY_SOCKET")
        if address is not None and address.startswith("@"):
            address = "\0" + address[1:]
        usec = environ.get("WATCHDOG_USEC")
        ours = environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        return cls(address, int(usec) / 1e6 if usec and ours else None)

    def ready(self) -> None:
        """Tell that the first full scan is done."""
        self._send("READY=1")

    def alive(self, monotonic_s: float) -> None:
        """Feed the watchdog, at most twice per watchdog time. Call it only after a complete scan."""
        if self._watchdog_s is None:
            return
        if self._alive_at_s is not None and monotonic_s - self._alive_at_s < self._watchdog_s / 2.0:
            return
        if self._send("WATCHDOG=1"):
            self._alive_at_s = monotonic_s

    def stopping(self) -> None:
        """Tell that a controlled stop has begun."""
        self._send("STOPPING=1")

    def status(self, text: str) -> None:
        """Show one line in `systemctl status`."""
        self._send("STATUS=" + " ".join(text.split()))

    def _send(self, notice: str) -> bool:
        """Send one notice without waiting; return whether it went out."""
        if self._address is None:
            return False
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK | socket.SOCK_CLOEXEC) as out:
            try:
                out.sendto(notice.encode(), self._address)
            except OSError:
                return False
        return True

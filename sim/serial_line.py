"""A serial line without a wire: a pseudo-terminal, its far end under the path that the site file names."""

import asyncio
import os
import re
import stat
import tty
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from pymodbus.transport import ModbusProtocol

_LONGEST_FRAME = 256
"""Modbus over Serial Line V1.02, 2.3."""
_FINEST_S = 0.001
"""What the loop's timers can tell apart."""
_OWN_LINK = re.compile(r"/dev/pts/\d+")


class LineError(Exception):
    """A line cannot be made; the text says why and what to do."""


class _Wire:
    """One direction of a line: passes bytes on, no faster than `byte_s` each."""

    def __init__(self, byte_s: float, take: Callable[[bytes], None]) -> None:
        self._byte_s = byte_s
        self._take = take
        self._loop = asyncio.get_running_loop()
        self._waiting = b""
        self._passed_s = 0.0
        """When the last byte had passed, in the loop's time."""

    def send(self, data: bytes) -> None:
        """Pass `data` on: at once, or behind what is still waiting."""
        if not self._byte_s:
            self._take(data)
            return
        if not self._waiting:
            self._passed_s = self._loop.time()
            self._loop.call_later(self._byte_s, self._pass)
        self._waiting += data

    def _pass(self) -> None:
        count = int((self._loop.time() - self._passed_s) / self._byte_s)
        self._passed_s += count * self._byte_s
        passed, self._waiting = self._waiting[:count], self._waiting[count:]
        if self._waiting:
            self._loop.call_later(max(self._byte_s, _FINEST_S), self._pass)
        if passed:
            self._take(passed)


class SerialLine(asyncio.Transport):
    """The devices' end of the line. A link leads to the controller's end, which opens like a serial port."""

    def __init__(self, link: Path, byte_s: float = 0.0) -> None:
        """Make the line and its link; a byte takes `byte_s` on it. Raises LineError."""
        super().__init__()
        _make_room(link)
        self._link = link
        self._loop = asyncio.get_running_loop()
        self._from_them = _Wire(byte_s, self._hand_over)
        self._to_them = _Wire(byte_s, self._put)
        self._ours, self._theirs = os.openpty()
        # Ours stays open at both ends: a line nobody else has open would report a hang-up without end.
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self._name = os.ttyname(self._theirs)
        self._is_open = True
        try:
            link.symlink_to(self._name)
        except OSError as error:
            self.close()
            raise LineError(f"{link}: the line's link cannot be made: {error.strerror}") from error

    def serve(self, protocol: ModbusProtocol) -> None:
        """Hand what comes over the line to `protocol`, and take its answers."""
        self._protocol = protocol
        protocol.connection_made(self)
        self._loop.add_reader(self._ours, self._come)

    def write(self, data: bytes | bytearray | memoryview) -> None:
        """Send over the line."""
        self._to_them.send(bytes(data))

    def close(self) -> None:
        """Take the line down, and its link if it is still ours."""
        if not self._is_open:
            return
        self._is_open = False
        self._loop.remove_reader(self._ours)
        with suppress(OSError):
            if os.readlink(self._link) == self._name:
                self._link.unlink()
        os.close(self._ours)
        os.close(self._theirs)

    def _come(self) -> None:
        self._from_them.send(os.read(self._ours, _LONGEST_FRAME))

    def _hand_over(self, data: bytes) -> None:
        if self._is_open:
            self._protocol.data_received(data)

    def _put(self, data: bytes) -> None:
        if self._is_open:
            # Like a wire: what nobody takes is lost.
            with suppress(BlockingIOError):
                os.write(self._ours, data)


def _make_room(link: Path) -> None:
    """Take away a link that a simulator which is gone left behind; raises LineError for anything else."""
    folder = link.parent.resolve()
    if folder.is_relative_to("/dev"):
        raise LineError(f"{link}: a simulated line is a link that the simulator makes: give a path outside /dev")
    try:
        is_link = stat.S_ISLNK(os.lstat(link).st_mode)
    except OSError:
        return
    if not is_link or not _OWN_LINK.fullmatch(os.readlink(link)):
        raise LineError(f"{link}: something is there that no simulator made: give the line another path")
    if link.exists():
        raise LineError(f"{link}: a link to {os.readlink(link)}, which is in use: end its simulator or remove it")
    link.unlink()

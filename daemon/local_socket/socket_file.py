"""The socket's file: a name that the kernel takes, for owner and group alone, in place of one left by a crash."""

import os
import socket
import stat
from pathlib import Path

from daemon.local_socket.frames import SocketPathFault

MAX_PATH_BYTES = 107
"""What the kernel keeps for the name of a Unix socket, less the closing zero."""


def check_path(path: Path) -> None:
    """Raise SocketPathFault for a name that the kernel would refuse or cut."""
    length = len(os.fsencode(path))
    if length > MAX_PATH_BYTES:
        raise SocketPathFault(
            f"the socket's path has {length} bytes, the kernel takes at most {MAX_PATH_BYTES}: "
            f"use a shorter directory, such as /var/lib/shiftwright (path: {path})"
        )


def listen_at(path: Path) -> socket.socket:
    """Return a socket bound to `path`, in place of one left by a crash.

    Raises SocketPathFault when the path cannot be used, OSError when the file cannot be made.
    """
    check_path(path)
    _remove_stale(path)
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        os.fchmod(listener.fileno(), 0o660)  # bind takes the file's mode from here, so it is never open wider
        listener.bind(str(path))
        path.chmod(0o660)  # bind applied the umask, which may have taken the group's rights
    except BaseException:
        listener.close()
        raise
    return listener


def _remove_stale(path: Path) -> None:
    """Remove a socket file that nobody listens on. Raises SocketPathFault for a living one and for any other file."""
    try:
        mode = path.lstat().st_mode
    except FileNotFoundError:
        return
    if not stat.S_ISSOCK(mode):
        raise SocketPathFault(f"{path} is not a socket: move it away, or give the socket another path")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.setblocking(False)
        try:
            probe.connect(str(path))
        except (ConnectionRefusedError, FileNotFoundError):
            path.unlink(missing_ok=True)
            return
        except BlockingIOError:
            pass  # somebody listens and has a full queue
    raise SocketPathFault(f"another program listens at {path}: give each plant its own socket")

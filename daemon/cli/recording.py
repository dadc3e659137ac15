"""Decisions from the command line into the record: by the daemon when one runs, else by its own function without it."""

import getpass
import uuid
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from daemon.cli.errors import InputError, RefusedError
from daemon.clock import RealClock
from daemon.folder import SOCKET
from daemon.local_socket.client import LocalClient
from daemon.local_socket.frames import NoDaemon
from daemon.messages import Answer
from daemon.site import Plant

Bodies = Mapping[tuple[str, str], Mapping[str, Any] | None]
"""The bodies of decisions by (kind, key), as JSON has them; None removes it."""

_TIMEOUT_S = 15.0


def keep(plant: Plant, folder: Path, bodies: Bodies, versions: Mapping[tuple[str, str], int]) -> str:
    """Record decisions as `record` does, and return what was said.

    Raises RefusedError with the reason, InputError for a folder that is closed to this user, and as `record` does.
    """
    try:
        answer = record(plant, folder, bodies, versions)
    except OSError as error:
        raise InputError(f"{folder}: got {error}; expected a folder this user may write. See --db") from None
    if not answer.accepted:
        raise RefusedError(answer.reason)
    return answer.reason


def record(plant: Plant, folder: Path, bodies: Bodies, versions: Mapping[tuple[str, str], int] | None = None) -> Answer:
    """Record decisions, all or none, and return what became of it.

    `versions` are those that were read before, so that nobody's newer one is overwritten. Raises what the socket or the
    record raises, each with what to do.
    """
    decisions = [
        {"kind": kind, "key": key, "body": None if body is None else dict(body)}
        | ({"expected_version": versions.get((kind, key), 0)} if versions is not None else {})
        for (kind, key), body in bodies.items()
    ]
    command, who = uuid.uuid4().hex, getpass.getuser()
    try:
        with LocalClient(folder / SOCKET, _TIMEOUT_S) as daemon:
            return daemon.decision({"id": command, "who": who, "decisions": decisions})
    except NoDaemon:
        from daemon.runtime.recording import record_offline  # heavy, and most often a daemon runs

        return record_offline(plant, folder, decisions, who, command=command, clock=RealClock())

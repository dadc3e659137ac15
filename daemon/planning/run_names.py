"""The names of runs: what they were of, which command asked for them, and whose rest they give."""

import hashlib
from datetime import datetime

NOW = "_now"
"""Ends the name of a program that stands for one block watered by hand."""
_REST = "~rest"
"""No program's name holds it."""


def name_of(now: datetime, what: str, command_id: str, place: int) -> str:
    """Return the name of a command's run."""
    return f"{now:%Y%m%dT%H%M%SZ}-{what}{mark_of(command_id)}{place}"


def program_of(run: str) -> str:
    """Return the program that a run, or the run whose rest it is, was of: from its name."""
    return run.partition("-")[2].rpartition("-")[0].partition(_REST)[0]


def rest_mark(run: str) -> str:
    """Return what the name of a run bears that gives the rest of `run`."""
    return f"{_REST}{hashlib.sha256(run.encode()).hexdigest()[:8]}"


def mark_of(command_id: str) -> str:
    """Return what the names of a command's runs bear before their place."""
    return f"-{hashlib.sha256(command_id.encode()).hexdigest()[:6]}"


def place_of(run: str) -> int:
    """Return the place of a run's program in its START, from the run's name."""
    return int(run.rpartition("-")[2][6:])

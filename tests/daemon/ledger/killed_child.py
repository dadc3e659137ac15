"""Not a test: a nursery of ledger writers that a test kills. Each line of stdin begins one; it prints what is durable.

One process imports everything once and forks, so that twenty kills cost no twenty starts of Python. Its argument
says what they write: rows, or corrections; or a few rows on a disk that is to have faults, after a halt.
"""

import json
import os
import signal
import sys
from collections.abc import Callable
from dataclasses import replace
from itertools import count
from pathlib import Path

from daemon.clock import real_seconds
from daemon.evidence import CommandAnswered, DoseRestated, Event
from daemon.ledger import writer
from daemon.ledger.batch import NewDecision
from daemon.ledger.errors import LedgerError
from daemon.ledger.writer import open_ledger
from daemon.messages import RECORD
from tests.daemon.ledger.samples import WAIT_S, sample, stamp

RESTATED = 60
"""Rows of each correction."""
_BATCHES = 6
_PATIENCE_S = 0.15


def _write_for_ever(path: Path, name: str) -> None:
    ledger = open_ledger(path, simulated=True, stamp=stamp(), now=real_seconds)
    numbers = count(1)
    for n in count():
        rows = [Event(f"kill-{name}", str(next(numbers))) for _ in range(1 + n % 5)]
        ticket = ledger.submit(rows, stamp())
        if n % 2:
            continue  # two submissions wait together now and then
        if not ledger.wait_durable(ticket, WAIT_S):
            raise SystemExit("the ledger did not commit")
        sys.stdout.write(f"{ticket}\n")
        sys.stdout.flush()


def _correct_for_ever(path: Path, name: str) -> None:
    ledger = open_ledger(path, simulated=True, stamp=stamp(), now=real_seconds)
    for n in count(1):
        command = f"kill-{name}-{n}"
        row = replace(sample(DoseRestated), why=command)
        told = CommandAnswered(command, "Mina", "", RECORD, "[]", True, "")
        decisions = [NewDecision("mix", key, json.dumps(command)) for key in ("fill_1", "fill_2")]
        ledger.record_decisions(decisions, "Mina", stamp(), command=command, rows=[*[row] * RESTATED, told])
        sys.stdout.write(f"{n}\n")
        sys.stdout.flush()


def _write_a_few(path: Path, name: str) -> None:
    """Halt until whoever spoils the disk is ready; then write as long as it can be, or say why not."""
    os.kill(os.getpid(), signal.SIGSTOP)
    writer.RETRY_S = 0.02
    try:
        ledger = open_ledger(path, simulated=True, stamp=stamp(), now=real_seconds)
    except LedgerError as error:
        sys.stdout.write(f"{error.code} {error}\n".replace("\n", " ").strip() + "\n")
        return
    numbers = count(1)
    for n in range(_BATCHES):
        rows = [Event(f"kill-{name}", str(next(numbers))) for _ in range(1 + n % 3)]
        ticket = ledger.submit(rows, stamp())
        if not ledger.wait_durable(ticket, _PATIENCE_S):
            break
        sys.stdout.write(f"{ticket}\n")
        sys.stdout.flush()
    ledger.close(_PATIENCE_S)


def _nurse(write: Callable[[Path, str], None]) -> None:
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            sys.stdout.write(f"{os.getpid()}\n")
            sys.stdout.flush()
            name, _, path = line.strip().partition(" ")
            write(Path(path), name)
            sys.stdout.flush()
            os._exit(0)
        os.waitpid(child, 0)
        # The child may have died in the middle of a line.
        sys.stdout.write("\ndead\n")
        sys.stdout.flush()


if __name__ == "__main__":
    _nurse({"rows": _write_for_ever, "corrections": _correct_for_ever, "few": _write_a_few}[sys.argv[1]])

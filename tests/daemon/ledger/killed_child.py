"""Not a test: a nursery of ledger writers that a test kills. Each line of stdin begins one; it prints what is durable.

One process imports everything once and forks, so that twenty kills cost no twenty starts of Python.
"""

import os
import sys
from itertools import count
from pathlib import Path

from daemon.clock import real_seconds
from daemon.evidence import Event
from daemon.ledger.writer import open_ledger
from tests.daemon.ledger.samples import WAIT_S, stamp


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


for line in sys.stdin:
    child = os.fork()
    if child == 0:
        sys.stdout.write(f"{os.getpid()}\n")
        sys.stdout.flush()
        _write_for_ever(Path(sys.argv[1]), line.strip())
    os.waitpid(child, 0)
    # The child may have died in the middle of a line.
    sys.stdout.write("\ndead\n")
    sys.stdout.flush()

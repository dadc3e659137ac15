"""Cause and effect: the matrix as data. `guard` judges it each scan, `shiftwright interlocks` prints it.

A row says what must hold, for how long, in which phases, and what it does. A latched cause stays until its reset: by
itself, by an operator, or at the machine where someone must look.
"""

from typing import Final

from daemon.control.cause import Interlock, Priority, Reset, Situation
from daemon.control.causes_circuit import CIRCUIT
from daemon.control.causes_dose import DOSE
from daemon.control.causes_injection import INJECTION
from daemon.control.causes_run import MOST_BACKWASHES, RUN
from daemon.control.causes_water import WATER

__all__ = ["BY_CODE", "MATRIX", "MOST_BACKWASHES", "Interlock", "Priority", "Reset", "Situation"]

MATRIX: Final[tuple[Interlock, ...]] = (*CIRCUIT, *WATER, *INJECTION, *DOSE, *RUN)

BY_CODE: Final = {row.code: row for row in MATRIX}

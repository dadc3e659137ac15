"""Memory that nobody has written to yet: nothing has moved, nothing is on, no time has passed."""

import math
from dataclasses import MISSING, fields, is_dataclass
from typing import Any

import pytest

from daemon.control.alarms import Alarm, Alarms
from daemon.control.asked import Asked
from daemon.control.backwash import Wash
from daemon.control.block_line import BlockLine
from daemon.control.cause import Situation
from daemon.control.decide import State
from daemon.control.flush import Cleared, Rise
from daemon.control.guard import Guard, Verdict
from daemon.control.image import ChannelOutput, Image, Outputs
from daemon.control.injection import Want
from daemon.control.lease import Lease, Merged
from daemon.control.lines import Lines, Owed
from daemon.control.phases import Step
from daemon.control.rate import Rate
from daemon.control.recovery import Count, Past
from daemon.control.run import ChannelRun, Run, Window
from daemon.control.sense import Facts, Sense
from daemon.control.sense_channel import ChannelFacts, ChannelSense
from daemon.control.sense_module import ModuleSense
from daemon.control.sense_water import WaterSense
from daemon.control.states import Unit, UnitMode
from daemon.control.water import Water, WaterWant

_ALL = (
    *(Alarm, Alarms, Asked, BlockLine, ChannelFacts, ChannelOutput, ChannelRun, ChannelSense, Count, Facts, Guard),
    *(Image, Lease, Lines, Merged, ModuleSense, Outputs, Owed, Past, Rate, Rise, Run, Sense, Situation, State, Step),
    *(Verdict, Want, Wash, Water, WaterSense, WaterWant, Window),
)
_NOT_ZERO = {
    "Cleared.is_clear": True,
    "ChannelRun.trim": 1.0,
    "ChannelSense.count_l": math.nan,
    "ChannelSense.level_l": math.nan,
    "Facts.is_clock_trusted": True,
    "Guard.pressed_s": -1.0,
    "Image.is_clock_trusted": True,
    "Lease.drive": 1.0,
    "ModuleSense.uptime_s": math.nan,
    "Past.mode": UnitMode.AUTOMATIC,
    "Sense.quiet_s": math.inf,
    "WaterSense.back_s": math.inf,
    "WaterSense.count_l": math.nan,
    "WaterSense.idle_s": -math.inf,
    "WaterSense.is_gap_quiet": True,
    "WaterSense.shown_l": math.nan,
}
"""What begins as something else, and why is said where it is defined."""


def _defaults(kind: Any) -> dict[str, Any]:
    if not is_dataclass(kind):
        return dict(kind._field_defaults)
    found = {}
    for part in fields(kind):
        if part.default is not MISSING:
            found[part.name] = part.default
        elif part.default_factory is not MISSING:
            found[part.name] = part.default_factory()
    return found


def _is_nothing(value: Any) -> bool:
    if isinstance(value, tuple) and hasattr(value, "_fields"):
        return value == type(value)()
    return value is None or value is False or value == 0 or (hasattr(value, "__len__") and len(value) == 0)


@pytest.mark.parametrize("kind", [*_ALL, Cleared], ids=lambda kind: kind.__name__)
def test_a_fresh_memory_holds_nothing(kind: Any) -> None:
    """Guards the first scan after any start: it goes by nothing that did not happen."""
    for name, value in _defaults(kind).items():
        known = _NOT_ZERO.get(f"{kind.__name__}.{name}")
        if known is None:
            assert _is_nothing(value) or isinstance(value, Unit) or is_dataclass(value), f"{name} is {value}"
        else:
            assert value == known or (known != known and value != value), f"{name} is {value}"


def test_a_fresh_unit_is_idle_and_waits_for_a_person() -> None:
    """Guards a controller without a past: nothing starts by itself before somebody has put it in AUTOMATIC."""
    assert Unit().mode is UnitMode.SEMI_AUTOMATIC and Unit().phase is None
    assert State().unit == Unit() and State().run is None and State().outputs == Outputs()

"""The table of faults: how a night must end in which one of them begins, for each phase it may begin in.

It is what a careful engineer would want, and what test_fault_phases.py asserts. Nights of Kestrel Bend's low shift.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from daemon.control.states import ProcedureState

BLOCKS = ("bridge", "creek")
_COMPLETE, _STOPPED, _ABORTED = ProcedureState.COMPLETE, ProcedureState.STOPPED, ProcedureState.ABORTED


class End(NamedTuple):
    """How a night ends after the fault."""

    state: ProcedureState
    outcome: str
    alarm: str = ""
    """One that must be raised; empty: none may be."""
    energy_s: float | None = None
    """The longest that an injector or its valve may still have energy after the fault; None: as long as planned."""
    owed: tuple[str, ...] = ()
    is_told: bool = True
    """Whether the record can know what the blocks got."""


_UNSEEN = End(_COMPLETE, "DELIVERED")
_FLOW, _LEVEL, _LONG = "flow-out-of-band", "tank-empty", "phase-too-long"
_SHIFT = "shift-too-long"  # its own fault: the shifts after it would go on
_LOW, _PUMP, _DRY = "pressure-stays-low", "pump-not-running", "no-flow"
_START = "water-did-not-start"
_ALL = (*BLOCKS, "main")


@dataclass(frozen=True, slots=True)
class Row:
    """One fault, and how the nights end in which it begins in FILL, PREWET, INJECT and FLUSH."""

    fault: str
    ends: tuple[End, ...]
    """One for each phase, in their order."""
    parameters: Mapping[str, float | str]
    at_start: bool
    """Whether in FILL it begins before any valve has opened."""

    @property
    def id(self) -> str:
        """The fault with its parameters."""
        return "-".join((self.fault, *map(str, self.parameters.values())))


def _row(fault: str, *ends: End, at_start: bool = False, **parameters: float | str) -> Row:
    return Row(fault, ends, parameters, at_start)


TABLE = (
    # The water: what starts or carries it is gone, and the run stops in order.
    _row(
        "pump_no_start",
        End(_STOPPED, "NOT_RUN", _PUMP, 0.0),
        _UNSEEN,  # it runs already
        _UNSEEN,
        _UNSEEN,
        at_start=True,
    ),
    _row(
        "pump_trip",
        End(_STOPPED, "NOT_RUN", _PUMP, 0.0),
        End(_STOPPED, "NOT_RUN", _PUMP, 0.0),
        End(_STOPPED, "SHORT", _PUMP, 2.0, _ALL),
        End(_STOPPED, "DELIVERED", _PUMP, 0.0, BLOCKS),
    ),
    _row(
        "low_pressure",
        End(_STOPPED, "NOT_RUN", _START, 0.0),
        End(_STOPPED, "NOT_RUN", _LOW, 0.0),
        End(_STOPPED, "SHORT", _LOW, 2.0, _ALL),
        End(_STOPPED, "DELIVERED", _LOW, 0.0, BLOCKS),
    ),
    # It is washed over and over, in vain, as long as its phase may take.
    _row(
        "blocked_filter",
        End(_STOPPED, "NOT_RUN", _START, 0.0),
        End(_STOPPED, "NOT_RUN", _LONG, 0.0),
        End(_STOPPED, "SHORT", "backwash-too-often", 2.0, _ALL),
        End(_STOPPED, "DELIVERED", "backwash-too-often", 0.0, BLOCKS),
    ),
    _row(
        "backwash_stuck",
        End(_STOPPED, "NOT_RUN", _START, 0.0),
        End(_STOPPED, "NOT_RUN", "backwash-too-long", 0.0),
        End(_STOPPED, "SHORT", "backwash-too-long", 2.0, _ALL),
        End(_STOPPED, "DELIVERED", "backwash-too-long", 0.0, BLOCKS),
    ),
    # Through a check valve that leaks nothing flows while the pump runs.
    _row("backflow", _UNSEEN, _UNSEEN, _UNSEEN, _UNSEEN),
    # The flow is not the shift's own: nothing is injected, and the water goes on while there is pressure.
    _row(
        "burst",
        End(_STOPPED, "NOT_RUN", _START, 0.0),
        End(_COMPLETE, "NOT_RUN", _FLOW, 0.0),
        End(_COMPLETE, "SHORT", _FLOW, 8.0),
        End(_COMPLETE, "DELIVERED", _FLOW, 0.0),
    ),
    _row(
        "burst",
        End(_STOPPED, "NOT_RUN", _START, 0.0),
        End(_ABORTED, "NOT_RUN", "burst", 0.0),
        End(_ABORTED, "SHORT", "burst", 2.0, _ALL),
        End(_ABORTED, "DELIVERED", "burst", 0.0, BLOCKS),
        flow_share=4.0,
    ),
    _row(
        "valve_stuck_open",
        End(_STOPPED, "NOT_RUN", _START, 0.0),
        End(_ABORTED, "NOT_RUN", "burst", 0.0),
        End(_ABORTED, "SHORT", "burst", 8.0, _ALL),
        End(_ABORTED, "DELIVERED", "burst", 0.0, BLOCKS),
        block="ridge",
    ),
    # What is in the pipes of one that is shut stays there, and its share goes down the other's: no meter tells.
    _row(
        "valve_stuck_shut",
        End(_STOPPED, "NOT_RUN", _SHIFT, 0.0),
        End(_STOPPED, "NOT_RUN", _FLOW, 0.0),
        End(_STOPPED, "SHORT", _FLOW, 14.0, BLOCKS, is_told=False),
        End(_STOPPED, "DELIVERED", _FLOW, 0.0, BLOCKS),
        block="creek",
        at_start=True,
    ),
    _row(
        "valve_stuck_shut",
        End(_STOPPED, "NOT_RUN", _SHIFT, 0.0),
        End(_STOPPED, "NOT_RUN", _DRY, 0.0),
        End(_STOPPED, "SHORT", _DRY, 10.0, _ALL),
        End(_STOPPED, "DELIVERED", _DRY, 0.0, BLOCKS),
        at_start=True,
    ),
    # FILL waits for it, and nobody waits for one that closes behind a pump that is off.
    _row("slow_valve", _UNSEEN, _UNSEEN, _UNSEEN, _UNSEEN, at_start=True, block="creek"),
    # The injection alone: it ends, and the water goes on to its end.
    _row(
        "airlock",
        End(_COMPLETE, "SHORT", "airlock", 30.0),  # twice its stroke window: it is tried once more
        End(_COMPLETE, "SHORT", "airlock", 30.0),
        End(_COMPLETE, "SHORT", "airlock", 26.0),
        _UNSEEN,
        injector="a",
    ),
    _row(
        "empty_tank",
        End(_COMPLETE, "NOT_RUN", _LEVEL, 4.0),
        End(_COMPLETE, "NOT_RUN", _LEVEL, 4.0),
        End(_COMPLETE, "SHORT", _LEVEL, 4.0),
        _UNSEEN,
        tank="a",
    ),
    _row("tank_leak", _UNSEEN, _UNSEEN, _UNSEEN, _UNSEEN, tank="a"),  # no dose is wrong; the estimates tell of it
    # Stock goes on flowing into what should be flushed clean: the planned water is given, and the flush stays owed.
    _row(
        "siphon",
        End(_STOPPED, "SHORT", "siphon", 0.0, _ALL),
        End(_STOPPED, "SHORT", "siphon", 0.0, _ALL),
        End(_STOPPED, "DELIVERED", "siphon", None, _ALL),
        End(_STOPPED, "DELIVERED", "siphon", 0.0, _ALL),
        injector="a",
    ),
    # Meters. A seventh of the flow is within the band; the dose is metered by its own meter and hardly suffers.
    _row("flow_meter_high", _UNSEEN, _UNSEEN, _UNSEEN, _UNSEEN),
    _row("flow_meter_low", _UNSEEN, _UNSEEN, _UNSEEN, _UNSEEN),
    _row(
        "flow_meter_high",
        End(_STOPPED, "NOT_RUN", _START, 0.0),
        End(_COMPLETE, "NOT_RUN", _FLOW, 0.0),
        End(_COMPLETE, "SHORT", _FLOW, 8.0),
        End(_COMPLETE, "DELIVERED", _FLOW, 0.0),
        factor=1.4,
    ),
    # Phases go by the totaliser's litres: without them the run cannot end by itself.
    _row(
        "flow_meter_stuck",
        End(_STOPPED, "NOT_RUN", _LONG, 0.0),
        End(_STOPPED, "NOT_RUN", _LONG, 0.0),
        End(_STOPPED, "SHORT", "water-count-still", 14.0, _ALL),
        End(_STOPPED, "DELIVERED", _LONG, 0.0, BLOCKS),
    ),
    # An injector's meter that lies rules the dose; tank and EC then tell that 18 % too much went in, and not yet 13 %
    # too little on so short a night.
    _row("injector_meter_high", *[_UNSEEN._replace(alarm="injector-rate", is_told=False)] * 3, _UNSEEN),
    _row(
        "injector_meter_low",
        *[_UNSEEN._replace(outcome="OVER", alarm="injector-rate", is_told=False)] * 2,
        _UNSEEN._replace(alarm="injector-rate", is_told=False),
        _UNSEEN,
    ),
    _row(
        "pressure_broken_wire",
        End(_STOPPED, "NOT_RUN", _START, 0.0),
        End(_COMPLETE, "NOT_RUN", "pressure-bad", 0.0),
        End(_COMPLETE, "SHORT", "pressure-bad", 2.0),
        _UNSEEN,
    ),
    # Drift makes a flush longer, to its most, with an event and no alarm. A probe that is stuck before the injection
    # looks like plain water in the tank.
    _row("probe_drift", _UNSEEN, _UNSEEN, _UNSEEN, _UNSEEN),
    _row(
        "probe_stuck",
        End(_COMPLETE, "SHORT", "ec-not-rising", 130.0),
        End(_COMPLETE, "SHORT", "ec-not-rising", 130.0),
        _UNSEEN,
        _UNSEEN,
    ),
    # They keep a shift from beginning, and no shift of these nights goes by them.
    _row("rain", _UNSEEN, _UNSEEN, _UNSEEN, _UNSEEN, at_start=True),
    _row("wind", _UNSEEN, _UNSEEN, _UNSEEN, _UNSEEN, at_start=True),
    # The safety circuit: all energy off in the scan that sees it.
    *(
        _row(
            fault,
            End(_ABORTED, "NOT_RUN", alarm, 0.0),
            End(_ABORTED, "NOT_RUN", alarm, 0.0),
            End(_ABORTED, "SHORT", alarm, 2.0, _ALL),
            End(_ABORTED, "DELIVERED", alarm, 0.0, BLOCKS),
        )
        for fault, alarm in (("estop", "emergency-stop"), ("selector_hand", "selector-not-auto"))
    ),
    # Once is taken for a dip of the supply: everything is let go, and the run goes on by filling its pipes again.
    _row("relay_reboot", *[_UNSEEN._replace(alarm="outputs-restarted")] * 4),
    # A button that is held down resets nothing, and is told.
    _row("other_master", _UNSEEN, _UNSEEN, _UNSEEN, _UNSEEN),  # only silence shows it: the output check's watchdog step
    _row("reset_pressed", *[_UNSEEN._replace(alarm="reset-stuck")] * 4),
)

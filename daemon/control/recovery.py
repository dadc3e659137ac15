"""After a start: what the last durable record and the first readings say that state, and what is still owed.

A run that was under way is closed, never resumed: half-given stock is not given again. What the totalisers moved while
nobody watched enters as `estimated`, and every pipe that may hold stock owes its whole flush.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from daemon.control.decide import State
from daemon.control.guard import Guard
from daemon.control.image import Image
from daemon.control.interlocks import BY_CODE
from daemon.control.lines import MAIN, Lines, Owed, owe_everywhere
from daemon.control.open_run import Closed, OpenRun, close, moved_since
from daemon.control.record import canonical, counted
from daemon.control.states import Unit, UnitMode
from daemon.equipment import DisplacementTank, Signal
from daemon.evidence import AlarmRaised, Event, Evidence, FlushOwed, LeaseEnded, LeaseGranted, Unscheduled
from daemon.site import Plant
from daemon.units import litres, millilitres
from drivers.reading import Quality, Reading

MEMORY_LOST = "memory-lost"
UNCLEAN_BOOTS = "unclean-boots"
_MOST_UNCLEAN_BOOTS = 3
"""In half an hour (engineering judgement): with so many AUTOMATIC is refused."""
_LONGEST_DOWN_S = 30 * 86_400.0
"""What a totaliser moved beyond this time of the highest flow is the count of another meter."""


@dataclass(frozen=True, slots=True)
class Count:
    """A totaliser as the record last had it."""

    count_ml: int
    open_ml: int = 0
    """What had moved by then and was in no row."""
    booked_ml: int = 0
    """What has come into rows since."""


@dataclass(frozen=True, slots=True)
class Past:
    """What the record holds of the time before a start."""

    run: OpenRun | None = None
    """The run that began and did not end."""
    owed: tuple[FlushOwed, ...] = ()
    owed_s: Mapping[tuple[str, str], float] = field(default_factory=dict)
    """For how long already, by segment and stock; nothing where the clock was not trusted."""
    latched: tuple[str, ...] = ()
    """Alarms that were in force at the end and need a reset."""
    counts: Mapping[str, Count] = field(default_factory=dict)
    """By MAIN and channel."""
    mode: UnitMode = UnitMode.AUTOMATIC
    leases: tuple[LeaseGranted, ...] = ()
    """Those that were granted and did not end."""
    unclean_boots: int = 0
    """Within half an hour, this one among them."""
    is_lost: bool = False
    """The record of a real plant was born now: what the plant was left in is not known."""


def recover(plant: Plant, past: Past, image: Image) -> tuple[State, tuple[Evidence, ...]]:
    """Return the state to start from and the rows that close what was left open.

    `image` is the first one after the start; what a totaliser that cannot be read moved meanwhile is left to the start
    after it.
    """
    ages = past.owed_s
    owed = [
        Owed(o.segment, o.stock, o.run, litres(o.owed_ml), litres(o.owed_ml), ages.get((o.segment, o.stock), 0.0))
        for o in past.owed
    ]
    lines = Lines(owed=tuple(owed))
    rows: list[Evidence] = []
    closed = None
    if past.run is not None:
        closed = close(plant, past.run, image, _missing_l(plant, past, MAIN, image))
        rows += closed.rows
    booked, astray_l = _unwatched(plant, past, image, closed)
    rows += booked
    lines, owing = owe_everywhere(plant.site, lines, astray_l)
    rows += owing
    if past.is_lost:
        lines, owing = owe_everywhere(plant.site, lines, dict.fromkeys(plant.site.injector, float("inf")))
        rows += owing
    rows += [LeaseEnded(lease.lease, lease.target, "the controller started") for lease in past.leases]
    mode = past.mode
    is_refused = past.unclean_boots >= _MOST_UNCLEAN_BOOTS
    if is_refused and mode is UnitMode.AUTOMATIC:
        mode = UnitMode.SEMI_AUTOMATIC
        rows.append(Event("mode", canonical({"mode": mode.value, "why": f"{past.unclean_boots} unclean starts"})))
    found = {UNCLEAN_BOOTS: is_refused, MEMORY_LOST: past.is_lost}
    raised = [code for code, is_so in found.items() if is_so and code in BY_CODE and code not in past.latched]
    rows += [AlarmRaised(code, BY_CODE[code].effect.name, BY_CODE[code].latched) for code in raised]
    latched = frozenset([*raised, *(code for code in past.latched if code in BY_CODE and BY_CODE[code].latched)])
    counts_l = {name: reading.value for name, reading in _readings(image).items() if reading.quality is Quality.GOOD}
    rows.append(counted(counts_l, {}))
    return State(Unit(mode), guard=Guard(active=latched), lines=lines, emitted=len(rows)), tuple(rows)


def _unwatched(
    plant: Plant, past: Past, image: Image, closed: Closed | None
) -> tuple[list[Evidence], Mapping[str, float]]:
    """Return rows for what moved and is no run's, and the stock by channel that went nobody knows where."""
    rows: list[Evidence] = []
    astray_l = dict(closed.astray_l) if closed is not None else {}
    for name in (MAIN, *plant.site.injector):
        missing_l = _missing_l(plant, past, name, image) or 0.0
        if closed is not None and name == MAIN:
            missing_l -= closed.water_l
        elif closed is not None and name in closed.injected_l:
            if past.run is not None and name in past.run.checkpoints:
                # Its meter may count the water that washes a tank out, of which the record has the stock alone.
                is_washed_out = isinstance(plant.site.injector[name], DisplacementTank)
                missing_l = 0.0 if is_washed_out else missing_l - closed.injected_l[name]
        if missing_l < 0.5 * (_signal(plant, name).per_count or 1.0):
            continue
        rows.append(Unscheduled(name, millilitres(missing_l), "estimated", "moved while the controller did not run"))
        if name != MAIN:
            astray_l[name] = astray_l.get(name, 0.0) + missing_l
    return rows, astray_l


def _missing_l(plant: Plant, past: Past, name: str, image: Image) -> float | None:
    """Return the litres that a totaliser counted and no row of the record has; None where that is not known."""
    count = past.counts.get(name)
    reading = _readings(image)[name]
    if count is None or reading.quality is not Quality.GOOD:
        return None
    site = plant.site
    if name == MAIN:
        main = site.main
        highest_m3_h = (main.flow.at_high if main.flow is not None else None) or 8.0 * main.min_flow_m3_h
        most_l = highest_m3_h / 3.6 * _LONGEST_DOWN_S
    else:
        most_l = site.tank[site.injector[name].tank].volume_l
    moved_l = moved_since(plant, _signal(plant, name), count.count_ml, reading, most_l)
    return max(0.0, moved_l + litres(count.open_ml - count.booked_ml))


def _readings(image: Image) -> dict[str, Reading]:
    return {MAIN: image.water_l} | {name: channel.stock_l for name, channel in image.channels.items()}


def _signal(plant: Plant, name: str) -> Signal:
    return plant.site.main.water if name == MAIN else plant.site.injector[name].meter

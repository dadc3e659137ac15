"""What one scan read, and what it writes: the input and output images of `decide`."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from drivers.reading import Reading


class LedgerHealth(NamedTuple):
    """How the record stands, as an input: no record, no dose."""

    durable: int
    """Rows of `decide` known to be on disk, counted as `State.emitted` counts them."""
    pending_s: float
    """Age of the oldest row that is not, in seconds; 0 when all are."""
    writable: bool


class ChannelImage(NamedTuple):
    """One injection channel's readings."""

    stock_l: Reading
    """The injector meter's count, in litres, starting again from zero at its wrap."""
    content_l: Reading
    """Litres in its tank; BAD where the tank has no level."""


@dataclass(frozen=True, slots=True)
class Image:
    """Every reading of one scan, by what it means."""

    flow_m3_h: Reading | None
    """None where the totaliser's pulses alone tell the flow."""
    water_l: Reading
    """The main totaliser, in litres, starting again from zero at its wrap."""
    pressure_kpa: Reading
    background_ec_ms_cm: Reading | None
    line_ec_ms_cm: Reading | None
    pump_running: Reading | None
    """None where there is no pump."""
    emergency_stop_healthy: Reading
    selector_auto: Reading
    reset_button: Reading
    output_watchdog_s: Reading
    backwashing: Reading | None
    """The filter's contact; None where it has none."""
    filter_difference_kpa: Reading | None
    channels: Mapping[str, ChannelImage]
    outputs: Mapping[str, Reading]
    """What the output module says it holds: pump, backwash, valve.<block>, injection_valve and injector.<channel>."""
    ledger: LedgerHealth
    weather: Mapping[str, Reading] = field(default_factory=dict)
    """The contacts that the site has: rain, wind."""
    output_uptime_s: Reading | None = None
    """Seconds since the output module started; None where it does not tell."""
    watchdog_self_clears: Reading | None = None
    """Whether the output module's time-out clears itself once its master is back; None where it does not tell."""
    reverse_flow: Reading | None = None
    """The contact that says that water flows back to the source; None where there is none."""
    is_clock_trusted: bool = True
    far_ec_ms_cm: Mapping[str, Reading] = field(default_factory=dict)
    """EC at the outermost emitter of those blocks that have a probe there."""


@dataclass(frozen=True, slots=True)
class ChannelOutput:
    """One injection channel's outputs."""

    valve: bool = False
    run: bool = False
    drive: float = 0.0
    """0 to 1 of the injector's range."""


@dataclass(frozen=True, slots=True)
class Outputs:
    """Every output of one scan."""

    pump: bool = False
    """The supply: the pump, or where there is none that water is wanted at all."""
    pump_speed: float = 0.0
    """0 to 1 of the full one, for a pump on a drive."""
    blocks: frozenset[str] = frozenset()
    channels: Mapping[str, ChannelOutput] = field(default_factory=dict)
    """Channels not named are off."""
    backwash: bool = False


SAFE = Outputs()
"""Everything off: the first outputs after any start, and the last before any end."""


class Now(NamedTuple):
    """Time as `decide` may know it: what has passed, and the monotonic second of this scan for ages. No wall clock."""

    dt_s: float
    """Since the last scan, never negative."""
    at_s: float

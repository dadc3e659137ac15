"""The frozen copy of a run that `decide` carries: its recipe, and how far it has come."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

from daemon.control.flush import Rise
from daemon.dosing.breakthrough import Front
from daemon.dosing.draw_down import DrawDown
from daemon.dosing.pulse import Pulse
from daemon.recipe import Recipe


class Window(NamedTuple):
    """The window under way of a pump that is paced by its on-time."""

    passed_s: float = 0.0
    on_s: float = 0.0
    """How long the pump was on in it."""
    metered_l: float = 0.0
    due_s: float = 0.0
    """On-time that is owed for what has passed of this and all windows before; negative when too much was given."""


class ChannelRun(NamedTuple):
    """How far one injection channel has come."""

    injected_l: float = 0.0
    """Metered since the run began."""
    rate_l_h: float = 0.0
    """Commanded by the last scan."""
    trim: float = 1.0
    """Integral correction of the calibration curve by the injector's own meter."""
    on_s: float = 0.0
    """How long the injector has been on in one go."""
    done: bool = False
    """Its planned stock is in, or its injection was given up."""
    since_l: float = 0.0
    """Water that has passed since its last litre."""
    silences: int = 0
    """How often it was on and its meter counted nothing: it is tried again once."""
    window: Window = Window()
    level: DrawDown = DrawDown()
    """What its tank's level says of it."""


class Run(NamedTuple):
    """One run under way."""

    recipe: Recipe
    channels: Mapping[str, ChannelRun]
    run_s: float = 0.0
    phase_s: float = 0.0
    phase_water_l: float = 0.0
    phase_stock_l: float = 0.0
    settled_s: float = 0.0
    """How long flow and pressure have been steady in FILL."""
    settled_kpa: float = 0.0
    water_l: float = 0.0
    """Metered since flow was first proven; what filled the pipes displaced nothing and is not in it."""
    fill_l: float = 0.0
    backwash_l: float = 0.0
    """Metered while the filter's drain took it: it displaced nothing."""
    since_injected_l: float = 0.0
    """Water that has passed since the last injected litre."""
    loaded: frozenset[str] = frozenset()
    """Channels whose stock entered since the totaliser was last read: what it then shows did not all follow them."""
    paused_s: float = 0.0
    """How long the injection has been paused in one go."""
    held_s: float = 0.0
    """How long the run has been held, or has been trying to restart, in one go."""
    is_dry: bool = False
    """It is held with all outputs off, and begins again by filling."""
    resumes: bool = False
    """The dry hold ends by itself."""
    restarts: int = 0
    """How often the output module's own restart has held it dry."""
    injecting_l: float = 0.0
    """Water of INJECT before the dry holds that cut it."""
    intents: Mapping[str, int] = MappingProxyType({})
    """By channel, the number of the evidence row that must be on disk before its injector opens."""
    checkpoint_s: float = 0.0
    """Since the last checkpoint."""
    has_injected: bool = False
    """INJECT was entered: a flush is owed until it is done."""
    given_up: str = ""
    """Why the injection ended before its plan; empty while it has not."""
    end: str = ""
    """Why the run is ending, once it is."""
    is_last: bool = False
    """It ends for a cause that bars the shifts after it as well."""
    rise: Rise = Rise()
    """What the line's EC showed before the injection and after it."""
    pulses: Mapping[frozenset[str], Pulse] = MappingProxyType({})
    """By the channels whose stock they carry, what the line's EC showed of the injection."""
    fronts: Mapping[str, Front] = MappingProxyType({})
    """By block, what its far probe showed."""
    in_line: frozenset[str] = frozenset()
    """The channels whose stock passes the probe, or was the last to."""

    @property
    def blocks(self) -> frozenset[str]:
        """Names of the shift's blocks."""
        return frozenset([block.block for block in self.recipe.blocks])

    @property
    def intent(self) -> int:
        """Number of the newest row that an injector waits for; 0 without one."""
        return max(self.intents.values(), default=0)

    @property
    def injection_over(self) -> bool:
        """Whether nothing more will be injected in this run."""
        return bool(self.given_up) or all(channel.done for channel in self.channels.values())

    @property
    def injected_l(self) -> float:
        """Stock metered by all channels."""
        return sum(channel.injected_l for channel in self.channels.values())


def begin(recipe: Recipe) -> Run:
    """Return a run of `recipe` at its start."""
    return Run(recipe, {plan.channel: ChannelRun() for plan in recipe.channels})

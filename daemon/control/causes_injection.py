"""Rows of the matrix: injectors and tanks."""

from typing import Final

from daemon.control.cause import Interlock, Priority, Reset, Situation
from daemon.control.rate import is_far_off, is_off_band, seen_within_s
from daemon.control.states import Effect, Phase
from daemon.site import Site

_INJECT: Final = frozenset[Phase | None]({Phase.INJECT})
_NOT_INJECT: Final = frozenset[Phase | None]({None, Phase.FILL, Phase.PREWET, Phase.FLUSH})
_FALLS_S: Final = 24 * 3600.0
"""2 L/h must be seen in this time (engineering judgement)."""
_TRIES: Final = 2
"""An injector that fell silent is tried once more: a bubble passes by itself. Two are an airlock."""
_BUBBLE_S: Final = 10.0
"""How long it rests before it is tried again (engineering judgement)."""
_READ_AGAIN_S: Final = 5.0
"""A reading that comes and goes must be there for so long: each pause costs a new intent (engineering judgement)."""
_EMPTY_S: Final = 3.0
_EMPTY_BAND: Final = 0.01
"""Of the tank's volume, above its low level: a surface is never quite still."""
_SIPHON_S: Final = 120.0
"""It may begin within one of the meter's windows, and fills the next."""
_NEAR: Final = 0.9
"""An advice that the rate is off stays until it is this much better: it would come and go at its limit."""


def _has_level(site: Site, channel: str) -> bool:
    return site.tank[site.injector[channel].tank].content is not None


def _is_empty(s: Situation, share: float) -> bool:
    tanks, injectors = s.site.tank, s.site.injector
    for name, channel in s.needed:
        tank = tanks[injectors[name].tank]
        if channel.content_good and channel.content_l < tank.low_l + share * tank.volume_l:
            return True
    return False


def _silent(s: Situation) -> frozenset[str]:
    injectors = s.site.injector
    return frozenset(
        [name for name, channel in s.facts.channels.items() if channel.silent_s >= injectors[name].stroke_window_s]
    )


def _airlocked(s: Situation) -> frozenset[str]:
    if s.run is None:
        return frozenset()
    return frozenset([name for name, channel in s.run.channels.items() if channel.silences >= _TRIES])


def _off_band(s: Situation) -> frozenset[str]:
    injectors, channels = s.site.injector, s.facts.channels
    return frozenset([name for name, seen in channels.items() if is_off_band(injectors[name], seen.rate_off)])


def _stays_off_band(s: Situation) -> bool:
    injectors = s.site.injector
    return any(is_off_band(injectors[name], seen.rate_off / _NEAR) for name, seen in s.facts.channels.items())


def _far_off(s: Situation) -> frozenset[str]:
    injectors, channels = s.site.injector, s.facts.channels
    return frozenset([name for name, seen in channels.items() if is_far_off(injectors[name], seen.rate_off)])


def _rate_seen_s(site: Site) -> float:
    return max(seen_within_s(injector) for injector in site.injector.values())


INJECTION: Final[tuple[Interlock, ...]] = (
    Interlock(
        "injector-meter-bad",
        lambda s: any(not channel.meter_good for _, channel in s.needed),
        Effect.PAUSE,
        clear_s=lambda site: _READ_AGAIN_S,
        phases=_INJECT,
        magnitude="one reading that is bad, or older than it may be",
        meaning="The injector's meter cannot be read.",
        likely="A broken wire, a counter module without power, or a bus that does not answer.",
        check="Check injector meter and its wiring.",
    ),
    Interlock(
        "injector-meter-leaps",
        lambda s: any(channel.leaps for _, channel in s.needed),
        Effect.PAUSE,
        clear_s=lambda site: _READ_AGAIN_S,
        phases=_INJECT,
        magnitude="a count that goes back, or moves ten times further than the injector can make it",
        meaning="The injector's meter moved as no flow can move it. Nothing of that is booked as dose.",
        likely="A counter module that restarted or was exchanged, registers in another order, or noise on its wire.",
        check="Compare the meter's own count with what the status shows; counter module, wiring, word order.",
    ),
    Interlock(
        "tank-level-bad",
        lambda s: any(
            not channel.content_good and not channel.content_jumped
            for name, channel in s.needed
            if _has_level(s.site, name)
        ),
        Effect.PAUSE,
        clear_s=lambda site: _READ_AGAIN_S,
        phases=_INJECT,
        magnitude="one reading that is bad, or older than it may be",
        meaning="The tank's level cannot be read.",
        likely="A broken wire, or a transmitter without power.",
        check="Check level transmitter and its wiring.",
    ),
    Interlock(
        "tank-level-jump",
        lambda s: any(channel.content_jumped for _, channel in s.needed),
        Effect.PAUSE,
        clear_s=lambda site: _READ_AGAIN_S,  # longer than an empty tank needs to be seen
        phases=_INJECT,
        magnitude="a step of twice what the level may be off by and the injector draws, and 1 % of the tank at least",
        meaning="The tank's level moved faster than it can, so it is not believed until it has been steady.",
        likely="A loose wire, a transmitter that fails, or somebody who pours in a whole load at once.",
        check="Look into the tank, and at what the level shows.",
    ),
    Interlock(
        "tank-empty",
        lambda s: _is_empty(s, 0.0),
        Effect.WATER_ONLY,
        delay_s=lambda site: _EMPTY_S,
        stays=lambda s: _is_empty(s, _EMPTY_BAND),
        phases=_INJECT,
        magnitude="a level under the tank's low_l",
        meaning="The stock tank is at its low level.",
        likely="Too little was mixed, a leak, or a run that drew more than planned.",
        check="Mix a new batch; find out why the tank was short.",
    ),
    Interlock(
        "injector-silent",
        lambda s: bool(_silent(s)),
        Effect.PAUSE,
        clear_s=lambda site: _BUBBLE_S,
        channels=_silent,
        phases=_INJECT,
        window_s=lambda site: max(injector.stroke_window_s for injector in site.injector.values()),
        magnitude="no count at all within the injector's stroke window",
        meaning="The injector is on and its meter counts nothing. It rests, and is tried once more.",
        likely="Air in it, a blocked suction, a closed outlet, or a meter that does not count.",
        check="Check suction strainer and hose, prime, outlet valve. A closed outlet can burst a hose: look first.",
    ),
    Interlock(
        "airlock",
        lambda s: bool(_airlocked(s)),
        Effect.WATER_ONLY,
        channels=_airlocked,
        phases=_INJECT,
        latched=True,
        reset=Reset.AT_MACHINE,
        priority=Priority.HIGH,
        # Silent, at rest, opened with a new record, and silent again.
        window_s=lambda site: (
            2.0 * max(injector.stroke_window_s for injector in site.injector.values())
            + _BUBBLE_S
            + 6.0 * site.site.scan_s
        ),
        magnitude="the second silence in one run",
        meaning="The injector was tried again and its meter counted nothing again.",
        likely="Air in the pump's head, an empty suction hose, a closed outlet, or a meter that does not count.",
        check="Check suction, prime, outlet valve, then the meter. A closed outlet can burst a hose: look first.",
    ),
    Interlock(
        "injector-rate",
        lambda s: bool(_off_band(s)),
        Effect.NONE,
        stays=_stays_off_band,
        clear_s=_rate_seen_s,  # after a pause it is not known again at once
        channels=_off_band,
        phases=_INJECT,
        bypassable=True,
        window_s=_rate_seen_s,
        magnitude="10 % between meter and calibration, or 1.5 times their k = 2 where that is more",
        meaning="The injector's meter and its calibration do not agree at the drive that was commanded.",
        likely="Some air in the suction, a worn pump head, a blocked strainer, or a meter that is off.",
        check="Catch the injector's flow in a measuring glass for a minute: is it the meter, or the pump?",
    ),
    Interlock(
        "injector-rate-far",
        lambda s: bool(_far_off(s)),
        Effect.WATER_ONLY,
        channels=_far_off,
        phases=_INJECT,
        latched=True,
        reset=Reset.OPERATOR,
        priority=Priority.HIGH,
        window_s=_rate_seen_s,
        magnitude="30 % between meter and calibration, or 3 times their k = 2 where that is more",
        meaning="Meter and calibration of the injector are so far apart that nobody knows what is injected.",
        likely="Air in the suction, a pump of another stroke, or a meter whose litres a count are wrong.",
        check="Catch the injector's flow in a measuring glass for a minute: is it the meter, or the pump?",
    ),
    Interlock(
        "tank-falls",
        lambda s: any(channel.falls_l_h > 0.0 for channel in s.facts.channels.values()),
        Effect.NONE,
        phases=_NOT_INJECT,
        window_s=lambda site: _FALLS_S,
        magnitude="1 L/h with nothing drawn, once the level is down by all that its gauge may be off by",
        meaning="A stock tank gets emptier while nothing is drawn from it.",
        likely="A leak, a valve that was left open, or stock that creeps through the injector when it is off.",
        check="Look under the tank and along its hoses. Shut its outlet: does the level still fall?",
    ),
    Interlock(
        "siphon",
        lambda s: any(channel.idle_l_h > s.site.limits.siphon_l_h for channel in s.facts.channels.values()),
        Effect.WATER_ONLY,
        latched=True,
        reset=Reset.AT_MACHINE,
        # What somebody injects by hand is no siphon, so with the selector elsewhere nobody can tell that it is gone.
        known=lambda s: (
            s.facts.selector_auto is True and all(channel.meter_good for channel in s.facts.channels.values())
        ),
        priority=Priority.CRITICAL,
        wakes=True,
        window_s=lambda site: _SIPHON_S,
        magnitude="limits.siphon_l_h, and more than 3 counts in a minute",
        meaning="Stock flows while the injector is off.",
        likely="An injection valve that does not shut, a check valve that leaks, or a tank above the main.",
        check="Close the tank's outlet by hand; then check the injection valve and the check valve.",
    ),
)

"""Rows of the matrix: the dose, by the meters and by what the line's EC shows of it."""

from typing import Final

from daemon.control.cause import Interlock, Priority, Reset, Situation
from daemon.control.states import ACTIVE, Effect, Phase
from daemon.equipment import DisplacementTank

_INJECT: Final = frozenset[Phase | None]({Phase.INJECT})
_RISES_S: Final = 90.0
"""In this time what is injected has come to the probe, mixed, and the probe has followed: eight seconds are usual for a
probe, and half a minute for the pipe before it (engineering judgement)."""
_HIGH_S: Final = 10.0
"""Longer than a surge when an injector comes on."""
_RISEN: Final = 0.5
"""Of the expected rise. A rise that is computed is within a tenth, one rate within the flow's band: half is a fault."""
_HIGH_BAND: Final = 0.95


def _over_plan(s: Situation) -> frozenset[str]:
    if s.run is None or s.unit.procedure not in ACTIVE:
        return frozenset()
    most, done = s.site.limits.over_dose_pct / 100.0, s.run.channels
    return frozenset([p.channel for p in s.run.recipe.channels if done[p.channel].injected_l > most * p.stock_l])


def _at_cap(s: Situation) -> frozenset[str]:
    if s.run is None or s.unit.procedure not in ACTIVE:
        return frozenset()
    done = s.run.channels
    return frozenset(
        [p.channel for p in s.run.recipe.channels if p.most_l is not None and done[p.channel].injected_l > p.most_l]
    )


def _rise_ms_cm(s: Situation) -> float | None:
    """Return by how much the line's EC has risen since before INJECT; None where it is not known or says nothing."""
    if s.run is None or s.facts.ec_rise_ms_cm is None or s.run.recipe.ec_seen_ms_cm <= 0.0:
        return None
    return s.facts.ec_rise_ms_cm - (s.run.rise.before_ms_cm or 0.0)


def _does_not_rise(s: Situation) -> bool:
    """Return whether the line's EC shows less than half of what the channels that are on should make of it.

    A channel counts once its hose, which may hold water, is through. A displacement tank's strength falls as it is
    washed out, and while one is on nothing is expected.
    """
    rise_ms_cm = _rise_ms_cm(s)
    if s.run is None or rise_ms_cm is None:
        return False
    expected_ms_cm = 0.0
    for plan in s.run.recipe.channels:
        held = s.last.channels.get(plan.channel)
        if held is None or not held.valve:
            continue
        if isinstance(s.site.injector[plan.channel], DisplacementTank):
            return False
        if s.run.channels[plan.channel].injected_l > plan.hose_l:
            expected_ms_cm += plan.ec_rise_ms_cm
    return expected_ms_cm >= s.run.recipe.ec_seen_ms_cm and rise_ms_cm < _RISEN * expected_ms_cm


def _is_high(s: Situation, share: float = 1.0) -> bool:
    """Return whether the line's EC is over what a crop bears, or has risen clearly more than was planned.

    Without a flow the probe stands in whatever came last.
    """
    line_ms_cm = s.facts.line_ec_ms_cm
    if s.run is None or line_ms_cm is None or not s.facts.flow_proven:
        return False
    recipe = s.run.recipe
    if 0.0 < share * recipe.line_ec_most_ms_cm < line_ms_cm:
        return True
    rise_ms_cm = _rise_ms_cm(s)
    return rise_ms_cm is not None and 0.0 < share * recipe.ec_rise_most_ms_cm < rise_ms_cm


DOSE: Final[tuple[Interlock, ...]] = (
    Interlock(
        "line-ec-high",
        _is_high,
        Effect.WATER_ONLY,
        delay_s=lambda site: _HIGH_S,
        stays=lambda s: _is_high(s, _HIGH_BAND),
        phases=_INJECT,
        latched=True,
        reset=Reset.OPERATOR,
        known=lambda s: s.facts.line_ec_ms_cm is not None,
        priority=Priority.HIGH,
        instrument_s=30.0,
        magnitude="what a crop of the shift bears and the probe is off by, or half as much again as the planned rise",
        meaning="The line's EC is higher than it may be while injecting.",
        likely="A stock stronger than was written down, an injector that gives too much, or a probe that drifts.",
        check="Measure the water at an emitter with a hand meter; then the stock by a bucket test, then the probe.",
    ),
    Interlock(
        "ec-not-rising",
        _does_not_rise,
        Effect.WATER_ONLY,
        delay_s=lambda site: _RISES_S,
        phases=_INJECT,
        latched=True,
        reset=Reset.OPERATOR,
        known=lambda s: s.facts.ec_rise_ms_cm is not None,
        bypassable=True,
        priority=Priority.HIGH,
        magnitude="less than half of an expected rise of 0.15 mS/cm and 5 times the probes' noise, or more",
        meaning="The injector's meter counts, and the line's EC does not rise as it must.",
        likely="A stuck probe, plain water in the tank, or a torn hose: they look alike from here.",
        check="Look for stock on the floor; measure the line with a hand meter; then the tank by a bucket test.",
    ),
    Interlock(
        "dose-over-plan",
        lambda s: bool(_over_plan(s)),
        Effect.WATER_ONLY,
        channels=_over_plan,
        latched=True,
        reset=Reset.OPERATOR,
        priority=Priority.CRITICAL,
        wakes=True,
        magnitude="limits.over_dose_pct of the planned stock of a channel",
        meaning="More stock was metered than planned.",
        likely="An injector or its valve that did not go off, a siphon, or somebody who injected by hand.",
        check="Check injector, injection valve, and what the block has received.",
    ),
    Interlock(
        "dose-at-cap",
        lambda s: bool(_at_cap(s)),
        Effect.WATER_ONLY,
        channels=_at_cap,
        latched=True,
        reset=Reset.OPERATOR,
        priority=Priority.CRITICAL,
        wakes=True,
        magnitude="the stock at which the first block is at a hard cap of the event, the rolling day or the crop cycle",
        meaning="So much stock was metered that a block is at a hard cap, although the injector stops short of it.",
        likely="An injector or its valve that did not go off, a siphon, or somebody who injected by hand.",
        check="Check injector and injection valve: what let more through? Then the block's account.",
    ),
)

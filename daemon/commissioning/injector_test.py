"""An injector's calibration by timed volumes: its curve, how well it repeats, and whether it draws air."""

from collections.abc import Mapping, Sequence
from itertools import pairwise
from statistics import fmean
from typing import Final, NamedTuple

from daemon.commissioning.statistics import Line, line_through, mean_of
from daemon.dosing.agreement import Estimate

REPEATS_PCT: Final = 3.0
"""Largest less smallest of the runs at one setting, of their mean (common practice, no source)."""
_RUNS: Final = 3
_FALLING: Final = 0.97
"""Of the run before: two that fall by more, one after the other, are what a line that draws air looks like (eng.
judgement)."""


class Timed(NamedTuple):
    """One run: what was caught, or drawn from a cylinder, in a time; and what the injector's meter counted."""

    volume_l: float
    seconds: float
    metered_l: float | None = None

    @property
    def rate_l_h(self) -> float:
        """Return the rate."""
        return self.volume_l / self.seconds * 3600.0


class SettingResult(NamedTuple):
    """The runs at one setting."""

    rate_l_h: Estimate
    repeats_pct: float
    draws_air: bool
    """Each run gave less than the one before."""

    @property
    def is_repeatable(self) -> bool:
        """Whether its runs are as close as practice asks for."""
        return self.repeats_pct <= REPEATS_PCT


class InjectorResult(NamedTuple):
    """A whole calibration."""

    by_setting: Mapping[float, SettingResult]
    """By the setting, 0 to 1."""
    line: Line
    """Through all runs: rate in L/h along the setting."""
    turn_down: float
    """Highest rate over the lowest at which it still repeats."""
    meter_factor: Estimate | None
    """What was caught over what the meter counted; None where it has no count."""

    def rate_at(self, setting: float) -> Estimate:
        """Return the rate in L/h at a setting, with the interval of 95 % of the curve."""
        return self.line.at(setting)


def setting_result(runs: Sequence[Timed]) -> SettingResult:
    """Return what the runs at one setting came to.

    Raises ValueError for fewer than three, or one without volume or time: two cannot show that one was wrong.
    """
    if len(runs) < _RUNS:
        raise ValueError(f"got {len(runs)} runs; expected {_RUNS} or more at each setting")
    for run in runs:
        if not (run.volume_l > 0.0 and run.seconds > 0.0):
            raise ValueError(f"got {run.volume_l:g} L in {run.seconds:g} s; expected more than 0 of both")
    rates = [run.rate_l_h for run in runs]
    falls = all(after < _FALLING * before for before, after in pairwise(rates))
    return SettingResult(mean_of(rates), 100.0 * (max(rates) - min(rates)) / fmean(rates), falls)


def injector_result(runs: Mapping[float, Sequence[Timed]]) -> InjectorResult:
    """Return the calibration of an injector from its runs by setting, 0 to 1.

    Raises ValueError for fewer than two settings, and as setting_result does.
    """
    if len(runs) < 2:
        raise ValueError(f"got {len(runs)} settings; expected two or more, as low and as high as it is used")
    found = {setting: setting_result(of_it) for setting, of_it in sorted(runs.items())}
    points = [(setting, run.rate_l_h) for setting, of_it in runs.items() for run in of_it]
    alike = [1.0 / found[setting].rate_l_h.value ** 2 for setting, _ in points]  # a jug and a watch err by a part
    rates = {setting: result.rate_l_h.value for setting, result in found.items()}
    sound = [rates[setting] for setting, result in found.items() if result.is_repeatable]
    factors = [run.volume_l / run.metered_l for of_it in runs.values() for run in of_it if run.metered_l]
    return InjectorResult(
        by_setting=found,
        line=line_through(points, alike),
        turn_down=max(rates.values()) / min(sound) if sound else 1.0,
        meter_factor=mean_of(factors) if len(factors) > 1 else None,
    )

"""What nobody on the farm knows: how far each part is from its plate, drawn by seed."""

import random
from collections.abc import Mapping

NAMES = (
    "pipe_volume",
    "main_meter",
    "injector_meter",
    "strength",
    "emitter_flow",
    "line_ec",
    "background_ec",
    "far_ec",
    "injector_curve",
    "signal",
    "pump_efficiency",
)
"""Every kind of factor. `injector_curve` is the rate of any injector, `signal` that of pressures and levels."""


class Tolerances:
    """Hidden factors, one for each kind and item, the same for the same seed in whatever order they are asked for."""

    def __init__(self, seed: int, *, perfect: bool = False, fixed: Mapping[str, float] | None = None) -> None:
        self.seed = seed
        self.perfect = perfect
        self._fixed = dict(fixed or {})
        self.drawn: dict[str, float] = {}
        """Every factor in use, by "name" or "name.item"."""

    def within(self, name: str, spread_pct: float, item: str = "") -> float:
        """Return a factor anywhere within ± `spread_pct` alike: all that a maximum permissible error says."""
        return self._factor(name, item, self._random(name, item).uniform(-spread_pct, spread_pct))

    def around(self, name: str, k2_pct: float, item: str = "") -> float:
        """Return a factor from a bell of the given k = 2 width in %, cut off at three standard deviations."""
        deviation_pct, most_pct = self._random(name, item).gauss(0.0, k2_pct / 2.0), 1.5 * k2_pct
        return self._factor(name, item, max(-most_pct, min(most_pct, deviation_pct)))

    def offset(self, name: str, spread: float) -> float:
        """Return an offset anywhere within ± `spread`, in the spread's own unit; 0 when perfect."""
        return 0.0 if self.perfect else self._random("offset", name).uniform(-spread, spread)

    def noise(self) -> random.Random:
        """Return the source of the instruments' noise."""
        return self._random("noise", "")

    def _factor(self, name: str, item: str, deviation_pct: float) -> float:
        factor = self._fixed.get(name, 1.0 if self.perfect else 1.0 + deviation_pct / 100.0)
        self.drawn[f"{name}.{item}" if item else name] = factor
        return factor

    def _random(self, name: str, item: str) -> random.Random:
        return random.Random(f"{self.seed}/{name}/{item}")

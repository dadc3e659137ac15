"""The stock side: batches, the tanks that hold them, and the hoses from the tanks to the main."""

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sim.plug import Stock, add

CLEAN = 0
"""Number of the batch that is water."""


@dataclass(frozen=True, slots=True)
class Batch:
    """One mix of stock solution, by what is really in it."""

    nutrients_g_l: Mapping[str, float]
    product_g_l: float
    ec_ms_cm_per_g_l: float

    @property
    def ec_of_stock(self) -> float:
        """Rise of EC at full strength if EC were additive, in mS/cm: times the dilution it is the line's rise."""
        return self.product_g_l * self.ec_ms_cm_per_g_l


def mixed(parts: Sequence[tuple[Batch, float]]) -> Batch:
    """Return the batch that comes of stirring (batch, litres) together."""
    litres = sum(volume_l for _, volume_l in parts)
    names = {name for batch, _ in parts for name in batch.nutrients_g_l}
    product_g_l = sum(batch.product_g_l * volume_l for batch, volume_l in parts) / litres
    return Batch(
        {
            name: sum(batch.nutrients_g_l.get(name, 0.0) * volume_l for batch, volume_l in parts) / litres
            for name in sorted(names)
        },
        product_g_l,
        sum(batch.ec_of_stock * volume_l for batch, volume_l in parts) / litres / product_g_l,
    )


class Tank:
    """A stock tank."""

    __slots__ = ("batch", "leaked_l", "litres", "outlet_dry", "volume_l")

    def __init__(self, volume_l: float) -> None:
        self.volume_l = volume_l
        self.litres = 0.0
        """Stock in it; in a displacement tank, which is always full, as litres of what was poured in."""
        self.batch = CLEAN
        """Number of the batch in it."""
        self.leaked_l = 0.0
        """Run out onto the ground."""
        self.outlet_dry = False
        """Stands for an empty tank: nothing can be drawn and the level shows none."""

    @property
    def shown_l(self) -> float:
        """Litres that the level shows."""
        return 0.0 if self.outlet_dry else self.litres

    def draw(self, wanted_l: float) -> float:
        """Take out up to `wanted_l`; return what came."""
        if self.outlet_dry:
            return 0.0
        drawn_l = min(wanted_l, self.litres)
        self.litres -= drawn_l
        return drawn_l

    def leak(self, litres: float) -> None:
        """Let up to `litres` run out onto the ground."""
        leaked_l = min(litres, self.litres)
        self.litres -= leaked_l
        self.leaked_l += leaked_l

    def wash_out(self, water_l: float) -> float:
        """Let `water_l` pass through the closed tank, fully mixed; return the litres of stock that it takes along.

        Of what is dissolved in the volume V the share exp(-water / V) stays behind (domain sheet, section 6).
        """
        if self.outlet_dry:
            return 0.0
        taken_l = self.litres * -math.expm1(-water_l / self.volume_l)
        self.litres -= taken_l
        return taken_l


@dataclass(slots=True)
class _Part:
    """What a stretch of hose holds."""

    litres: float
    batch: int
    strength: float
    """Litres of the batch in one litre."""


class Hose:
    """From an injector to the main, always full: what is pushed in comes out after what it holds."""

    __slots__ = ("_parts", "primed_l")

    def __init__(self, volume_l: float) -> None:
        self._parts: deque[_Part] = deque()
        """The oldest first."""
        if volume_l:
            self._parts.append(_Part(volume_l, CLEAN, 0.0))
        self.primed_l: Stock = {}
        """Stock that it was filled with by hand, by batch."""

    def prime(self, batch: int) -> None:
        """Fill a hose that holds water alone with a batch."""
        if self._parts and not any(part.strength for part in self._parts):
            litres = sum(part.litres for part in self._parts)
            self._parts = deque([_Part(litres, batch, 1.0)])
            self.primed_l[batch] = self.primed_l.get(batch, 0.0) + litres

    def push(self, litres: float, batch: int, strength: float) -> list[tuple[int, float]]:
        """Push in `litres` that hold `strength` litres of a batch each; return the (batch, litres of stock) put out."""
        parts = self._parts
        if parts:
            last = parts[-1]
            if last.batch != batch or last.strength != strength:
                parts.append(_Part(litres, batch, strength))
                return self._put_out(litres)
            if len(parts) > 1:
                last.litres += litres
                return self._put_out(litres)
        return [(batch, litres * strength)] if strength else []

    def held_l(self) -> Stock:
        """Return the stock in it."""
        total: Stock = {}
        add(total, ((part.batch, part.litres * part.strength) for part in self._parts if part.strength), 1.0)
        return total

    def _put_out(self, litres: float) -> list[tuple[int, float]]:
        out = []
        while litres > 0.0:
            first = self._parts[0]
            moved_l = min(first.litres, litres)
            litres -= moved_l
            if first.strength:
                out.append((first.batch, moved_l * first.strength))
            if moved_l < first.litres:
                first.litres -= moved_l
            else:
                self._parts.popleft()
        return out

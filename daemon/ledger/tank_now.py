"""What is in a tank now: its log as people entered it, and what the record says was drawn from it since."""

from dataclasses import dataclass
from pathlib import Path

from daemon.agronomy.contents import Contents
from daemon.agronomy.showing import wrong_bag
from daemon.agronomy.tank import Entry, log_of, not_as_made_up
from daemon.decisions.base import Decisions
from daemon.decisions.tanks import Stock
from daemon.ledger.drawings import drawn_l
from daemon.site import Plant


@dataclass(frozen=True, slots=True)
class TankNow:
    """One tank, as decisions and the record have it."""

    name: str
    volume_l: float
    log: tuple[Entry, ...]
    drawn_l: float
    """Since the newest entry of the log; 0 where the tank is empty, or nobody can tell what it holds."""
    warnings: tuple[str, ...]

    @property
    def contents(self) -> Contents | None:
        """Return what it held right after the newest entry."""
        return self.log[-1].contents if self.log else None

    @property
    def why_unknown(self) -> str:
        """Return why nobody can tell what it holds; else empty."""
        return self.log[-1].why_unknown if self.log else "nobody has entered a mix yet"


def tank_now(plant: Plant, path: Path, decisions: Decisions, name: str) -> TankNow:
    """Return what is in a tank by its log, and what was drawn from it since. Raises as `reading` does."""
    log = log_of(name, decisions)
    contents = log[-1].contents if log else None
    channels = {channel for channel, injector in plant.site.injector.items() if injector.tank == name}
    since_drawn_l, warnings = 0.0, []
    if contents is not None:
        since_drawn_l = drawn_l(path, channels, round(1000.0 * contents.since.timestamp()))
        stock = decisions.get((Stock.kind, contents.stock))
        made_up = not_as_made_up(contents, stock) if isinstance(stock, Stock) else ""
        warnings = [warning for warning in (wrong_bag(contents), made_up) if warning]
    return TankNow(name, plant.site.tank[name].volume_l, log, since_drawn_l, tuple(warnings))

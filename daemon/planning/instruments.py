"""How far an instrument can be trusted: by its class, or closer while somebody's calibration of it is young."""

import math
from collections.abc import Iterator
from datetime import datetime

from daemon.decisions.base import Decisions, of_kind
from daemon.decisions.measured import Calibration
from daemon.dosing.estimates import k2_of_class_pct
from daemon.equipment import Signal
from daemon.site import Site

_YEAR_S = 365.25 * 86400.0


def calibrated(site: Site) -> Iterator[tuple[str, Signal]]:
    """Yield what a calibration may be of: the instruments whose readings make a dose, by name."""
    yield "main.water", site.main.water
    if site.main.line_ec is not None:
        yield "main.line_ec", site.main.line_ec
    for name, injector in site.injector.items():
        yield f"injector.{name}", injector.meter


def calibrated_pct(site: Site, decisions: Decisions, now: datetime) -> dict[str, float]:
    """Return the k = 2 of a reading, in percent of it, of the instruments that were calibrated, by name.

    A calibration fades: an instrument is taken to use up in a year what its class permits it, as an error of its own
    beside the calibration's (engineering judgement), so that after a year the class stands alone.
    """
    newest: dict[str, Calibration] = {}
    for found in of_kind(decisions, Calibration).values():
        before = newest.get(found.instrument)
        if found.at <= now and (before is None or before.at <= found.at):
            newest[found.instrument] = found
    known = dict(calibrated(site))
    return {
        name: _aged_pct(k2_of_class_pct(known[name].accuracy_pct_of_reading), found, now)
        for name, found in newest.items()
        if name in known
    }


def _aged_pct(class_pct: float, found: Calibration, now: datetime) -> float:
    years = (now - found.at).total_seconds() / _YEAR_S
    return min(class_pct, math.hypot(found.accuracy_pct, class_pct * years))

"""Tank enough for tonight? What each tank holds against what the night's runs draw from it."""

import math
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from daemon.planning.outlook import TankTonight, TonightRun, TonightStart
from daemon.recipe import ChannelPlan
from daemon.site import Site
from daemon.units import litres_per_second


def tanks_tonight(site: Site, starts: Iterable[TonightStart], held_l: Mapping[str, float]) -> tuple[TankTonight, ...]:
    """Return what the runs that are still to come draw, by tank and stock in the order of first injections."""
    needed_l: dict[tuple[str, str], float] = {}
    first: dict[tuple[str, str], datetime] = {}
    for run in (run for start in starts for run in start.runs):
        for channel in run.recipe.channels if run.recipe is not None else ():
            drawn = site.injector[channel.channel].tank, channel.stock
            needed_l[drawn] = needed_l.get(drawn, 0.0) + channel.stock_l
            first.setdefault(drawn, _injects(run, channel))
    found = []
    for (tank, stock), by in sorted(first.items(), key=lambda item: item[1]):
        held = held_l.get(tank)
        usable_l = None if held is None else max(0.0, held - site.tank[tank].low_l)
        found.append(TankTonight(tank, stock, held, usable_l, needed_l[tank, stock], by))
    return tuple(found)


def tank_text(tank: TankTonight, zone: ZoneInfo) -> str:
    """Return what to tell of a tank in the afternoon: whether it is enough, or how much to mix before when."""
    needs, by = f"tonight needs {_litres(tank.needed_l)} L of {tank.stock}", f"{tank.by.astimezone(zone):%H:%M}"
    if tank.usable_l is None:
        return f"Nobody knows what tank {tank.tank} holds, and {needs}: look at it before {by}."
    holds = f"Tank {tank.tank} holds {math.floor(tank.usable_l)} L above its low level and {needs}"
    return f"{holds}: mix {_litres(tank.lacks_l)} L more before {by}." if tank.lacks_l else f"{holds}: enough."


def _injects(run: TonightRun, channel: ChannelPlan) -> datetime:
    """Return when a channel begins at the earliest: once the pre-wet has passed."""
    recipe = run.recipe
    if recipe is None:
        return run.begins
    before_s = (recipe.prewet_l + channel.start_l) / litres_per_second(recipe.flow_m3_h)
    return run.begins + timedelta(seconds=before_s)


def _litres(volume_l: float) -> int:
    return math.ceil(volume_l - 1e-6)

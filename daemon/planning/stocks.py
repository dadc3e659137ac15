"""The stock solution of an injection: which channel draws it, and whether it is what the tank holds now."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from daemon.agronomy.contents import Contents
from daemon.agronomy.showing import wrong_bag
from daemon.agronomy.tank import log_of, not_as_made_up
from daemon.decisions.base import Decisions
from daemon.decisions.tanks import Stock
from daemon.decisions.watering import Injection
from daemon.planning.checks import Check, refused, warning
from daemon.planning.lookup import find
from daemon.site import Site


@dataclass(frozen=True, slots=True)
class Drawn:
    """What an injection draws."""

    channel: str
    contents: Contents
    checks: tuple[Check, ...]
    """Warnings of the batch."""


def draw_stocks(site: Site, decisions: Decisions, injections: Sequence[Injection], now: datetime) -> tuple[Drawn, ...]:
    """Return for each injection its channel and its tank's contents at `now`, which has its zone.

    Raises PlanError when no injector draws from a tank, or one does twice, or a tank holds nothing, nobody knows what,
    or another stock than the injection's.
    """
    channels = [_channel_of(site, decisions, injection) for injection in injections]
    twice = sorted({name for name in channels if channels.count(name) > 1})
    if twice:
        raise refused("injector", f"the program injects twice with injector {', '.join(twice)}")
    return tuple(
        _drawn(decisions, injection, channel, now) for injection, channel in zip(injections, channels, strict=True)
    )


def _channel_of(site: Site, decisions: Decisions, injection: Injection) -> str:
    tank = find(decisions, Stock, injection.stock).tank
    channel = next((name for name, injector in site.injector.items() if injector.tank == tank), None)
    if channel is None:
        raise refused("injector", f"no injector draws from tank {tank} of stock {injection.stock}")
    return channel


def _drawn(decisions: Decisions, injection: Injection, channel: str, now: datetime) -> Drawn:
    stock = find(decisions, Stock, injection.stock)
    contents = _contents_now(decisions, injection.stock, stock.tank, now)
    if not contents.nutrients_g_l.get(injection.nutrient):
        holds = ", ".join(contents.nutrients_g_l) or "nothing"
        raise refused("nutrient", f"stock {injection.stock} holds no {injection.nutrient}; it holds {holds}")
    told = {"wrong bag": wrong_bag(contents), "make-up": not_as_made_up(contents, stock)}
    return Drawn(channel, contents, tuple(warning(what, reason) for what, reason in told.items() if reason))


def _contents_now(decisions: Decisions, key: str, tank: str, now: datetime) -> Contents:
    log = log_of(tank, decisions)
    if not log:
        raise refused("tank", f"nobody has entered what is in tank {tank}. Mix stock {key} and enter the mix")
    newest = log[-1]
    if newest.mix.at > now:
        dated = newest.mix.at.isoformat(timespec="minutes")
        reason = f"mix {newest.key} of tank {tank} is of {dated}, later than now. Correct its date, or wait until then"
    elif newest.why_unknown:
        reason = newest.why_unknown
    elif newest.contents is None:
        reason = f"tank {tank} is empty since mix {newest.key}. Mix stock {key} and enter the mix"
    elif newest.contents.stock != key:
        reason = f"tank {tank} holds stock {newest.contents.stock}, and the program asks for {key}. Drain the tank and "
        reason += f"mix {key}, or change the program"
    else:
        return newest.contents
    raise refused("tank", reason)

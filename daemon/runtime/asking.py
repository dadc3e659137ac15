"""From a control command as it came over the socket to a request that `decide` can judge; what is wrong is told."""

import math
from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Any, Final

from daemon.control.asked import Request
from daemon.control.interlocks import BY_CODE
from daemon.control.lease import BYPASS, FORCE, LONGEST_S, PUMP, Lease
from daemon.control.states import UnitMode
from daemon.messages import Command, Verb
from daemon.recipe import Recipe
from daemon.site import Site

_LONGEST_SHELF_S: Final = 24 * 3600.0
"""An alarm that is kept quiet speaks again within a day (engineering judgement)."""
_LONGEST_REASON: Final = 200
_MODES: Final = tuple(mode.value for mode in UnitMode)


class _UnusableError(Exception):
    """Something that came with a command cannot be used."""

    def __init__(self, name: str, got: Any, expected: str) -> None:
        super().__init__(f"Refused: {name}: got {got!r}; expected {expected}.")


def request_of(site: Site, command: Command, recipes: tuple[Recipe, ...] = ()) -> Request:
    """Return the command as `decide` sees it. One whose arguments cannot be used bears a fault, and is refused."""
    plain = Request(command.id, command.verb, recipes, role=command.role, who=command.who)
    try:
        return _filled(site, plain, command.arguments)
    except _UnusableError as error:
        return replace(plain, fault=str(error))


def _filled(site: Site, plain: Request, given: Mapping[str, Any]) -> Request:
    match plain.verb:
        case Verb.MODE:
            return replace(plain, mode=UnitMode(_one_of("mode", given, _MODES)))
        case Verb.FORCE:
            return replace(plain, lease=_forced(site, plain, given))
        case Verb.BYPASS:
            target = _one_of("code", given, BY_CODE)
            lease = Lease(plain.id, BYPASS, target, True, _seconds(given, LONGEST_S), plain.who, _reason(given))
            return replace(plain, lease=lease)
        case Verb.RELEASE if "target" in given:
            return replace(plain, target=_one_of("target", given, (*_outputs(site), *BY_CODE)))
        case Verb.ACKNOWLEDGE if "code" in given:
            return replace(plain, target=_one_of("code", given, BY_CODE))
        case Verb.SHELVE:
            code, seconds = _one_of("code", given, BY_CODE), _seconds(given, _LONGEST_SHELF_S)
            return replace(plain, target=code, seconds=seconds, reason=_reason(given))
        case Verb.UNSHELVE:
            return replace(plain, target=_one_of("code", given, BY_CODE))
        case _:
            return plain


def _forced(site: Site, plain: Request, given: Mapping[str, Any]) -> Lease:
    target, is_on = _one_of("target", given, _outputs(site)), given.get("on")
    if not isinstance(is_on, bool):
        raise _UnusableError("on", is_on, "true or false")
    drive = _number("drive", given.get("drive", 1.0), 0.0, 1.0) if target.startswith("injector.") else 1.0
    return Lease(plain.id, FORCE, target, is_on, _seconds(given, LONGEST_S), plain.who, _reason(given), drive=drive)


def _outputs(site: Site) -> tuple[str, ...]:
    """Return the names of the outputs that somebody may force."""
    pump = (PUMP,) if site.pump is not None else ()
    return (*pump, *(f"valve.{name}" for name in site.block), *(f"injector.{name}" for name in site.injector))


def _one_of(name: str, given: Mapping[str, Any], known: Collection[str]) -> str:
    got = given.get(name)
    if not isinstance(got, str) or got not in known:
        raise _UnusableError(name, got, f"one of {', '.join(known)}")
    return got


def _seconds(given: Mapping[str, Any], longest_s: float) -> float:
    return 60.0 * _number("minutes", given.get("minutes"), 0.0, longest_s / 60.0)


def _number(name: str, got: Any, above: float, most: float) -> float:
    is_number = isinstance(got, int | float) and not isinstance(got, bool) and math.isfinite(got)
    if not is_number or not above < got <= most:
        raise _UnusableError(name, got, f"a number above {above:g} and at most {most:g}")
    return float(got)


def _reason(given: Mapping[str, Any]) -> str:
    got = given.get("reason")
    if not isinstance(got, str) or not got.strip() or len(got) > _LONGEST_REASON:
        raise _UnusableError("reason", got, f"why it is done, in at most {_LONGEST_REASON} characters")
    return got.strip()

"""What is given on the command line in a form of its own: days and moments, and amounts by name."""

import argparse
import math
from collections.abc import Iterable
from datetime import date, datetime, time
from zoneinfo import ZoneInfo

from daemon.cli.errors import InputError
from daemon.clock import RealClock


def moment(text: str | None, zone: str, what: str = "--at") -> datetime:
    """Return a moment in the site's zone: now without a text; a day alone is its noon, a time without offset local.

    Raises InputError for a text that is none, and for a time of day that the zone skips or has twice.
    """
    here = ZoneInfo(zone)
    if text is None:
        return RealClock().stamp().utc.astimezone(here)
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(
            f"{what}: got {text!r}; expected a day or a time such as 2026-10-13 or 2026-10-13T08:30"
        ) from None
    if "T" not in text and " " not in text:
        found = datetime.combine(found.date(), time(12))
    if found.tzinfo is not None:
        return found.astimezone(here)
    first, second = (found.replace(tzinfo=here, fold=fold) for fold in (0, 1))
    if first.utcoffset() != second.utcoffset():
        raise InputError(
            f"{what}: got {text}, which {zone} skips or has twice that day; expected it with its offset, such as "
            f"{first.isoformat()} or {second.isoformat()}"
        )
    return first


def day(text: str, what: str) -> date:
    """Return a day. Raises InputError for a text that is none."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(f"{what}: got {text!r}; expected a day such as 2026-10-13") from None


def amounts(given: Iterable[str], what: str) -> dict[str, float]:
    """Return the figures of NAME=NUMBER by name. Raises InputError for another form, and for a name given twice."""
    found: dict[str, float] = {}
    for text in given:
        name, _, number = text.partition("=")
        if name in found:
            raise InputError(f"{what}: got {name} twice; expected it once")
        found[name] = amount(number, f"{what} {text!r}", f"{what} NAME=NUMBER, such as potassium_nitrate=120")
    return found


def amount(text: str, where: str, expected: str) -> float:
    """Return a number of 0 or more. Raises InputError that says where it stood and what was expected."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and value >= 0.0):
        raise InputError(f"{where}: got {text!r}; expected a number of 0 or more, as in {expected}")
    return value


def not_negative(text: str) -> float:
    """Return the number of an option. Raises argparse's own error for what is none, or is below 0."""
    try:
        return amount(text, "", "")
    except InputError:
        raise argparse.ArgumentTypeError(f"got {text!r}; expected a number of 0 or more") from None


def count(text: str) -> int:
    """Return a whole number from 1 on; raises argparse's own error."""
    if text.isascii() and text.isdigit() and int(text) > 0:
        return int(text)
    raise argparse.ArgumentTypeError(f"got {text!r}; expected a whole number from 1 on")


def temperature(text: str) -> float:
    """Return the degrees of an option; -5 to 60, as decisions take them. Raises argparse's own error."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not -5.0 <= value <= 60.0:
        raise argparse.ArgumentTypeError(f"got {text!r}; expected -5 to 60 °C")
    return value

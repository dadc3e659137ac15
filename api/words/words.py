"""One reader's words: the sentences of a language, with numbers, days and lists as their locale writes them (CLDR)."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache, cached_property
from typing import Any, Final
from zoneinfo import ZoneInfo

from babel import Locale, UnknownLocaleError
from babel.dates import format_date, format_time
from babel.lists import format_list
from babel.numbers import format_decimal

from api.words.amounts import Amount, Unit, converted, decimals
from api.words.catalogue import DEFAULT, LANGUAGES, catalogue

_SPELLED: Final = 12
"""Numbers up to this one are written as words."""


@dataclass(frozen=True)
class Said:
    """A sentence that is still of no language: its key, and what it tells of."""

    key: str
    values: Mapping[str, Any]


@dataclass(frozen=True)
class Moment:
    """A time that may be of another day, which is told with it."""

    at: datetime


def said(key: str, **values: Any) -> Said:
    """Return a sentence of the catalogue with its values."""
    return Said(key, values)


@dataclass(frozen=True)
class Words:
    """The language, locale, units and zone in which somebody reads."""

    language: str
    locale: str
    """A locale of CLDR, such as en_AU."""
    system: str
    zone: ZoneInfo

    @cached_property
    def _cldr(self) -> Locale:
        return Locale.parse(self.locale)

    def has(self, key: str) -> bool:
        """Whether the catalogue has a sentence."""
        return key in catalogue(self.language)

    def say(self, key: str, **values: Any) -> str:
        """Return a sentence. Raises KeyError for one that the catalogue lacks, or a value that the sentence does."""
        found = catalogue(self.language)[key]
        if not isinstance(found, str):
            form = self._cldr.plural_form(values["count"])
            found = found.get(form, found["other"])
        return found.format_map({name: self._written(value) for name, value in values.items()})

    def tell(self, sentence: Said) -> str:
        """Return a sentence that was put together elsewhere."""
        return self.say(sentence.key, **sentence.values)

    def capital(self, text: str) -> str:
        """Return a text that begins a sentence."""
        return text[:1].upper() + text[1:]

    def time(self, at: datetime) -> str:
        """Return the time of the site's clock."""
        return str(format_time(at.astimezone(self.zone), "short", locale=self._cldr))

    def day(self, day: date) -> str:
        """Return a day with its weekday."""
        return str(format_date(day, "EEE d MMM", locale=self._cldr)).replace(".", "")

    def date(self, day: date) -> str:
        """Return a day with its year."""
        return str(format_date(day, "medium", locale=self._cldr))

    def moment(self, at: datetime) -> str:
        """Return a day and the time."""
        return f"{self.day(at.astimezone(self.zone).date())}, {self.time(at)}"

    def number(self, value: float, places: int | None = None) -> str:
        """Return a number; by default with as many decimals as its size calls for."""
        kept = decimals(value) if places is None else places
        rounded = round(value, kept) + 0.0  # no minus before a zero
        return str(format_decimal(rounded, format=f"#,##0.{'0' * kept}" if kept else "#,##0", locale=self._cldr))

    def amount(self, amount: Amount) -> str:
        """Return a figure with its unit."""
        value, unit = converted(amount, self.system)
        return self.number(value) if amount.is_bare else f"{self.number(value)}\N{NO-BREAK SPACE}{unit}"

    def unit(self, unit: str) -> str:
        """Return how a unit is written."""
        return converted(Amount(0.0, unit), self.system)[1]

    def name(self, key: str) -> str:
        """Return the name of a block, tank or shift as people write it."""
        return key.replace("_", " ")

    def several(self, items: Sequence[str]) -> str:
        """Return a list in a sentence."""
        return str(format_list(list(items), locale=self._cldr))

    def _written(self, value: Any) -> str:
        match value:
            case str():
                return value
            case Said():
                return self.tell(value)
            case Amount():
                return self.amount(value)
            case Unit():
                return self.unit(value.unit)
            case bool():
                raise TypeError(f"got {value!r}; expected something that can be read")
            case int():
                key = f"number.{value}"
                return self.say(key) if 0 <= value <= _SPELLED and self.has(key) else self.number(value, 0)
            case float():
                return self.number(value)
            case Moment():
                return self.moment(value.at)
            case datetime():
                return self.time(value)
            case date():
                return self.day(value)
            case tuple() | list():
                return self.several([self._written(item) for item in value])
            case _:
                raise TypeError(f"got {value!r}; expected something that can be read")


def words_for(language: str, locale: str, system: str, zone: ZoneInfo) -> Words:
    """Return the words of a language: in the site's locale where that is of it, else in the language's own."""
    chosen = language if language in LANGUAGES else DEFAULT
    fits = locale.partition("_")[0] == chosen
    return Words(chosen, locale if fits and _is_known(locale) else chosen, system, zone)


@cache
def _is_known(locale: str) -> bool:
    try:
        Locale.parse(locale)
    except UnknownLocaleError:
        return False
    return True


def language_of(locale: str, accepted: str) -> str:
    """Return the language for somebody whose browser asks by `accepted` (RFC 9110's Accept-Language).

    The first that we have counts; without one it is the site's.
    """
    for part in accepted.split(","):
        asked = part.partition(";")[0].strip().lower().partition("-")[0]
        if asked in LANGUAGES:
            return asked
    site = locale.partition("_")[0]
    return site if site in LANGUAGES else DEFAULT

"""Numbers, days, lists and units as a reader's locale writes them."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from api.words.amounts import UNITS, Amount, Unit, converted, decimals
from api.words.words import Words, language_of, said, words_for

_ZONE = ZoneInfo("Australia/Adelaide")
_NBSP = "\N{NO-BREAK SPACE}"


def _words(locale: str = "en_AU", system: str = "metric") -> Words:
    return words_for(locale.partition("_")[0], locale, system, _ZONE)


@pytest.mark.parametrize(
    ("locale", "value", "written"),
    [
        ("en_AU", 1234.0, "1,234"),
        ("en_AU", 7.44, "7.4"),
        ("en_AU", 0.125, "0.12"),
        ("es_ES", 12345.0, "12.345"),
        ("es_ES", 7.44, "7,4"),
        ("es_MX", 7.44, "7.4"),
        ("en_AU", -0.001, "0"),
    ],
)
def test_numbers_by_locale(locale: str, value: float, written: str) -> None:
    """As many figures as an instrument has, with the locale's own marks (CLDR), and no minus before a zero."""
    assert _words(locale).number(value) == written


@pytest.mark.parametrize(
    ("value", "places"), [(0.0, 0), (0.004, 0), (0.04, 2), (0.994, 2), (0.996, 1), (99.4, 1), (99.6, 0), (-7.0, 1)]
)
def test_two_or_three_figures(value: float, places: int) -> None:
    """Guards what instruments can tell, either side of each step."""
    assert decimals(value) == places


@pytest.mark.parametrize(
    ("amount", "us"),
    [
        (Amount(1.0, "kg/ha"), (2.2046226 / 2.4710538, "lb/ac")),
        (Amount(100.0, "L"), (26.417205, "gal")),
        (Amount(1.0, "m3"), (0.26417205, "kgal")),
        (Amount(40.0, "m3/h"), (40.0 * 1000.0 / 3.785411784 / 60.0, "gpm")),
        (Amount(300.0, "kPa"), (300.0 / 6.894757293, "psi")),
        (Amount(2.5, "mS/cm"), (2.5, "mS/cm")),
        (Amount(200.0, "g/L"), (200.0 * 3.785411784 / 453.59237, "lb/gal")),
        (Amount(3.2, "ha"), (3.2 * 2.4710538, "ac")),
        (Amount(5.0, "kg"), (5.0 / 0.45359237, "lb")),
        (Amount(10.0, "mm"), (10.0 / 25.4, "in")),
    ],
)
def test_customary_units(amount: Amount, us: tuple[float, str]) -> None:
    """By the exact definitions of NIST SP 811, appendix B: pound, U.S. gallon, acre of survey, pound-force."""
    value, unit = converted(amount, "us")
    assert value == pytest.approx(us[0], rel=2e-6) and unit == us[1]
    assert converted(amount, "metric")[0] == amount.value


def test_every_unit_is_written(  # a unit that a page shows and the table lacks would be an error at breakfast
) -> None:
    """With a hard space, so that no line ends between a figure and its unit."""
    for unit, (metric, _, us) in UNITS.items():
        assert _words().amount(Amount(50.0, unit)) == f"50.0{_NBSP}{metric}"
        assert _words("en_US", "us").amount(Amount(50.0, unit)).endswith(f"{_NBSP}{us}")
        assert _NBSP not in _words().amount(Amount(50.0, unit, is_bare=True))


def test_times_are_the_sites_own() -> None:
    """The site's clock, whatever the reader's telephone says, in the locale's form."""
    at = datetime(2026, 10, 13, 15, 22, tzinfo=UTC)
    assert _words().time(at).replace("\N{NARROW NO-BREAK SPACE}", " ") == "1:52 am"
    assert _words("es_ES").time(at) == "1:52"
    assert _words().day(date(2026, 10, 14)) == "Wed 14 Oct" and _words("es_ES").day(date(2026, 10, 14)) == "mié 14 oct"
    assert _words().date(date(2027, 6, 30)) == "30 Jun 2027"
    assert _words("es_ES").moment(at) == "mié 14 oct, 1:52"


def test_lists_and_small_numbers() -> None:
    """As people write them: the last by "and" or "y", up to twelve in words."""
    assert _words().several(["creek", "bridge", "hill"]) == "creek, bridge and hill"
    assert _words("es_ES").several(["creek", "hill"]) == "creek y hill"
    told = said("running.fine", count=3, blocks=("a", "b", "c"))
    assert _words().tell(told) == "three blocks are done and fine: a, b and c."
    assert "13" in _words().say("alert.more", count=13)


def test_the_locale_is_the_languages_own() -> None:
    """A reader of Spanish at a site in Australia reads Spanish numbers; a language that nobody has is English."""
    assert words_for("es", "en_AU", "metric", _ZONE).locale == "es"
    assert words_for("en", "en_AU", "metric", _ZONE).locale == "en_AU"
    assert words_for("xx", "en_AU", "metric", _ZONE).language == "en"


@pytest.mark.parametrize(
    ("accepted", "language"),
    [("es-MX,es;q=0.9,en;q=0.8", "es"), ("en-AU", "en"), ("de-DE,es;q=0.5", "es"), ("de", "en"), ("", "en")],
)
def test_the_browsers_language(accepted: str, language: str) -> None:
    """The first that there is (RFC 9110, 12.5.4); else the site's."""
    assert language_of("en_AU", accepted) == language
    assert language_of("es_MX", "de") == "es"


def test_what_is_no_word_is_refused() -> None:
    """Neither None nor a truth comes to a reader; nor a sentence that the catalogue lacks, or with a gap."""
    for value in (None, True, object()):
        with pytest.raises(TypeError):
            _words().say("missed.refused", what="x", reason=value)
    with pytest.raises(KeyError):
        _words().say("missed.refused")
    with pytest.raises(KeyError):
        _words().say("no.such")
    assert _words().say("morning.of", given=Amount(1.0, "L", is_bare=True), planned=Unit("L")) == "1.0 of L"

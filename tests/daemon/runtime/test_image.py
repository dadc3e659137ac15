"""The input image: each reading under what it means."""

from pathlib import Path

from daemon.control.image import LedgerHealth
from daemon.runtime.field import Field
from daemon.site_file import parse_site
from drivers.profile import load_profiles
from drivers.reading import Quality, Reading

_EVERY_KIND = Path(__file__).parents[2] / "every_kind.toml"
_WEATHER = '[weather]\nrain = "station.in6"\nwind = "station.in7"\n\n'


def _field(text: str) -> Field:
    return Field(parse_site(text, load_profiles()), load_profiles(), lambda: 0.0)


def test_rain_and_wind_are_read_where_they_are_wired() -> None:
    """Guards the two contacts, which look alike: each is its own point, and a site without them has none."""
    text = _EVERY_KIND.read_text("utf-8")
    field = _field(text)
    readings = {ref: Reading(0.0, Quality.GOOD, 0.0) for ref in field._plant.points}
    readings["station.in6"] = Reading(1.0, Quality.GOOD, 0.0)
    readings["station.in7"] = Reading(0.0, Quality.BAD, 0.0)
    ledger = LedgerHealth(0, 0.0, True)
    image = field.image(readings, ledger)
    assert image.weather == {"rain": readings["station.in6"], "wind": readings["station.in7"]}
    assert _field(text.replace(_WEATHER, "")).image(readings, ledger).weather == {}

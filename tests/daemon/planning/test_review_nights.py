"""Each thing that does not fit in what is decided about nights is told once, at its key path, with what was meant."""

import pytest

from daemon.planning.decided import parse_decisions
from daemon.planning.review import check_decisions
from daemon.site_file import inspect_site
from drivers.profile import load_profiles
from tests.night.sites import KESTREL_BEND, edited

_SITE = (KESTREL_BEND / "site.toml").read_text("utf-8")
_GIVEN = (KESTREL_BEND / "decisions.toml").read_text("utf-8")
_NIGHTLY = '[timetable.nightly]\nprograms = ["low_night", "high_night", "grove_night"]\nstarts = [22:00:00]\n'
_WITHOUT_TIMETABLE = {_NIGHTLY: ""}
_TIMETABLE = """
[timetable.{key}]
programs = ["{program}"]
starts = ["21:00:00"]
{more}
"""
_TONIGHT = """
[tonight.one]
night = 2026-10-13
shifts = ["{shift}"]
do = "skip"
why = "a test"
"""
_TRANSIT = """
[transit.{block}]
litres = 5000.0
accuracy_pct = 5.0
at = 2026-10-12T08:00:00+10:30
by = "Mina"
how = "EC probe on the outermost emitter"
"""
_CALIBRATION = """
[calibration.jug]
instrument = "{instrument}"
accuracy_pct = 0.8
at = 2026-10-12T08:00:00+10:30
by = "Mina"
how = "a minute into a measuring glass, three times"
"""


def _problems(more: str, changes: dict[str, str] | None = None) -> list[str]:
    decided = parse_decisions(edited(_GIVEN, changes or {}) + more)
    found = inspect_site(_SITE, load_profiles())
    return [str(problem) for problem in (*decided.problems, *check_decisions(found, decided))]


def _timetable(key: str, program: str, more: str = "") -> str:
    return _TIMETABLE.format(key=key, program=program, more=more)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (
            _timetable("day", "grove_nigt"),
            "timetable.day.programs: got 'grove_nigt'; expected a program of this file. Nearest known: grove_night",
        ),
        (
            _timetable("day", "grove_night") + _timetable("dusk", "grove_night"),
            "timetable.dusk.programs: got program 'grove_night', which timetable 'day' runs already; expected each "
            "program in one timetable",
        ),
        (
            _timetable("day", "grove_night", 'inhibited_by = ["wind"]'),
            "timetable.day.inhibited_by: got 'wind'; expected a contact of the site: weather.wind. Without it nothing",
        ),
        (
            _TONIGHT.format(shift="hihg"),
            "tonight.one.shifts: got 'hihg'; expected a shift of this file. Nearest known: high",
        ),
        (_TRANSIT.format(block="hil"), "transit.hil: got 'hil'; expected a block of the site. Nearest known: hill"),
        (
            _CALIBRATION.format(instrument="injector.aa"),
            "calibration.jug.instrument: got 'injector.aa'; expected one of the site. Nearest known: injector.a",
        ),
        (_CALIBRATION.format(instrument="main.pressure"), "calibration.jug.instrument: got 'main.pressure'; expected"),
    ],
)
def test_each_misfit_is_told_once(more: str, said: str) -> None:
    """Guards the cross-checks of nights: where, what was got, what was expected, the nearest name."""
    (told,) = _problems(more, _WITHOUT_TIMETABLE)
    assert told.startswith(said)


def test_what_fits_is_not_told() -> None:
    """Guards the tests above: the same with right names has nothing to tell, a skipped night neither."""
    more = _timetable("day", "grove_night") + _TONIGHT.format(shift="high") + _TRANSIT.format(block="hill")
    more += _CALIBRATION.format(instrument="main.line_ec")
    assert _problems(more, _WITHOUT_TIMETABLE) == []


def test_a_block_to_follow_is_one_of_the_shift() -> None:
    """Guards `meet`: a block of another shift is told with those of the program's own."""
    changes = {'shift = "low"\nwater': 'shift = "low"\nmeet = "hill"\nwater'}
    (told,) = _problems("", changes)
    assert told.startswith("program.low_night.meet: got 'hill'; expected mean, lowest, or a block of shift low: creek,")


def test_a_stock_of_other_nights_is_checked_on_its_own() -> None:
    """Guards injections by night: a dose that only Thursday's tank cannot bear is told, and once."""
    changes = {
        'recommendation = "avocados_2026", inject_m3 = 54.0 }]': (
            'dose_kg_ha = 4.0, inject_m3 = 54.0, nights = ["mon"] },\n'
            '  { stock = "potassium", nutrient = "K", dose_kg_ha = 400.0, inject_m3 = 54.0, nights = ["thu"] }]'
        )
    }
    told = _problems("", changes)
    assert told and len(set(told)) == len(told)
    assert all(one.startswith("program.grove_night: got a night that fails for its ") for one in told)
    assert any("injector range" in one for one in told)

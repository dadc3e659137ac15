"""Nights at risk, each mark on either side of its threshold; the thresholds are common practice, no source."""

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from daemon.agronomy.past import PastDose, PastRun
from daemon.decisions.base import Decision
from daemon.decisions.crops import Cycle, Stage
from daemon.decisions.shed import Rainfall
from daemon.planning.losses import LossRisk, loss_risks
from daemon.planning.run_names import rest_mark

_ZONE = ZoneInfo("Australia/Adelaide")
_NIGHT = date(2026, 10, 13)
_AT = datetime(2026, 10, 13, 22, tzinfo=_ZONE)
_AREAS_HA = {"creek": 2.0}


def _dose(run: str = "r1", committed_kg: float = 10.0, delivered_kg: float = 10.0) -> PastDose:
    return PastDose(run, "creek", "N", _AT, 10.0, delivered_kg, committed_kg, 0.1, False, False)


def _run(run: str = "r1", watered_m3: float = 100.0, planned_m3: float = 100.0, hours: float = 0.0) -> PastRun:
    return PastRun(run, _AT + timedelta(hours=hours), {"creek": planned_m3}, {"creek": watered_m3}, ())


def _risks(
    doses: list[PastDose], runs: list[PastRun], most_mm: float | None = None, **rain_mm: float
) -> tuple[LossRisk, ...]:
    cycle = Cycle(
        crop="mandarins", blocks=("creek",), starts=date(2026, 7, 1), ends=date(2027, 6, 30),
        stages=(Stage(name="all", starts=date(2026, 7, 1)),), water_most_mm=most_mm,
    )  # fmt: skip
    decisions: dict[tuple[str, str], Decision] = {
        ("rainfall", day): Rainfall(on=date(2026, 10, int(day[1:])), mm=mm, by="Mina") for day, mm in rain_mm.items()
    }
    return loss_risks(decisions, cycle, _AREAS_HA, doses, runs, _ZONE)


def test_a_good_night_is_not_marked() -> None:
    """Flushed, as planned and dry: nothing is said, nor of a night without fertiliser, whatever fell on it."""
    assert _risks([_dose()], [_run()], most_mm=5.0) == ()
    assert _risks([], [_run(watered_m3=500.0)], d14=90.0) == ()
    assert _risks([_dose(committed_kg=0.0, delivered_kg=0.0)], [_run(watered_m3=500.0)], d14=90.0) == ()


def test_a_flush_cut_short() -> None:
    """More than a flush leaves behind stayed in the lines of the night's last run; what came through later did not."""
    assert _risks([_dose(delivered_kg=9.81)], [_run()]) == ()
    assert _risks([_dose(delivered_kg=9.0)], [_run()]) == (LossRisk(_NIGHT, "creek", "flush", 10.0),)
    assert _risks([_dose(delivered_kg=9.0)], [_run(), _run("r2", planned_m3=0.0, watered_m3=9.0, hours=2.0)]) == ()


@pytest.mark.parametrize(
    ("rain", "marked"), [({"d14": 19.9}, []), ({"d14": 12.0, "d15": 8.0}, [20.0]), ({"d16": 50.0}, [])]
)
def test_rain_soon_after(rain: dict[str, float], marked: list[float]) -> None:
    """The mornings' gauges of the night and of the day after it count together."""
    assert [risk.figure for risk in _risks([_dose()], [_run()], **rain) if risk.why == "rain"] == marked


def test_more_water_than_planned() -> None:
    """A tenth is as planned; the rest of a run that was cut off is of that one's plan and plans nothing besides."""
    assert _risks([_dose()], [_run(watered_m3=110.0)]) == ()
    assert _risks([_dose()], [_run(watered_m3=125.0)]) == (LossRisk(_NIGHT, "creek", "water", 25.0),)
    rest = f"r2{rest_mark('r1')}"
    cut = [_run(watered_m3=60.0), _run(rest, watered_m3=60.0, planned_m3=40.0, hours=1.0)]
    assert [risk.figure for risk in _risks([_dose()], cut)] == [pytest.approx(20.0)]


def test_more_water_than_the_roots_hold() -> None:
    """100 m3 on 2 ha are 5 mm; what the agronomist says of the depth holds, and without a word nothing does."""
    assert _risks([_dose()], [_run()], most_mm=5.0) == _risks([_dose()], [_run()]) == ()
    assert _risks([_dose()], [_run()], most_mm=4.0) == (LossRisk(_NIGHT, "creek", "depth", 1.0),)


def test_the_newest_night_first() -> None:
    """And a night outside the cycle is another's."""
    old = PastRun("r0", _AT - timedelta(days=1), {"creek": 100.0}, {"creek": 150.0}, ())
    outside = PastRun("rx", _AT - timedelta(days=365), {"creek": 100.0}, {"creek": 150.0}, ())
    found = _risks([_dose("r0"), _dose(), _dose("rx")], [outside, old, _run(watered_m3=150.0)])
    assert [risk.night for risk in found] == [_NIGHT, _NIGHT - timedelta(days=1)]

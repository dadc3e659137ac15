"""What the blocks have had, sorted once for many questions: the same answers as a look through every row."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.agronomy.past import NO_DOSES, Past, PastDose, PastWater

_ZONES = st.sampled_from(["Australia/Adelaide", "America/Santiago", "Europe/Lisbon"]).map(ZoneInfo)
_MOMENTS = st.integers(0, 31 * 86_400).map(lambda s: datetime(2026, 3, 20, tzinfo=UTC) + timedelta(seconds=s))
_DAYS = st.dates(date(2026, 3, 18), date(2026, 4, 22))
_DOSES = st.lists(
    st.builds(
        PastDose,
        run=st.just("run"),
        block=st.sampled_from(["creek", "ridge"]),
        nutrient=st.sampled_from(["N", "K"]),
        at=_MOMENTS,
        planned_kg=st.floats(0.0, 50.0),
        delivered_kg=st.just(1.0),
        committed_kg=st.floats(0.0, 50.0),
        u_kg=st.just(0.1),
        is_disputed=st.booleans(),
        is_revised=st.just(False),
    ),
    max_size=12,
)


@given(_DOSES, _DOSES, _ZONES, _DAYS, _DAYS)
def test_a_span_of_days_is_what_a_look_through_all_finds(
    first: list[PastDose], more: list[PastDose], zone: ZoneInfo, begin: date, end: date
) -> None:
    """Guards the index: rows and sums of a span are those whose local day lies in it, whether or not it grew later."""
    past = Past(tuple(first))
    past.doses_by_block("N", zone)  # sorted before it grows
    for one in (past.also(more, ()), Past((*first, *more))):
        found = one.doses_by_block("N", zone).get("creek", NO_DOSES).between(begin, end)
        of_block = [dose for dose in (*first, *more) if (dose.block, dose.nutrient) == ("creek", "N")]
        wanted = [dose for dose in of_block if begin <= dose.at.astimezone(zone).date() <= end]
        assert sorted(found.rows, key=id) == sorted(wanted, key=id)
        assert found.amount == pytest.approx(sum(dose.had_kg for dose in wanted), abs=1e-9)
        newest = [day for day, _ in found.newest_first()]
        assert newest == sorted((dose.at.astimezone(zone).date() for dose in wanted), reverse=True)


@given(_DOSES, _ZONES, _MOMENTS)
def test_what_is_later_than_a_moment(doses: list[PastDose], zone: ZoneInfo, moment: datetime) -> None:
    """Guards a cap over 24 hours: just the rows later than the moment, over a change of the clock as well."""
    found = Past(tuple(doses)).doses_by_block("K", zone).get("ridge", NO_DOSES).after(moment.astimezone(zone))
    of_block = [dose for dose in doses if (dose.block, dose.nutrient) == ("ridge", "K")]
    assert sorted(found.rows, key=id) == sorted((dose for dose in of_block if dose.at > moment), key=id)


def test_water_is_kept_by_its_source() -> None:
    """Guards nitrate in the water: 3 and 4 m3 of the bore are one, 5 m3 of the dam another; the older past stays."""
    at, zone = datetime(2026, 3, 20, 12, tzinfo=UTC), ZoneInfo("Europe/Lisbon")
    before = Past(water=(PastWater("run_1", "creek", at, 3.0, "bore"),))
    assert before.water_by_block(zone)["creek"]["bore"].amount == 3.0
    rows = (
        PastWater("run_2", "creek", at - timedelta(days=2), 4.0, "bore"),
        PastWater("run_3", "creek", at, 5.0, "dam"),
    )
    by_source = before.also((), rows).water_by_block(zone)["creek"]
    assert {source: found.amount for source, found in by_source.items()} == {"bore": 7.0, "dam": 5.0}
    assert [row.run for row in by_source["bore"].rows] == ["run_2", "run_1"]
    assert {source: found.amount for source, found in before.water_by_block(zone)["creek"].items()} == {"bore": 3.0}

"""What was measured stands for what the site file has, until the part that was measured is written anew."""

from datetime import UTC, datetime

import pytest

from daemon.as_measured import as_measured, measured_transit, transit_parts
from daemon.decisions.measured import Curve, Transit
from daemon.equipment import MeteringPump
from daemon.site import section_digest
from tests.daemon.commissioning.walk import plant_of

PLANT = plant_of("kestrel_bend")
SITE = PLANT.site
AT = datetime(2026, 9, 1, tzinfo=UTC)
POINTS = ((0.1, 48.0), (0.5, 244.0), (1.0, 489.0))


def _curve(section: str) -> Curve:
    return Curve(points=POINTS, accuracy_pct=1.2, at=AT, by="Tomas", how="a cylinder", section=section)


def _transit(section: str) -> Transit:
    return Transit(litres=15_000.0, accuracy_pct=2.0, at=AT, by="Tomas", how="the far probe", section=section)


@pytest.mark.parametrize(
    ("section", "holds"), [(section_digest((SITE.injector["a"],)), True), ("", True), ("0" * 16, False)]
)
def test_a_measured_curve_replaces_the_site_files(section: str, holds: bool) -> None:
    """Rates and accuracy both; the plant's own digest stays, and so does every other injector."""
    made = as_measured(PLANT, {(Curve.kind, "a"): _curve(section)})
    injector = made.site.injector["a"]
    assert isinstance(injector, MeteringPump)
    assert (injector.curve == POINTS and injector.accuracy_pct == 1.2) is holds
    assert made.digest == PLANT.digest and made.site.injector["b"] == SITE.injector["b"]
    assert injector.highest_l_h == (489.0 if holds else 500.0)


def test_without_a_measurement_the_plant_is_the_site_files() -> None:
    """Nothing is made anew; nor for an injector that is gone, or that has no curve."""
    assert as_measured(PLANT, {}) is PLANT
    assert as_measured(PLANT, {(Curve.kind, "gone"): _curve("")}) is PLANT
    kinds = plant_of("every_kind")
    others = [name for name, injector in kinds.site.injector.items() if not isinstance(injector, MeteringPump)]
    assert others and all(as_measured(kinds, {(Curve.kind, name): _curve("")}) is kinds for name in others)


def test_a_measured_transit_holds_until_its_pipes_are_written_anew() -> None:
    """The pipes on its way alone: another block's do not count."""
    section = section_digest(transit_parts(SITE, "creek"))
    decided = {(Transit.kind, "creek"): _transit(section)}
    assert measured_transit(SITE, decided, "creek") is not None and measured_transit(SITE, decided, "ridge") is None
    for name, is_kept in (("creek", False), ("ridge", True)):
        block = SITE.block[name]
        wider = block.model_copy(update={"lateral": block.lateral.model_copy(update={"bore_mm": 17.6})})
        site = SITE.model_copy(update={"block": {**SITE.block, name: wider}})
        assert (measured_transit(site, decided, "creek") is not None) is is_kept

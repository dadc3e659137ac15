"""Steps in their other ways, over real Modbus TCP: a transit by hand and by dye, cans with EC, a displacement tank."""

import re
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from tests.night import steps_answered as enter
from tests.night.places import kestrel, places
from tests.night.sites import edited
from tests.night.technician import Technician, at_the_plant, u_of, value_of
from tests.night.whole import Cans, transit_l

_EVERY_S, _SOON_S = 120, 30
_FAR_APART, _READS = 9, 60
_PROGRAMS = re.compile(r"(?ms)^\[{1,2}(program|timetable)\..*?(?=^\[{1,2}(?!\[|program|timetable)|\Z)")


@pytest.fixture
async def technician(tmp_path: Path) -> AsyncIterator[Technician]:
    """Give a technician at a Kestrel Bend of short pipes."""
    place = kestrel(tmp_path, "kestrel_bend")
    decisions = tmp_path / "decided.toml"
    decisions.write_text(place.decisions, "utf-8")
    async with at_the_plant(place.site_file, decisions, tmp_path / "db", seed=11) as found:
        yield found


async def by_hand(technician: Technician, stage: str) -> dict[str, Any]:
    """Read the EC at the outermost emitter to 2 %, every two minutes and then each half, until the pulse has passed."""
    if stage == "way":
        return {"how": "meter in the hand", "instrument": "an EC meter", "emitter": "the last of the last lateral"}
    for _ in range((_EVERY_S if technician.reads < _FAR_APART else _SOON_S) // 2):
        await technician.service.step()
    rise = (await technician.truth())["far_ec_rise_ms_cm"][enter.BLOCK]
    technician.reads += 1
    if technician.reads > _READS:
        return {"done": True}
    return {"ms_cm": technician.read(0.6 + rise, 0.02 * (0.6 + rise))}


async def by_dye(technician: Technician, stage: str) -> dict[str, Any]:
    """See dye arrive where the plant's own pulse would: half of the stock's front at the outermost emitter."""
    if stage == "way":
        return {"how": "dye", "instrument": "eyes", "emitter": "the last of the last lateral"}
    if stage == "pulse":
        return {}
    truth = await technician.truth()
    litres = transit_l(technician, truth["hidden"])
    seconds = litres / (truth["line"]["flow_m3_h"] / 3.6)
    until_s = technician.service.clock.monotonic_s() + seconds
    while technician.service.clock.monotonic_s() < until_s:
        await technician.service.step()
    return {"watch_s": technician.read(seconds, 1.0)}


async def test_a_transit_by_hand(tmp_path: Path) -> None:
    """Sixty readings by hand at a block of its full size find what the far probe would, within 5 %."""
    place = kestrel(tmp_path, "kestrel_bend", part=1.0, share=1.0)
    decisions = tmp_path / "decided.toml"
    decisions.write_text(place.decisions, "utf-8")
    async with at_the_plant(place.site_file, decisions, tmp_path / "db", seed=11) as technician:
        result = await technician.lead("transit", enter.BLOCK, by_hand)
        truth_l = transit_l(technician, (await technician.truth())["hidden"])
        assert value_of(result, "transit") == pytest.approx(truth_l, rel=0.05), result
        assert technician.service.scanner.is_at_rest()


async def test_a_transit_by_dye(technician: Technician) -> None:
    """A stopwatch does, and its two seconds are stated."""
    result = await technician.lead("transit", enter.BLOCK, by_dye)
    truth_l = transit_l(technician, (await technician.truth())["hidden"])
    assert value_of(result, "transit") == pytest.approx(truth_l, rel=0.05), result
    assert u_of(result, "transit") > 0.0


async def test_cans_with_their_ec(technician: Technician) -> None:
    """The uniformity of the dose, what the worst quarter receives, and a map of the block."""
    technician.cans = Cans(5)

    async def with_ec(technician: Technician, stage: str) -> dict[str, Any]:
        values = await enter.uniformity(technician, stage)
        if stage == "cans":
            ms_cm = [technician.read(1.6, 0.03) for _ in values["ml"]]
            values |= {"ms_cm": ms_cm, "background_ms_cm": 0.6, "mean_kg_ha": 8.0}
        return values

    result = await technician.lead("uniformity", enter.BLOCK, with_ec)
    water, dose = (value_of(result, f"DU of the low quarter, {of}") for of in ("water", "dose"))
    assert 0.0 < dose < 100.0 and abs(dose - water) < 15.0
    assert value_of(result, "the worst quarter receives") == pytest.approx(8.0 * dose / 100.0, rel=0.01)
    assert sum(text.startswith("Lateral ") for text in result["told"]) == 4


@pytest.mark.proof
async def test_a_displacement_tank(tmp_path: Path) -> None:
    """Its effective volume is that of the plant, which is its plate's: the simulated one is fully mixed."""
    place = next(one for one in places(tmp_path) if one.name == "every_kind")
    text = edited(place.site_file.read_text("utf-8"), {"rate_l_h = 1200.0": "rate_l_h = 200.0"})
    place.site_file.write_text(text, "utf-8")
    decisions = tmp_path / "decided.toml"
    decisions.write_text(_PROGRAMS.sub("", place.decisions), "utf-8")

    async def tank(technician: Technician, stage: str) -> dict[str, Any]:
        block = next(iter(technician.service.plant.site.block))
        return {"block": block, "instrument": "stock of one salt"} if stage == "way" else {}

    async with at_the_plant(place.site_file, decisions, tmp_path / "db", seed=2) as technician:
        site = technician.service.plant.site
        plate_l = site.tank[site.injector["e"].tank].volume_l
        result = await technician.lead("tank", "e", tank)
        assert value_of(result, "effective volume") == pytest.approx(plate_l, rel=0.1), result
        assert technician.service.scanner.is_at_rest()
        assert (await technician.ask("begin", step="tank", subject="e")).accepted
        assert await technician.to_entry() == "way"
        assert (await technician.ask("enter", stage="way", values=await tank(technician, "way"))).accepted
        while technician.view["stage"]["name"] != "open" or technician.view["stage"]["on_s"] < 4.0:
            await technician.service.step()
        assert (await technician.ask("abort", why="thunder")).accepted
        assert await technician.at_rest()

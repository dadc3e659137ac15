"""Instruments: golden bytes, the errors they are given, and the faults they show."""

import statistics
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.instruments import Instruments, decode, encode
from sim.plant import Plant
from sim.site import Point, Site
from sim.tolerances import Tolerances
from tests.sim.conftest import CALCIUM_NITRATE, INJECTOR, INTAKE, PUMP, VALVE, ready, trouble, turn

FLOW, WATER, PRESSURE, LINE_EC, LEVEL = "signals.ai1", "signals.count1", "signals.ai2", "signals.ai4", "signals.ai5"


def _point(form: str, **keys: object) -> Point:
    return Point("x", "input", 0, form, **keys)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("form", "value", "registers"),
    [
        ("f32", 50.0, [0x4248, 0x0000]),
        ("f32", 123.456, [0x42F6, 0xE979]),
        ("f64", 1.0, [0x3FF0, 0, 0, 0]),
        ("u16", 65535.0, [0xFFFF]),
        ("i16", -2.0, [0xFFFE]),
        ("u32", 100000.0, [0x0001, 0x86A0]),
        ("i32", -100000.0, [0xFFFE, 0x7960]),
        ("u64", 2.0**40, [0, 0x0100, 0, 0]),
        ("i64", -1.0, [0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF]),
    ],
)
def test_golden_bytes(form: str, value: float, registers: list[int]) -> None:
    """Guards the encoder by hand-written bytes: IEEE 754 for the floats, two's complement for the rest."""
    assert encode(_point(form), value) == registers
    assert decode(_point(form), registers) == pytest.approx(value, rel=1e-7)


@pytest.mark.parametrize(
    ("word_order", "byte_order", "registers"),
    [
        ("big", "big", [0x42F6, 0xE979]),
        ("little", "big", [0xE979, 0x42F6]),
        ("big", "little", [0xF642, 0x79E9]),
        ("little", "little", [0x79E9, 0xF642]),
    ],
)
def test_word_and_byte_order(word_order: str, byte_order: str, registers: list[int]) -> None:
    """Guards the four orders in use, by the bytes of 123.456 (IEEE 754: 42 F6 E9 79)."""
    point = _point("f32", word_order=word_order, byte_order=byte_order)
    assert encode(point, 123.456) == registers
    assert decode(point, registers) == pytest.approx(123.456, rel=1e-7)


def test_scale_offset_and_clipping() -> None:
    """Guards value = raw x scale + offset, and that a value too large is clipped, never wrapped."""
    assert encode(_point("u16", scale=0.001), 12.0) == [12000]
    assert encode(_point("i16", scale=0.1, offset=-40.0), -60.0) == [0xFF38]
    assert encode(_point("u16"), 70000.0) == [0xFFFF]
    assert encode(_point("u16"), -1.0) == [0]


@given(
    form=st.sampled_from(["u16", "i16", "u32", "i32"]),
    word_order=st.sampled_from(["big", "little"]),
    byte_order=st.sampled_from(["big", "little"]),
    raw=st.integers(0, 2**15 - 1),
)
def test_what_is_encoded_is_decoded(form: str, word_order: str, byte_order: str, raw: int) -> None:
    """Guards both directions: decode undoes encode in every order."""
    point = _point(form, word_order=word_order, byte_order=byte_order, scale=0.5)
    assert decode(point, encode(point, raw * 0.5)) == raw * 0.5


def _running(plant: Plant, switch: Callable[..., None]) -> Instruments:
    switch(True, PUMP, VALVE, INTAKE, INJECTOR)
    plant.set_drive("signals.ao1", 0.5)
    plant.advance(300.0)
    return Instruments(plant)


def test_a_perfect_plant_shows_the_truth(site: Site, plant: Plant, switch: Callable[..., None]) -> None:
    """Guards the scales: 4 to 20 mA over 60 m3/h, 600 kPa, 5 mS/cm and 1200 L; 10 L and 0.01 L for a count."""
    values = _running(plant, switch).values()
    assert (values[FLOW] - 4.0) / 16.0 * 60.0 == pytest.approx(plant.meter.flow_l_s * 3.6)
    assert (values[PRESSURE] - 4.0) / 16.0 * 600.0 == pytest.approx(plant.water.pressure_kpa)
    assert (values[LINE_EC] - 4.0) / 16.0 * 5.0 == pytest.approx(0.6 + plant.probe_rise_ms_cm)
    assert (values[LEVEL] - 4.0) / 16.0 * 1200.0 == pytest.approx(plant.tanks["a"].litres)
    assert values[WATER] == int(plant.meter.passed_l / 10.0)
    assert values["signals.count2"] == int(plant.injectors["a"].drawn_l / 0.01)
    assert [values[f"relays.in{n}"] for n in (1, 2, 3, 4)] == [1.0, 1.0, 1.0, 0.0]


def test_errors_stay_within_the_data_sheet(site: Site) -> None:
    """Guards honest instruments: over many plants the pressure's offset fills its 0.5 % of span and never leaves it."""
    offsets = []
    for seed in range(60):
        values = Instruments(Plant(site, Tolerances(seed))).values()
        offsets.append((values[PRESSURE] - 4.0) / 16.0 * 600.0)
    assert max(map(abs, offsets)) <= 3.0 + 4.0 * 0.6
    assert statistics.stdev(offsets) > 1.0


def test_one_moment_reads_the_same_twice(site: Site) -> None:
    """Guards coherence: until the plant moves, asking again shows the same values, noise included."""
    plant = Plant(site, Tolerances(1))
    instruments = Instruments(plant)
    first = dict(instruments.values())
    assert instruments.values() == first
    plant.advance(1.0)
    assert instruments.values() != first


@pytest.mark.parametrize(
    ("fault", "ref", "shown"),
    [
        ("pressure_broken_wire", PRESSURE, 0.0),
        ("empty_tank", LEVEL, 4.0),
        ("estop", "relays.in1", 0.0),
        ("selector_hand", "relays.in2", 0.0),
        ("reset_pressed", "relays.in4", 1.0),
    ],
)
def test_faults_that_show_at_once(
    plant: Plant, switch: Callable[..., None], fault: str, ref: str, shown: float
) -> None:
    """Guards what a fault looks like from outside, and that it goes away with the fault."""
    instruments = _running(plant, switch)
    well = instruments.values()[ref]
    plant.fault(plant.faults.check(fault, True, {}))
    assert instruments.values()[ref] == shown != well
    plant.fault(plant.faults.check(fault, False, {}))
    assert instruments.values()[ref] == well


@pytest.mark.parametrize("fault", ["rain", "wind"])
def test_the_weather_shows_on_its_own_contact(every_kind: Site, fault: str) -> None:
    """Guards rain and wind: each closes the contact that the site file names for it, and no other."""
    plant = ready(every_kind)
    instruments = Instruments(plant)
    plant.fault(plant.faults.check(fault, True, {}))
    seen = {name: instruments.values()[ref] for name, ref in (("rain", "station.in6"), ("wind", "station.in7"))}
    assert seen == {"rain": float(fault == "rain"), "wind": float(fault == "wind")}


@pytest.mark.parametrize(("fault", "ref"), [("probe_stuck", LINE_EC), ("flow_meter_stuck", FLOW)])
def test_a_stuck_instrument_goes_on_showing_what_it_showed(
    plant: Plant, switch: Callable[..., None], fault: str, ref: str
) -> None:
    """Guards the worst kind: a plausible value that no longer moves."""
    instruments = _running(plant, switch)
    before = instruments.values()[ref]
    plant.fault(plant.faults.check(fault, True, {}))
    switch(False, PUMP, INJECTOR)
    plant.advance(120.0)
    assert instruments.values()[ref] == before
    plant.fault(plant.faults.check(fault, False, {}))
    switch(True, PUMP)
    plant.advance(60.0)
    assert instruments.values()[ref] != before


def test_counters_start_again_when_full(site: Site) -> None:
    """Guards the rollover of a 32-bit counter."""
    plant = Plant(site, Tolerances(1, perfect=True))
    plant.meter.counted_l = 10.0 * (2**32 + 5)
    assert Instruments(plant).values()[WATER] == 5.0


def test_the_whole_plant_s_inputs(orchard: Site) -> None:
    """Guards Kestrel Bend's wiring: two tanks, two injector meters, the filter's difference and its contact."""
    plant = ready(orchard)
    plant.charge("a", 800.0, CALCIUM_NITRATE)
    plant.charge("b", 200.0, CALCIUM_NITRATE)
    plant.set_drive("station.ao2", 0.5)
    turn(plant, True, *(f"station.out{n}" for n in (1, 2, 3, 10, 11, 12)))
    plant.advance(400.0)
    values = Instruments(plant).values()
    assert (values["station.ai7"] - 4.0) / 16.0 * 200.0 == pytest.approx(plant.water.difference_kpa)
    assert values["station.in5"] == 1.0
    assert values["station.count3"] == int(plant.injectors["b"].metered_l / 0.01) > 0.0
    assert values["station.count2"] == 0.0
    levels = [(values[f"station.ai{n}"] - 4.0) / 16.0 * 1600.0 for n in (5, 6)]
    assert levels == pytest.approx([800.0, plant.tanks["b"].litres])
    turn(plant, False, "station.out12")
    plant.advance(1.0)
    assert Instruments(plant).values()["station.in5"] == 0.0


def test_points_with_a_unit_of_their_own(every_kind: Site) -> None:
    """Guards a meter that speaks in numbers: m3/h and litres as they are, no current and no pulses."""
    plant = ready(every_kind)
    assert every_kind.pump is not None and every_kind.pump.speed is not None and every_kind.main.flow is not None
    turn(plant, True, every_kind.pump.run, every_kind.block["flat"].valve)
    plant.set_drive(every_kind.pump.speed, 0.95)
    plant.advance(400.0)
    values = Instruments(plant).values()
    assert values[every_kind.main.flow.point] == pytest.approx(plant.meter.flow_l_s * 3.6)
    assert values[every_kind.main.water.point] == int(plant.meter.counted_l) > 0.0


def test_what_a_site_lacks_is_not_wired(orchard: Site) -> None:
    """Guards the optional parts: without pump, filter, rate signal and probes nothing shows in their place."""
    main = replace(orchard.main, flow=None, background_ec=None, line_ec=None)
    bare = replace(orchard, pump=None, filter=None, main=main)
    instruments = Instruments(ready(bare))
    lacking = {f"station.{name}" for name in ("in3", "in5", "ai1", "ai3", "ai4", "ai7")}
    assert not instruments.wired & lacking
    assert instruments.values().keys() == instruments.wired


def test_a_drifting_probe(plant: Plant) -> None:
    """Guards the drift: so much an hour from the moment it began, and the truth again when it is over."""
    instruments = Instruments(plant)
    plant.advance(1800.0)
    trouble(plant, "probe_drift", ms_cm_h=0.4)
    assert (instruments.values()[LINE_EC] - 4.0) / 16.0 * 5.0 == pytest.approx(0.6)
    plant.advance(1800.0)
    assert (instruments.values()[LINE_EC] - 4.0) / 16.0 * 5.0 == pytest.approx(0.8, abs=1e-4)
    trouble(plant, "probe_drift", on=False)
    assert (instruments.values()[LINE_EC] - 4.0) / 16.0 * 5.0 == pytest.approx(0.6)


@pytest.mark.parametrize(
    ("fault", "ref", "factor"),
    [
        ("flow_meter_low", WATER, 0.85),
        ("flow_meter_high", WATER, 1.15),
        ("injector_meter_low", "signals.count2", 0.85),
        ("injector_meter_high", "signals.count2", 1.15),
    ],
)
def test_meters_that_err(plant: Plant, switch: Callable[..., None], fault: str, ref: str, factor: float) -> None:
    """Guards both meters, high and low: pulses by the factor, for the same water and stock."""
    instruments = _running(plant, switch)
    counts = [instruments.values()[ref]]
    for on in (False, True):
        if on:
            trouble(plant, fault)
        plant.advance(600.0)
        counts.append(instruments.values()[ref])
    assert (counts[2] - counts[1]) / (counts[1] - counts[0]) == pytest.approx(factor, abs=0.005)


def test_a_transmitter_s_gain_is_its_own(orchard: Site) -> None:
    """Guards accuracy of reading: a level of 1 % is off by up to 1 % of what it shows, and no more."""
    content = orchard.tank["a"].content
    assert content is not None
    content = replace(content, accuracy_pct_of_reading=1.0, accuracy_pct_of_span=0.0)
    site = replace(orchard, tank={**orchard.tank, "a": replace(orchard.tank["a"], content=content)})
    shown = []
    for seed in range(40):
        plant = Plant(site, Tolerances(seed))
        plant.tanks["a"].litres = 1000.0
        shown.append((Instruments(plant).values()["station.ai5"] - 4.0) / 16.0 * 1600.0)
    assert max(abs(litres - 1000.0) for litres in shown) <= 10.0 + 4.0 * 0.3
    assert statistics.stdev(shown) > 3.0

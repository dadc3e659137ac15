"""Instruments: golden bytes, the errors they are given, and the faults they show."""

import statistics
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.instruments import Instruments, decode, encode
from sim.plant import Plant
from sim.site import Point, Site
from sim.tolerances import Tolerances
from tests.sim.conftest import INJECTOR, INTAKE, PUMP, VALVE

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
    assert (values[FLOW] - 4.0) / 16.0 * 60.0 == pytest.approx(plant.main_l_s * 3.6)
    assert (values[PRESSURE] - 4.0) / 16.0 * 600.0 == pytest.approx(plant.water.pressure_kpa)
    assert (values[LINE_EC] - 4.0) / 16.0 * 5.0 == pytest.approx(0.6 + plant.probe_rise_ms_cm)
    assert (values[LEVEL] - 4.0) / 16.0 * 1200.0 == pytest.approx(plant.tanks["a"].litres)
    assert values[WATER] == int(plant.water_l / 10.0)
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
    plant.metered_l = 10.0 * (2**32 + 5)
    assert Instruments(plant).values()[WATER] == 5.0

"""What only shows between the parts of a site: each check refused just beyond its limit, and passed at it."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

import daemon.cli
from daemon.equipment import Signal, Way
from daemon.site import Site
from daemon.site_checks import _SWITCHES, _UNITS
from daemon.site_file import inspect_site
from drivers.profile import Problem, load_profiles, parse_profile
from tests.daemon.control.plant import WIDE, site_text

KESTREL_BEND = (Path(daemon.cli.__file__).parent / "kestrel_bend" / "site.toml").read_text("utf-8")


def _found(text: str, extra: Mapping[str, str] | None = None) -> list[Problem]:
    profiles = load_profiles() | {name: parse_profile(name, sheet) for name, sheet in (extra or {}).items()}
    return list(inspect_site(text, profiles).problems)


def _wrong(changes: Mapping[str, str], more: str = "") -> list[tuple[str, str]]:
    """Return (where, expected) of all that is wrong with the two-bus plant changed like this."""
    return [(problem.where, problem.expected) for problem in _found(site_text(changes, more))]


def _kestrel(changes: Mapping[str, str]) -> list[tuple[str, str]]:
    """Return (where, expected) of all that is wrong with Kestrel Bend changed like this."""
    text = KESTREL_BEND
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new, 1)
    return [(problem.where, problem.expected) for problem in _found(text)]


def _assert_one(found: list[tuple[str, str]], where: str, words: str) -> None:
    assert [at for at, _ in found] == [where], found
    assert words in found[0][1]


_INJECTOR = """kind = "metering_pump"
tank = "a"
valve = "relays.out3"
run = "relays.out4"
drive = "signals.ao1"
"""
_CURVE = "curve = [[0.1, 50.0], [0.5, 250.0], [1.0, 500.0]]\ncurve_accuracy_pct = 3.0\n"
_FLOW = "flow = { point = "
_CONTENT = 'content = { point = "signals.ai5", at_low = 0.0, at_high = 1200.0, accuracy_pct_of_span = 0.5 }\n'
_RATED = {_CURVE: "rate_l_h = 300.0\nrate_accuracy_pct = 5.0\n"}
_DISPLACEMENT = {_INJECTOR: 'kind = "displacement_tank"\ntank = "a"\nvalve = "relays.out3"\n', **_RATED}
_DUTY = {
    _INJECTOR: _INJECTOR.replace("metering", "duty").replace(
        'drive = "signals.ao1"\n', "window_s = 10.0\nmin_on_s = MIN\n"
    ),
    **_RATED,
}


@pytest.mark.parametrize(
    ("changes", "where", "expected"),
    [
        ({'profile = "relay_block"': 'profile = "relay_blok"'}, "device.relays.profile", "a device profile"),
        ({'bus = "signals"': 'bus = "signal"'}, "device.signals.bus", "a bus of this file"),
        ({'bus = "signals"\nunit = 2': 'bus = "relays"\nunit = 1'}, "device.signals.unit", "device.relays has it"),
        ({"port = 15021": "port = 15020"}, "bus.signals.port", "bus.relays uses it already"),
        ({'"relays.in3"': '"relay.in3"'}, "pump.running", "a point of a device of this file"),
        ({'"relays.in3"': '"relays.inn3"'}, "pump.running", "a point of profile relay_block"),
        ({'"relays.in3"': '"relays.in1"'}, "safety.emergency_stop_healthy", "pump.running uses it already"),
        ({'"relays.in4"': '"relays.out8"'}, "safety.reset_button", "no other master can write"),
        ({'"relays.in4"': '"relays.out8_state"'}, "safety.reset_button", "only shows what was written to out8"),
        ({'"relays.in3"': '"relays.out1_state"'}, "pump.running", "only shows what was written to out1"),
        ({'run = "relays.out1"': 'run = "relays.in8"'}, "pump.run", "this point can only be read"),
        ({'valve = "relays.out3"': 'valve = "relays.in8"'}, "injector.a.valve", "this point can only be read"),
        ({'run = "relays.out4"': 'run = "relays.in8"'}, "injector.a.run", "this point can only be read"),
        ({'"signals.ao1"': '"signals.ao1_state"'}, "injector.a.drive", "this point can only be read"),
        ({'valve = "relays.out2"': 'valve = "relays.in8"'}, "block.creek.valve", "this point can only be read"),
        ({'"relays.in3"': '"signals.ai8"'}, "pump.running", "a switch"),
        ({'run = "relays.out4"': 'run = "signals.ao2"'}, "injector.a.run", "a switch"),
        ({'"signals.ao1"': '"relays.out8"'}, "injector.a.drive", "a number in fraction"),
        ({'"signals.ao1"': '"relays.watchdog_setting_s"'}, "injector.a.drive", "a number in fraction"),
        ({'"relays.watchdog_s"': '"signals.ai8"'}, "safety.output_watchdog_s", "a number in s"),
    ],
)  # fmt: skip
def test_wiring(changes: Mapping[str, str], where: str, expected: str) -> None:
    """Guards points: on a device, one use each, the right way and kind; nothing that another master can write."""
    _assert_one(_wrong(changes), where, expected)


@pytest.mark.parametrize(
    ("changes", "where", "expected"),
    [
        ({"at_low = 0.0, at_high = 60.0, ": ""}, "main.flow", "them: the point carries mA"),
        ({"at_low = 0.0, at_high = 60.0, ": "per_count = 2.0, "}, "main.flow", "none: the point does not count"),
        ({'"signals.ai1", at_low = 0.0, at_high = 60.0': '"signals.count4"'}, "main.flow.point", "measured value"),
        ({'"signals.ai1", at_low = 0.0, at_high = 60.0': '"relays.in8"'}, "main.flow.point", "a measured value"),
        ({'"signals.ai1", at_low = 0.0, at_high = 60.0': '"signals.ao2_state"'}, "main.flow.point", "a number in m3/h"),
        ({'"signals.ai5"': '"signals.ao2_state"'}, "tank.a.content", "not a transmitter's signal"),
        ({'"signals.count1", per_count = 10.0': '"signals.ai8"'}, "main.water.point", "a counter"),
        ({"per_count = 10.0": "at_low = 0.0, at_high = 1.0"}, "main.water", "not a transmitter's signal"),
        ({"per_count = 10.0, ": ""}, "main.water", "the L of each: the point carries count"),
        ({"per_count = 0.01, ": ""}, "injector.a.meter", "the L of each"),
    ],
)  # fmt: skip
def test_signals(changes: Mapping[str, str], where: str, expected: str) -> None:
    """Guards signals: a transmitter has two ends, a counter its litres a count, and each comes in its unit."""
    _assert_one(_wrong(changes), where, expected)


def test_a_meter_that_counts_litres_needs_no_litres_a_count() -> None:
    """Guards counters in their own unit: twice scaled is wrong, and cubic metres are scaled to litres."""
    meter = '\n[device.meter]\nbus = "signals"\nunit = 3\nprofile = "PROFILE"\n'
    counting, own = {'"signals.count1"': '"meter.total"'}, meter.replace("PROFILE", "magnetic_flow_meter")
    _assert_one(_wrong(counting, own), "main.water", "counts in L already")
    cubic = (Path(daemon.cli.__file__).parents[2] / "drivers" / "profiles" / "magnetic_flow_meter.toml").read_text(
        "utf-8"
    )
    text = site_text(counting | {"per_count = 10.0": "per_count = 1000.0"}, meter.replace("PROFILE", "cubic"))
    assert not _found(text, {"cubic": cubic.replace('unit = "L"', 'unit = "m3"')})


_ODD = """
title = "a station whose points lie on each other"
max_read_registers = 60
max_read_bits = 60
max_gap = 0
[point]
whole = { table = "input", address = 0, type = "u32", unit = "count", counter_bits = 32 }
half = { table = "input", address = 1, type = "u16", unit = "count", counter_bits = 16 }
word = { table = "input", address = 5, type = "u16", unit = "s" }
bit_3 = { table = "input", address = 5, type = "bool", bit = 3 }
again_3 = { table = "input", address = 5, type = "bool", bit = 3 }
bit_4 = { table = "input", address = 5, type = "bool", bit = 4 }
plain_5 = { table = "discrete", address = 5, type = "bool" }
"""


@pytest.mark.parametrize(
    ("changes", "wrong"),
    [
        ({'"relays.in3"': '"odd.bit_3"', '"relays.in4"': '"odd.bit_4"'}, None),
        ({'"relays.in3"': '"odd.bit_3"', '"relays.in4"': '"odd.plain_5"'}, None),
        ({'"relays.in3"': '"odd.bit_3"', '"relays.in4"': '"odd.again_3"'}, ("safety.reset_button", "odd.bit_3")),
        (
            {'"relays.watchdog_s"': '"odd.word"', '"relays.in3"': '"odd.bit_4"'},
            ("safety.output_watchdog_s", "odd.bit_4"),
        ),
        (
            {'"signals.count1"': '"odd.whole"', '"signals.count2"': '"odd.half"'},
            ("injector.a.meter.point", "odd.whole"),
        ),
    ],
)
def test_registers(changes: Mapping[str, str], wrong: tuple[str, str] | None) -> None:
    """Guards one register, one point: the same bit by two names, a bit of a word, half a counter."""
    device = '\n[device.odd]\nbus = "signals"\nunit = 9\nprofile = "odd"\n'
    found = [(problem.where, problem.expected) for problem in _found(site_text(changes, device), {"odd": _ODD})]
    if wrong is None:
        assert not found
    else:
        _assert_one(found, wrong[0], f"uses it already as {wrong[1]}")


def test_two_serial_buses_on_one_line() -> None:
    """Guards lines: two links on one serial port would talk into each other; two ports are two buses."""
    text = site_text()
    for port, line in ((15020, "/dev/ttyS0"), (15021, "/dev/ttyS1")):
        tcp = f'kind = "tcp"\nhost = "127.0.0.1"\nport = {port}\n'
        text = text.replace(tcp, f'kind = "rtu"\nline = "{line}"\nbaud = 9600\n')
    assert not _found(text)
    (problem,) = _found(text.replace("ttyS1", "ttyS0"))
    assert (problem.where, problem.got) == ("bus.signals.line", "'/dev/ttyS0'")
    assert problem.expected == "an address of its own; bus.relays uses it already"


@pytest.mark.parametrize(
    ("changes", "where", "expected"),
    [
        ({'"injection", "probe"]': '"injection", "probe", "meter"]'}, "main.order", "each stage once"),
        ({'"meter", "injection", "probe"]': '"injection", "probe"]'}, "main.order", "its place in the water's way"),
        ({'"meter", "injection", "probe"]': '"meter", "probe"]'}, "main.order", "its place in the water's way"),
        ({'"injection", "probe"]': '"injection"]'}, "main.order", "the site has main.line_ec"),
        ({'"injection", "probe"]': '"probe", "injection"]'}, "main.order", "it after"),
        ({'"meter", "injection"': '"meter", "filter", "injection"'}, "main.order", "the site has no [filter]"),
        ({"line_ec = {": "background_ec = {", "background_ec = {": "#"}, "main.order", "the site has no main.line_ec"),
        ({"max_pressure_kpa = 450.0": "max_pressure_kpa = 150.0"}, "main.max_pressure_kpa", "min_pressure_kpa = 150"),
        ({"pressure_kpa = 800.0": "pressure_kpa = 450.0"}, "injector.a.pressure_kpa", "main.max_pressure_kpa = 450"),
        ({"min_flow_m3_h = 15.0": "min_flow_m3_h = 33.93"}, "block.creek", "at least main.min_flow_m3_h = 33.93"),
        ({"capacity_m3_h = 90.0": "capacity_m3_h = 33.9"}, "block.creek", "at most pump.capacity_m3_h = 33.9"),
        ({"low_l = 40.0": "low_l = 1000.0"}, "tank.a.low_l", "less than the tank's 1000 L"),
        ({'tank = "a"': 'tank = "aa"'}, "injector.a.tank", "a tank of this file"),
        ({_CONTENT: ""}, "tank.a.content", "how much is in it"),
    ],
)
def test_a_plant(changes: Mapping[str, str], where: str, expected: str) -> None:
    """Guards what makes a plant of the parts: order, pressures, flows, tanks."""
    _assert_one(_wrong(changes), where, expected)


def test_limits_that_are_just_met() -> None:
    """Guards the other side of each limit: what stands at it is taken."""
    assert not _wrong(
        {"min_flow_m3_h = 15.0": "min_flow_m3_h = 33.92", "capacity_m3_h = 90.0": "capacity_m3_h = 33.92"}
    )
    assert not _wrong({"pressure_kpa = 800.0": "pressure_kpa = 450.1", "low_l = 40.0": "low_l = 999.9"})
    pulses_of_5_s = {
        _FLOW: f"#{_FLOW}",
        "per_count = 10.0": "per_count = 25.0",
        "min_flow_m3_h = 15.0": "min_flow_m3_h = 18.0",
    }
    assert not _wrong(pulses_of_5_s)


def test_two_channels_share_neither_meter_nor_tank() -> None:
    """Guards rule 15: each channel has its own meter and its own tank."""
    assert not _wrong({}, WIDE)
    meter = _wrong({}, WIDE.replace("signals.count3", "signals.count2"))
    _assert_one(meter, "injector.b.meter.point", "injector.a.meter.point uses it already")
    tank = _wrong({}, WIDE.replace('tank = "b"', 'tank = "a"'))
    _assert_one(tank, "injector.b.tank", "injector.a draws from it already")


@pytest.mark.parametrize(("per_count_l", "seconds"), [(20.8, None), (20.9, "5.0"), (100.0, "24.0")])
def test_a_totaliser_that_proves_the_flow_alone(per_count_l: float, seconds: str | None) -> None:
    """Guards invariant 1 without a rate: a pulse at least every 5 s at the lowest flow, or refused."""
    found = _found(site_text({_FLOW: f"#{_FLOW}", "per_count = 10.0": f"per_count = {per_count_l}"}))
    if seconds is None:
        assert not found
        return
    (problem,) = found
    assert problem.where == "main.water" and "at most 5 s" in problem.expected
    assert problem.got == f"a pulse every {seconds} s at min_flow_m3_h = 15"
    assert not _wrong({"per_count = 10.0": f"per_count = {per_count_l}"})


@pytest.mark.parametrize(("min_on_s", "is_right"), [(9.9, True), (10.0, False), (12.0, False)])
def test_a_duty_pump_is_off_for_part_of_its_window(min_on_s: float, is_right: bool) -> None:
    """Guards the duty: the shortest on-time is shorter than one on and off together."""
    found = _wrong({old: new.replace("MIN", str(min_on_s)) for old, new in _DUTY.items()})
    if is_right:
        assert not found
    else:
        _assert_one(found, "injector.a.min_on_s", "less than window_s = 10")


def test_a_displacement_tank_is_always_full() -> None:
    """Guards its tank: a content that somebody measures is refused for it, and needed for all others."""
    assert not _wrong({**_DISPLACEMENT, _CONTENT: ""})
    _assert_one(_wrong(_DISPLACEMENT), "tank.a.content", "always full")
    other_is_wrong = WIDE.replace("stroke_window_s = 10.0\n", "")
    assert ("tank.a.content", "the signal that says how much is in it") in _wrong({_CONTENT: ""}, other_is_wrong)
    # Where the injector is wrong nobody knows of which kind the tank is.
    assert [where for where, _ in _wrong({"stroke_window_s = 10.0\n": "", _CONTENT: ""})] == [
        "injector.a.stroke_window_s"
    ]


@pytest.mark.parametrize(("pressure_kpa", "is_right"), [(150.0, False), (150.1, True), (449.9, True), (450.0, False)])
def test_a_pump_on_a_drive_holds_a_pressure_that_the_main_allows(pressure_kpa: float, is_right: bool) -> None:
    """Guards the set pressure: between the main's lowest and highest."""
    drive = 'kind = "variable_speed"\nspeed = "signals.ao2"\nlowest_speed = 0.4\nramp_s = 30.0\npressure_kpa = '
    found = _wrong({'kind = "fixed_speed"': f"{drive}{pressure_kpa}"})
    if is_right:
        assert not found
    else:
        _assert_one(found, "pump.pressure_kpa", "between main.min_pressure_kpa = 150 and 450")


def test_no_pump_has_no_capacity() -> None:
    """Guards water that comes by its own weight: a site without a pump is whole."""
    text = site_text()
    begin, end = text.index("[pump]"), text.index("[main]")
    assert not _found(text[:begin] + text[end:])


@pytest.mark.parametrize(
    ("changes", "where", "expected"),
    [
        ({"wash_at_kpa = 50.0": "wash_at_kpa = 200.0"}, "filter.wash_at_kpa", "within pressure_difference's 0 to 200"),
        ({'"meter", "filter", ': '"meter", '}, "main.order", "the site has [filter]"),
        ({"pause_max_s = 300.0": "pause_max_s = 90.0"}, "filter.backwash_s", "less than limits.pause_max_s = 90"),
        ({'"station.out12"': '"station.out11"'}, "injector.b.run", "filter.backwash uses it already"),
        ({'"station.in5"': '"station.out16_state"'}, "filter.backwashing", "only shows what was written to out16"),
        (
            {"volume_l = 120.0": "volume_l = -1.0", '"meter", "filter", ': '"meter", '},
            "main.order",
            "the site has [filter]",
        ),
    ],
)
def test_a_filter(changes: Mapping[str, str], where: str, expected: str) -> None:
    """Guards the filter: its place in the order also when it is wrong itself, its points, its pressure difference."""
    _assert_one([found for found in _kestrel(changes) if found[0] != "filter.volume_l"], where, expected)


@pytest.mark.parametrize(
    ("ref", "expected"),
    [
        ("station.in9", "a point of profile io_station"),
        ("station.count4", "a switch: a point of type bool"),
        ("station.in5", "filter.backwashing uses it already"),
        ("station.out14", "an input that no other master can write; this point is writable"),
    ],
)
@pytest.mark.parametrize("contact", ["rain", "wind"])
def test_the_weathers_contacts(contact: str, ref: str, expected: str) -> None:
    """Guards rain and wind: an input of the plant, a switch, and a point of its own."""
    _assert_one(_kestrel({"[safety]": f'[weather]\n{contact} = "{ref}"\n\n[safety]'}), f"weather.{contact}", expected)


def test_kestrel_bend_is_right() -> None:
    """Guards the shipped site against every check."""
    assert not _kestrel({})


def test_every_key_that_names_a_point_has_its_use() -> None:
    """Guards the checks against a new key: each input, output and signal of the models is a switch or has a unit."""
    keys: set[str] = set()
    models: list[Any] = [Site]
    while models:
        model = models.pop()
        for key, field in model.model_fields.items():
            if model is not Signal and any(isinstance(mark, Way) for mark in field.metadata):
                keys.add(key)
            inner = [part for part in _parts(field.annotation) if isinstance(part, type)]
            keys |= {key for part in inner if part is Signal}
            models += [part for part in inner if hasattr(part, "model_fields")]
    assert keys == _SWITCHES | _UNITS.keys()


def _parts(annotation: object) -> list[object]:
    """Return everything that an annotation is made of."""
    inner = getattr(annotation, "__args__", ())
    return [annotation, *(part for argument in inner for part in _parts(argument))]

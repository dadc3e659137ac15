"""Controller and simulator each read the site file by themselves: here both must have read the same plant.

`tests/every_kind.toml` has one of everything that a site file can say.
"""

import dataclasses
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, get_args

import pytest

from daemon import equipment
from daemon.equipment import Part
from daemon.hydraulics.pipes import pipe_volume_l
from daemon.site import Plant
from daemon.site_file import parse_site
from drivers.profile import load_profiles
from sim import parts
from sim.site import Point, Site, read_profile, read_site
from tests.sim.conftest import PROFILES, ROOT

_EVERY_KIND = ROOT / "tests" / "every_kind.toml"
_SHIPPED = (
    _EVERY_KIND,
    ROOT / "tests" / "creek" / "site.toml",
    ROOT / "tests" / "two_buses.toml",
    ROOT / "daemon" / "cli" / "kestrel_bend" / "site.toml",
)


def _litres(pipes: Any) -> float:
    return sum(map(pipe_volume_l, pipes))


_COMPUTED: Mapping[tuple[type, str], Callable[[Any], Any]] = {
    (parts.Main, "trunk_l"): lambda main: _litres(main.pipes),
    (parts.Injector, "hose_l"): lambda injector: _litres([injector.hose] if injector.hose else []),
    (parts.Block, "pipes_l"): lambda block: _litres(block.pipes),
    (parts.Block, "submain_l"): lambda block: pipe_volume_l(block.submain),
    (parts.Block, "laterals"): lambda block: block.submain.laterals,
    (parts.Block, "lateral_l"): lambda block: pipe_volume_l(block.lateral),
    (parts.Block, "emitters"): lambda block: block.lateral.emitters,
    (parts.Block, "emitter_l_h"): lambda block: block.lateral.emitter_l_h,
}
"""What the simulator keeps under a name of its own, from what the controller has."""
_NOTHING = (None, "", 0, ())
_TABLES = ("bus", "device", "injector", "tank", "block")


def _read(path: Path) -> tuple[Plant, Site]:
    return parse_site(path.read_text("utf-8"), load_profiles()), read_site(path, PROFILES)


def _assert_agree(theirs: Any, ours: Any, where: str) -> None:
    """Compare one part, key by key; what a kind of part lacks on our side must say nothing on theirs."""
    if theirs is None or ours is None:
        assert theirs is ours, where
        return
    for field in dataclasses.fields(theirs):
        value, at = getattr(theirs, field.name), f"{where}.{field.name}"
        compute = _COMPUTED.get((type(theirs), field.name))
        if compute is not None:
            assert value == pytest.approx(compute(ours), rel=1e-12), at
        elif not hasattr(ours, field.name):
            assert value in _NOTHING or value == field.default, at
        elif isinstance(getattr(ours, field.name), Part):
            _assert_agree(value, getattr(ours, field.name), at)
        else:
            assert value == getattr(ours, field.name), at


def _assert_same_plant(plant: Plant, site: Site) -> None:
    for table in _TABLES:
        ours, theirs = getattr(plant.site, table), getattr(site, table)
        assert ours.keys() == theirs.keys(), table
        for name, part in theirs.items():
            if table != "device":
                _assert_agree(part, ours[name], f"{table}.{name}")
    for name, device in site.device.items():
        assert (device.bus, device.unit) == (plant.site.device[name].bus, plant.site.device[name].unit)
    _assert_agree(site.pump, plant.site.pump, "pump")
    _assert_agree(site.main, plant.site.main, "main")
    _assert_agree(site.filter, plant.site.filter, "filter")
    _assert_agree(site.weather, plant.site.weather, "weather")
    for key, ref in site.safety.items():
        assert ref == getattr(plant.site.safety, key), f"safety.{key}"


@pytest.mark.parametrize("path", _SHIPPED, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_they_read_the_same_plant(path: Path) -> None:
    """Guards every key that both read: kinds, points, scales, rates and the litres in every pipe."""
    _assert_same_plant(*_read(path))


def test_the_plant_of_every_kind_has_every_kind() -> None:
    """Guards the test itself: a new kind of bus, injector or device belongs into tests/every_kind.toml."""
    site = _read(_EVERY_KIND)[0].site
    assert {type(bus) for bus in site.bus.values()} == _kinds(equipment.Bus)
    assert {type(injector) for injector in site.injector.values()} == _kinds(equipment.Injector)
    assert {device.profile for device in site.device.values()} == load_profiles().keys()


def _kinds(union: Any) -> set[type]:
    return set(get_args(get_args(union)[0]))


@pytest.mark.parametrize("profile", sorted(PROFILES.glob("*.toml")), ids=lambda path: path.stem)
def test_they_read_the_same_data_sheet(profile: Path) -> None:
    """Guards every point of every profile: where it lies, in which form, and what it means."""
    ours, theirs = load_profiles()[profile.stem].points, read_profile(profile)
    assert ours.keys() == theirs.keys()
    for name, point in theirs.items():
        for field in dataclasses.fields(Point):
            expected: Any = getattr(ours[name], {"type": "form"}.get(field.name, field.name))
            assert getattr(point, field.name) == getattr(expected, "value", expected), f"{name}.{field.name}"
        assert point.width == ours[name].width


_FIXED_SPEED = {
    'kind = "variable_speed"': 'kind = "fixed_speed"',
    'speed = "drive.speed_fraction"\nlowest_speed = 0.3\npressure_kpa = 320.0\nramp_s = 25.0\n': "",
}
_SELF_WASHING = {'backwash = "station.out2"\n': "", "wash_at_kpa = 60.0\nwash_every_m3 = 150.0\n": ""}
_WASHED_BY_LITRES = {'backwashing = "station.in5"\n': "", "wash_at_kpa = 60.0\n": "", "pressure_difference": None}
_NO_PROBE = {
    "flow = {": None,
    "background_ec": None,
    "line_ec": None,
    ', "probe"]': "]",
    "pipes = [{ length_m = 180": None,
}


@pytest.mark.parametrize(
    ("without", "changes"),
    [
        ("pump", {}),
        ("filter", {'"filter", ': ""}),
        ("weather", {}),
        ("", _FIXED_SPEED),
        ("", _SELF_WASHING),
        ("", _WASHED_BY_LITRES),
        ("", _NO_PROBE),
        (
            "",
            {'order = ["meter", "filter", "injection", "probe"]': 'order = ["injection", "filter", "probe", "meter"]'},
        ),
        ("", {'parity = "N"\nstop_bits = 2\n': ""}),
    ],
    ids=[
        "gravity",
        "no filter",
        "no weather",
        "fixed speed",
        "self-washing",
        "washed by litres",
        "bare main",
        "order",
        "line",
    ],
)
def test_they_agree_on_what_may_be_left_out(without: str, changes: Mapping[str, str | None], tmp_path: Path) -> None:
    """Guards the optional keys: where one is missing both go on from the same."""
    site = tmp_path / "site.toml"
    site.write_text(_edited(_EVERY_KIND.read_text("utf-8"), without, changes), "utf-8")
    _assert_same_plant(*_read(site))


def _edited(text: str, without: str, changes: Mapping[str, str | None]) -> str:
    """Return `text` without one section and with each old piece replaced; None takes away its whole line."""
    if without:
        start = text.index(f"[{without}]\n")
        text = text[:start] + text[text.index("\n[", start) + 1 :]
    for old, new in changes.items():
        lines = [line for line in text.splitlines(keepends=True) if line.startswith(old)]
        piece = lines[0] if new is None else old
        assert text.count(piece) == 1, f"{text.count(piece)} of {piece!r}; expected one"
        text = text.replace(piece, new or "")
    return text

"""Injectors of every kind against what their plates and closed forms say."""

from dataclasses import replace

import pytest

from sim.injectors import Injector, lag_share, make_injector
from sim.site import Site
from sim.stock import Tank

KINDS = {"a": "metering_pump", "b": "duty_pump", "c": "fixed_rate_pump", "d": "venturi", "e": "displacement_tank"}
DUTY_KPA = 300.0


def _injector(site: Site, name: str, rate_factor: float = 1.0, hose: bool = False) -> Injector:
    """An injector on a full tank, all that it needs switched on, at half drive."""
    sheet = site.injector[name]
    tank = Tank(site.tank[sheet.tank].volume_l)
    tank.litres, tank.batch = tank.volume_l, 1
    injector = make_injector(sheet if hose else replace(sheet, hose_l=0.0), tank, rate_factor, 1.0, DUTY_KPA)
    injector.contactor_in = injector.valve_open = True
    injector.feel(DUTY_KPA)
    injector.set_drive(0.4)
    return injector


def _run(injector: Injector, duration_s: float) -> float:
    entered_l = 0.0
    for _ in range(round(duration_s / 0.1)):
        entered_l += injector.step(0.1, lag_share(0.1))
    return entered_l


def test_every_kind_is_there(every_kind: Site) -> None:
    """Guards that these tests see all five kinds."""
    assert {name: sheet.kind for name, sheet in every_kind.injector.items()} == KINDS


@pytest.mark.parametrize(
    ("drive", "rate_l_h"), [(0.0, 0.0), (0.05, 10.0), (0.1, 20.0), (0.25, 55.0), (0.7, 165.0), (1.0, 240.0)]
)
def test_a_metering_pump_follows_the_site_s_curve(every_kind: Site, drive: float, rate_l_h: float) -> None:
    """Guards the curve: linear between its points, and from nothing below the first."""
    injector = _injector(every_kind, "a")
    injector.set_drive(drive)
    assert injector.target_l_h == pytest.approx(rate_l_h)


@pytest.mark.parametrize(("name", "rate_l_h"), [("a", 90.0), ("b", 180.0), ("c", 60.0), ("d", 120.0)])
def test_an_hour_draws_and_counts_what_the_rate_says(every_kind: Site, name: str, rate_l_h: float) -> None:
    """Guards the volume, within a metering pump's lag of a second: drawn, metered and put in alike."""
    injector = _injector(every_kind, name, rate_factor=1.05)
    full_l = injector.tank.litres
    entered_l = _run(injector, 3600.0)
    assert entered_l == pytest.approx(1.05 * rate_l_h, rel=1e-3)
    assert injector.drawn_l == pytest.approx(entered_l)
    assert injector.metered_l == pytest.approx(entered_l)
    assert injector.tank.litres == pytest.approx(full_l - entered_l)
    assert injector.brings == 1.0


def test_an_on_off_pump_gives_its_duty(every_kind: Site) -> None:
    """Guards the pace: 4 s on in every 20 s is a fifth of the rate, to the stroke of a step."""
    injector = _injector(every_kind, "b")
    for _ in range(180):
        for on, duration_s in ((True, 4.0), (False, 16.0)):
            injector.contactor_in = on
            injector.settle()
            _run(injector, duration_s)
    assert injector.drawn_l == pytest.approx(180.0 / 5.0, rel=1e-6)


@pytest.mark.parametrize(("kpa", "share"), [(300.0, 1.0), (75.0, 0.5), (390.0, 1.14018), (0.0, 0.0)])
def test_a_venturi_sucks_with_the_root_of_the_pressure(every_kind: Site, kpa: float, share: float) -> None:
    """Guards the venturi: 120 L/h at the duty pressure, the root of it elsewhere, nothing where no water flows."""
    injector = _injector(every_kind, "d")
    injector.feel(kpa)
    assert injector.rate_l_h == pytest.approx(120.0 * share, rel=1e-5)


@pytest.mark.parametrize(("volumes", "share"), [(1, 0.63212), (2, 0.86466), (3, 0.95021), (4, 0.98168)])
def test_a_displacement_tank_washes_out(every_kind: Site, volumes: int, share: float) -> None:
    """Guards the closed form (domain sheet): of 120 L so much is out after 1 to 4 volumes; the meter counts water."""
    injector = _injector(every_kind, "e")
    entered_l = _run(injector, volumes * 120.0 / 400.0 * 3600.0)
    assert entered_l == pytest.approx(volumes * 120.0)
    assert injector.metered_l == pytest.approx(entered_l)
    assert injector.drawn_l / 120.0 == pytest.approx(share, abs=1e-4)
    assert injector.brings == 0.0


def test_a_displacement_tank_without_stock_passes_water(every_kind: Site) -> None:
    """Guards the fault that only EC can see: the meter counts, and nothing dissolved comes."""
    injector = _injector(every_kind, "e")
    injector.tank.outlet_dry = True
    assert _run(injector, 60.0) > 0.0
    assert injector.metered_l > 0.0
    assert injector.drawn_l == 0.0
    assert injector.entering == []


@pytest.mark.parametrize("name", KINDS)
@pytest.mark.parametrize("missing", ["contactor_in", "valve_open", "no airlock"])
def test_nothing_moves_when_anything_is_missing(every_kind: Site, name: str, missing: str) -> None:
    """Guards the chain: contactor, injection valve, primed injector."""
    injector = _injector(every_kind, name)
    if missing == "no airlock":
        injector.airlock = 1.0
    else:
        setattr(injector, missing, False)
    injector.settle()
    assert _run(injector, 10.0) == injector.metered_l == injector.rate_l_h == 0.0


@pytest.mark.parametrize("name", KINDS)
def test_air_takes_its_share_of_what_comes(every_kind: Site, name: str) -> None:
    """Guards the partial airlock: a fifth less comes, and the meter counts what comes."""
    sound, airy = _injector(every_kind, name), _injector(every_kind, name)
    airy.airlock = 0.2
    for injector in (sound, airy):
        injector.settle()
        _run(injector, 60.0)
    assert airy.metered_l == pytest.approx(0.8 * sound.metered_l)


@pytest.mark.parametrize("name", ["a", "b", "c", "d"])
def test_an_empty_tank_gives_what_is_in_it(every_kind: Site, name: str) -> None:
    """Guards the last litre: nothing more than the tank holds is drawn, counted or put in."""
    injector = _injector(every_kind, name)
    injector.tank.litres = 0.5
    assert _run(injector, 120.0) == pytest.approx(0.5)
    assert injector.tank.litres == 0.0


@pytest.mark.parametrize("name", KINDS)
def test_a_siphon_flows_with_the_injector_off(every_kind: Site, name: str) -> None:
    """Guards the siphon: its own litres an hour, metered, and gone once the fault is."""
    injector = _injector(every_kind, name)
    injector.contactor_in = injector.valve_open = False
    injector.siphon_l_h = 36.0
    injector.settle()
    assert _run(injector, 100.0) == pytest.approx(1.0)
    assert injector.metered_l == pytest.approx(1.0)
    injector.siphon_l_h = 0.0
    assert _run(injector, 10.0) == 0.0


@pytest.mark.parametrize("name", ["a", "c"])
def test_the_meter_is_before_the_hose(every_kind: Site, name: str) -> None:
    """Guards the delay: what the meter counts enters the main only after what the hose held before."""
    injector = _injector(every_kind, name, hose=True)
    hose_l = every_kind.injector[name].hose_l
    injector.tank.batch = 1
    injector.prime()
    injector.tank.batch = 2
    while not any(batch == 2 for batch, _ in injector.entering):
        injector.step(0.1, lag_share(0.1))
    assert injector.metered_l == pytest.approx(hose_l, abs=0.01)


def test_a_displacement_tank_s_hose_is_not_primed(every_kind: Site) -> None:
    """Guards that its hose holds water: stock comes out of it only as water passes."""
    sheet = replace(every_kind.injector["e"], hose_l=2.0)
    injector = make_injector(sheet, Tank(120.0), 1.0, 1.0, DUTY_KPA)
    injector.prime()
    assert injector.hose.held_l() == {}

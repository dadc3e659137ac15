"""Uncertainty after the GUM (JCGM 100:2008), held against a Monte Carlo of the same model (JCGM 101:2008)."""

import math
import random
import statistics

import pytest

from daemon.dosing.estimates import Way, k2_of_class_pct, meter_doses
from daemon.evidence import Dose
from daemon.hydraulics.transport import clean_line, displace
from daemon.recipe import BlockPlan, ChannelPlan, LinePath
from tests.daemon.control.sites import night, orchard

_PATH = LinePath(main_l=300.0, submain_l=60.0, lateral_l=140.0, transit_l=1000.0, accuracy_pct=10.0)
_DRAWS = 40_000


def _row(
    water_l: float = 60_000.0,
    injected_l: float = 300.0,
    *,
    meter_pct: float = 1.0,
    strength_pct: float = 2.0,
    share: float = 0.5,
    share_pct: float = 10.0,
    unknown_l: float = 0.0,
    is_blind: bool = False,
    is_drained: bool = False,
) -> Dose:
    """Return the row of one nutrient, 31 g/L, after the stock and `water_l` went into the pipes evenly."""
    block = BlockPlan("creek", 3.2, share, share_pct, is_drained, _PATH, {"a": {"N": 4_000_000}})
    channel = ChannelPlan("a", "calcium", "A-1", 300.0, 0.007, "", 0.0, 0.0, {"N": 31.0}, strength_pct, 1.5)
    rows = meter_doses(
        "run-1",
        block,
        channel,
        injected_l,
        _way(water_l, injected_l * share),
        k2_of_class_pct(meter_pct),
        "measured",
        unknown_l=unknown_l,
        is_blind=is_blind,
        is_drained=is_drained,
    )
    assert len(rows) == 1
    assert rows[0].injected_mg == rows[0].delivered_mg + rows[0].in_lines_mg + rows[0].lost_mg
    return rows[0]


def _way(water_l: float, stock_l: float) -> Way:
    lines = [clean_line(_PATH, size) for size in (1.0, 0.9, 1.1)]
    for _ in range(50):
        lines = [displace(line, water_l / 50.0, stock_l / 50.0) for line in lines]
    return Way(*lines)


def _k2_pct(draws: list[float]) -> float:
    return 200.0 * statistics.pstdev(draws) / statistics.fmean(draws)


@pytest.mark.parametrize(
    ("meter_pct", "strength_pct", "share_pct", "unknown_l"),
    [(1.0, 2.0, 0.0, 0.0), (1.0, 2.0, 10.0, 0.0), (5.0, 1.0, 0.0, 0.0), (2.0, 2.0, 10.0, 24.0), (5.0, 5.0, 5.0, 15.0)],
)
def test_meter_strength_split_and_hose_add_as_a_monte_carlo_says(
    meter_pct: float, strength_pct: float, share_pct: float, unknown_l: float
) -> None:
    """Guards the quadrature: injected = metered x share x strength, with what the hose held instead of the stock."""
    rng = random.Random(11)
    draws = []
    for _ in range(_DRAWS):
        metered_l = 300.0 * (1.0 + rng.uniform(-meter_pct, meter_pct) / 100.0)
        strength = 1.0 + rng.gauss(0.0, strength_pct / 200.0)
        share = 0.5 * (1.0 + rng.gauss(0.0, share_pct / 200.0))
        hose_l = rng.gauss(0.0, unknown_l / 2.0)
        draws.append((metered_l * strength + hose_l) * share)
    row = _row(meter_pct=meter_pct, strength_pct=strength_pct, share_pct=share_pct, unknown_l=unknown_l)
    assert 100.0 * row.u_injected_mg / row.injected_mg == pytest.approx(_k2_pct(draws), rel=0.05)


@pytest.mark.parametrize("water_l", [500.0, 900.0, 60_000.0])
def test_what_the_pipes_leave_uncertain_adds_as_a_monte_carlo_says(water_l: float) -> None:
    """Guards the delivered: the pipes' spread as a k = 2 of its own beside meter, strength and split."""
    row, way = _row(water_l), _way(water_l, 150.0)
    spread_l = max(abs(line.delivered_l - way.line.delivered_l) for line in (way.short, way.long))
    rng = random.Random(12)
    draws = []
    for _ in range(_DRAWS):
        factor = (1.0 + rng.uniform(-1.0, 1.0) / 100.0) * (1.0 + rng.gauss(0.0, 0.01)) * (1.0 + rng.gauss(0.0, 0.05))
        draws.append(way.line.delivered_l * factor + rng.gauss(0.0, spread_l / 2.0))
    assert row.u_delivered_mg / 31_000.0 == pytest.approx(2.0 * statistics.pstdev(draws), rel=0.05)


def test_the_check_value_of_the_domain_sheet() -> None:
    """Guards M3: permissible errors of 2, 1 and 1 %, each read as a rectangle, give 2.828 % at k = 2 in the row."""
    row = _row(meter_pct=2.0, strength_pct=math.hypot(k2_of_class_pct(1.0), k2_of_class_pct(1.0)), share_pct=0.0)
    assert 100.0 * row.u_injected_mg / row.injected_mg == pytest.approx(2.828, abs=0.001)


@pytest.mark.parametrize(
    ("injected_l", "hose_pct"), [(30.0, 10.0), (6.0, 50.0), (3.0, 100.0), (2.0, 100.0), (0.01, 100.0)]
)
def test_what_a_hose_may_have_held_is_uncertain(injected_l: float, hose_pct: float) -> None:
    """Guards the hose term: 3 L of another batch are a part of the dose, and all of one that is no more than they."""
    row = _row(injected_l=injected_l, unknown_l=3.0)
    known = _row(injected_l=injected_l)
    assert row.u_injected_mg == pytest.approx(
        math.hypot(known.u_injected_mg, hose_pct / 100.0 * row.injected_mg), abs=2.0
    )


def test_nothing_injected_is_certain() -> None:
    """Guards the row of a channel that gave nothing: no dose and no uncertainty, whatever its hose holds."""
    row = _row(injected_l=0.0, unknown_l=3.0)
    assert (row.injected_mg, row.delivered_mg, row.u_injected_mg, row.u_delivered_mg) == (0, 0, 0, 0)


def test_a_drained_block_has_lost_what_was_in_its_lines() -> None:
    """Guards the drained block: what lay behind its valve is lost, and all of it is uncertainty in full."""
    wet, dry = _row(700.0), _row(700.0, is_drained=True)
    assert wet.in_lines_mg > 1_000_000 and wet.lost_mg == 0
    assert dry.lost_mg > 1_000_000 and dry.in_lines_mg + dry.lost_mg == wet.in_lines_mg
    assert (dry.delivered_mg, dry.injected_mg) == (wet.delivered_mg, wet.injected_mg)
    assert dry.u_delivered_mg == pytest.approx(wet.u_delivered_mg + dry.lost_mg, abs=1.0)


def test_a_blind_account_may_have_delivered_all_that_it_thinks_is_in_the_lines() -> None:
    """Guards the bound: with water uncounted the content stays in the lines, and may be out to its last milligram."""
    seen, blind = _row(700.0), _row(700.0, is_blind=True)
    assert (blind.in_lines_mg, blind.delivered_mg, blind.lost_mg) == (seen.in_lines_mg, seen.delivered_mg, 0)
    assert blind.u_delivered_mg == pytest.approx(seen.u_delivered_mg + blind.in_lines_mg, abs=1.0)
    assert blind.u_injected_mg == seen.u_injected_mg
    both = _row(700.0, is_blind=True, is_drained=True)
    assert both.u_delivered_mg == blind.u_delivered_mg, "the same content is not counted twice"


def _splits_pct(*blocks: str) -> dict[str, float]:
    recipe = night(orchard(("laterals = 106", "laterals = 53")), blocks, 4.0)
    return {plan.block: plan.share_accuracy_pct for plan in recipe.blocks}


def test_the_split_of_two_equal_blocks() -> None:
    """Guards the split: by one main meter it is never known better than to a tenth; one block has no split."""
    assert _splits_pct("creek", "ridge") == {"creek": 10.0, "ridge": 10.0}
    assert _splits_pct("creek") == {"creek": 0.0}


def test_the_split_of_three_blocks_is_what_a_monte_carlo_says() -> None:
    """Guards the split: a share is one flow over the sum of all, so an error of one moves every other."""
    change = ("flow_accuracy_pct = 10.0", "flow_accuracy_pct = 25.0")  # creek's
    site = orchard(change).site
    recipe = night(orchard(change), ("creek", "ridge", "hill"), 6.0)
    rng = random.Random(13)
    draws: dict[str, list[float]] = {plan.block: [] for plan in recipe.blocks}
    for _ in range(_DRAWS):
        flows = {
            name: site.block[name].flow_m3_h * (1.0 + rng.gauss(0.0, site.block[name].flow_accuracy_pct / 200.0))
            for name in draws
        }
        for name, flow in flows.items():
            draws[name].append(flow / sum(flows.values()))
    for plan in recipe.blocks:
        assert plan.share_accuracy_pct > 10.0
        assert plan.share_accuracy_pct == pytest.approx(_k2_pct(draws[plan.block]), rel=0.05)

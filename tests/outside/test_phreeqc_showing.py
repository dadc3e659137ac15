"""What the line shows of a stock against PHREEQC: by its products, and by a bucket of another strength."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace

import pytest

from daemon.agronomy.contents import Contents
from daemon.agronomy.products import substance_of
from daemon.agronomy.showing import MIX_LOSS, slope_k2_pct, slope_ms_cm_per_g_l
from daemon.decisions.tanks import Water
from tests.daemon.decisions.tanks import NOW
from tests.outside.test_phreeqc_conductivity import EC_SEES, MIXES, WATERS, peer_rise_ms_cm

_STOCKS = tuple(
    mix
    for mix in (*MIXES, *({name: 1.0} for name in EC_SEES))
    if all(substance_of(name, {}).nature == "neutral" for name in mix)
)
_LINE_G_L = (0.25, 0.5, 1.0, 2.0)
_SEEN_MS_CM = 0.15
"""A rise below this is not counted by."""


def _stock(mix: Mapping[str, float]) -> Contents:
    solutes = tuple((substance_of(name, {}), grams) for name, grams in mix.items())
    product_g_l = sum(mix.values())
    pure = sum(substance.ec_ms_cm_per_g_l * grams for substance, grams in solutes) / product_g_l
    return Contents(
        tank="a",
        stock="stock",
        batch="a_1",
        since=NOW,
        litres=100.0,
        products_g_l=mix,
        nutrients_g_l={},
        nitrogen_g_l={},
        product_g_l=product_g_l,
        solutes=solutes,
        made_with=None,
        ec_ms_cm_per_g_l=MIX_LOSS * pure,
        products_ec_ms_cm_per_g_l=pure,
        bucket_g_l=None,
        strength_accuracy_pct=2.0,
    )


def _lines() -> Iterator[tuple[Contents, Water, float, float]]:
    """Yield each stock in each water at each strength of the line that EC sees, with PHREEQC's slope there."""
    for mix in _STOCKS:
        stock = _stock(mix)
        for water in WATERS.values():
            for g_l in _LINE_G_L:
                slope = _peer_slope(stock, g_l, water)
                if slope * g_l >= _SEEN_MS_CM:
                    yield stock, water, g_l, slope


def _peer_slope(stock: Contents, g_l: float, water: Water) -> float:
    parts = {name: part / stock.product_g_l * g_l for name, part in stock.products_g_l.items()}
    return peer_rise_ms_cm(parts, water) / g_l


def _off_pct(found: float, expected: float) -> float:
    return 100.0 * (found / expected - 1.0)


def test_a_slope_by_the_products_is_within_its_band() -> None:
    """Guards the k = 2 of a computed slope: half of the 10 % that it is read from, wherever the water is analysed."""
    off_pct = [_off_pct(slope_ms_cm_per_g_l(stock, g_l, water), slope) for stock, water, g_l, slope in _lines()]
    assert len(off_pct) > 400 and max(map(abs, off_pct)) < 5.0
    assert 2.0 * _rms(off_pct) < 3.0


@pytest.mark.parametrize(("times", "most_pct"), [(0.25, 2.5), (0.5, 1.0), (2.0, 1.0), (4.0, 2.5)])
def test_a_bucket_is_followed_to_the_lines_strength(times: float, most_pct: float) -> None:
    """Guards the hundredth that a bucket's band leaves for it: a bucket is rarely as thin as the line."""
    for stock, water, g_l, slope in _lines():
        tested = replace(stock, bucket_g_l=times * g_l, ec_ms_cm_per_g_l=_peer_slope(stock, times * g_l, water))
        assert _off_pct(slope_ms_cm_per_g_l(tested, g_l, water), slope) == pytest.approx(0.0, abs=most_pct)


def test_one_figure_for_all_waters_is_as_far_off_as_it_says() -> None:
    """Guards the k = 2 without an analysis, a bucket of twice or half the strength too: no less, no more."""
    lines = list(_lines())
    off_pct = [_off_pct(slope_ms_cm_per_g_l(stock, g_l, None), slope) for stock, _, g_l, slope in lines]
    assert 0.8 * slope_k2_pct(lines[0][0], None) < 2.0 * _rms(off_pct) < slope_k2_pct(lines[0][0], None)
    off_pct = []
    for stock, water, g_l, slope in lines:
        for times in (0.5, 2.0):
            tested = replace(stock, bucket_g_l=times * g_l, ec_ms_cm_per_g_l=_peer_slope(stock, times * g_l, water))
            off_pct.append(_off_pct(slope_ms_cm_per_g_l(tested, g_l, None), slope))
    assert 0.8 * slope_k2_pct(tested, None) < math.hypot(2.0 * _rms(off_pct), slope_k2_pct(tested, water))
    assert math.hypot(2.0 * _rms(off_pct), slope_k2_pct(tested, water)) < slope_k2_pct(tested, None)


def _rms(values: list[float]) -> float:
    return math.sqrt(sum(value * value for value in values) / len(values))

"""What the line shows of a stock: figure by figure, where there is an analysis and where there is none."""

from dataclasses import replace

import pytest

from daemon.agronomy.conductivity import ec_rise_ms_cm
from daemon.agronomy.contents import Contents
from daemon.agronomy.products import substance_of
from daemon.agronomy.showing import (
    MIX_LOSS,
    expected_in_bucket,
    products_slope_ms_cm_per_g_l,
    slope_k2_pct,
    slope_ms_cm_per_g_l,
    wrong_bag,
)
from daemon.decisions.tanks import Water
from tests.daemon.decisions.tanks import NOW

_HARD = Water(
    on=NOW.date(),
    ec_ms_cm=1.3,
    ph=7.8,
    ca_mg_l=120.0,
    mg_mg_l=36.0,
    na_mg_l=46.0,
    hco3_mg_l=305.0,
    so4_mg_l=144.0,
    cl_mg_l=106.0,
    nitrate_mg_l=9.0,
    nitrate_as="N",
)


def _stock(
    *names: str, label: float = 1.0, bucket_g_l: float | None = None, bucket: float = 1.0, water: Water | None = None
) -> Contents:
    """Return built-in salts, 100 g/L of each, of which a label says `label` times their EC and a bucket `bucket`."""
    solutes = tuple((substance_of(name, {}), 100.0) for name in names)
    pure = label * sum(substance.ec_ms_cm_per_g_l for substance, _ in solutes) / len(names)
    return Contents(
        tank="a",
        stock="stock",
        batch="a_1",
        since=NOW,
        litres=800.0,
        products_g_l=dict.fromkeys(names, 100.0),
        nutrients_g_l={},
        nitrogen_g_l={},
        product_g_l=100.0 * len(names),
        solutes=solutes,
        made_with=water,
        ec_ms_cm_per_g_l=MIX_LOSS * pure if bucket_g_l is None else bucket,
        products_ec_ms_cm_per_g_l=pure,
        bucket_g_l=bucket_g_l,
        strength_accuracy_pct=2.0,
    )


def _by_ions(names: tuple[str, ...], g_l: float) -> float:
    parts = [(substance_of(name, {}), g_l / len(names)) for name in names]
    return ec_rise_ms_cm(parts, _HARD) / g_l


@pytest.mark.parametrize("label", [1.0, 0.9])
@pytest.mark.parametrize("names", [("mkp",), ("potassium_nitrate", "map")])
def test_the_ions_tell_in_a_water_that_is_known(names: tuple[str, ...], label: float) -> None:
    """Guards the way from pure water to the line's: a label that states another EC keeps its part of it."""
    stock = _stock(*names, label=label)
    for g_l in (0.3, 2.0):
        slope = slope_ms_cm_per_g_l(stock, g_l, _HARD)
        assert slope == pytest.approx(label * _by_ions(names, g_l), rel=0.01)
    assert slope_k2_pct(stock, _HARD) < 7.0


def test_without_an_analysis_one_figure_does() -> None:
    """Guards the figure of `stock`, with a band that says how little it knows."""
    stock = _stock("mkp")
    assert slope_ms_cm_per_g_l(stock, 0.3, None) == slope_ms_cm_per_g_l(stock, 2.0, None) == stock.ec_ms_cm_per_g_l
    assert slope_k2_pct(stock, None) > 3.0 * slope_k2_pct(stock, _HARD)


def test_a_bucket_counts_where_it_was_made_and_is_followed_from_there() -> None:
    """Guards the measured figure: as it is at the bucket's own strength, and from there by the ions."""
    stock = _stock("potassium_nitrate", bucket_g_l=1.0, bucket=1.2)
    assert slope_ms_cm_per_g_l(stock, 1.0, _HARD) == pytest.approx(1.2)
    fallen = _by_ions(("potassium_nitrate",), 2.0) / _by_ions(("potassium_nitrate",), 1.0)
    assert slope_ms_cm_per_g_l(stock, 2.0, _HARD) == pytest.approx(1.2 * fallen)
    assert slope_ms_cm_per_g_l(stock, 2.0, None) == 1.2
    assert slope_k2_pct(stock, _HARD) < slope_k2_pct(stock, None) < slope_k2_pct(_stock("mkp"), None)


def test_ec_that_cannot_see_a_stock_sees_none_of_it_anywhere() -> None:
    """Guards rule 14 of practice."""
    urea = _stock("urea")
    assert slope_ms_cm_per_g_l(urea, 1.0, _HARD) == products_slope_ms_cm_per_g_l(urea, 1.0, _HARD) == 0.0


@pytest.mark.parametrize("name", ["phosphoric_acid", "urea"])
def test_a_label_alone_tells_of_what_ions_cannot(name: str) -> None:
    """Guards acids, of which the water decides what is left, and labels whose items carry no charge: as they say it."""
    said = replace(_stock(name), ec_ms_cm_per_g_l=0.96, products_ec_ms_cm_per_g_l=1.0)
    assert slope_ms_cm_per_g_l(said, 0.5, _HARD) == pytest.approx(0.96)
    assert products_slope_ms_cm_per_g_l(said, 0.5, _HARD) == pytest.approx(0.96)
    assert slope_k2_pct(said, _HARD) == slope_k2_pct(said, None)


def test_no_strength_leaves_the_figure() -> None:
    """Guards the nights on which nothing is due."""
    stock = _stock("mkp")
    assert slope_ms_cm_per_g_l(stock, 0.0, _HARD) == stock.ec_ms_cm_per_g_l


def test_a_bucket_of_phosphate_in_hard_water_is_no_wrong_bag() -> None:
    """Guards the catch against crying wolf: hard water takes a fifth off it, which its own analysis explains."""
    shown = _by_ions(("mkp",), 0.5)
    assert shown < 0.84 * MIX_LOSS * substance_of("mkp", {}).ec_ms_cm_per_g_l
    known = _stock("mkp", bucket_g_l=0.5, bucket=shown, water=_HARD)
    assert expected_in_bucket(known) == pytest.approx(shown, rel=0.01) and not wrong_bag(known)
    assert "a wrong bag" in wrong_bag(replace(known, made_with=None))
    assert "a wrong bag" in wrong_bag(replace(known, ec_ms_cm_per_g_l=0.8 * shown))

"""How much a stock raises the line's EC: known in a bucket or by its products, and followed by its ions into the line.

A gram shows less in stronger water and beside more of its kind, phosphate in hard water a quarter less. Where the
water's analysis is known, the ions say how much; without it, one figure has to do for all waters.
"""

import math

from daemon.agronomy.conductivity import ec_rise_ms_cm, gram_ec_ms_cm
from daemon.agronomy.contents import Contents
from daemon.decisions.tanks import Water

MIX_LOSS = 0.96
"""Products raise the EC of real water by so much of the sum of what each raises pure water's; computed with PHREEQC for
single salts and mixes at some 1 g/L. For a water that nobody has analysed."""
_BUCKET_PCT = 3.0
"""k = 2 of a bucket's slope: a hand meter of class 1.5, stock and water measured to 1 % (a cylinder of class B), and
1 % for the way from the bucket's strength to the line's, all as rectangles; rounded up."""
_PRODUCTS_PCT = 20.0 / 3.0
"""k = 2 of a computed slope: nothing is to lie beyond 10 % (domain sheet 4), read as three standard deviations. Of
PHREEQC it is within 5 % (tests/outside/test_phreeqc_showing.py), and of measured sulphates within 7 %."""
_NO_ANALYSIS_PCT = 24.0
"""k = 2 of one figure for all waters, by the same test."""
_STRENGTH_PCT = 6.0
"""k = 2 of the way from a bucket's strength to the line's where no analysis helps, by the same test."""

SEEN_MS_CM_PER_G_L = 0.05
"""A slope below this is one that EC cannot see (common practice, no source)."""
_WRONG_BAG = 0.15
"""By so much may a bucket test differ from what the products make (common practice, no source)."""
_LEAST = 1e-6
_STEP_G_L = 0.02
"""Strengths so near to each other show the same within some thousandths: a season is planned from a few of them."""


def slope_ms_cm_per_g_l(contents: Contents, g_l: float, water: Water | None) -> float:
    """Return the line's rise of EC at 25 °C for each gram of product in a litre, where it holds `g_l` of it.

    0 where EC cannot see the stock. Without the line's `water`, the figure that `contents` has.
    """
    known = contents.ec_ms_cm_per_g_l
    if not known or g_l <= 0.0 or not _can_follow(contents, water):
        return known
    if contents.bucket_g_l is None:
        return products_slope_ms_cm_per_g_l(contents, g_l, water)
    return known * _by_ions(contents, g_l, water) / _by_ions(contents, contents.bucket_g_l, water)


def slope_k2_pct(contents: Contents, water: Water | None) -> float:
    """Return the k = 2 of that slope in percent; for one out of a bucket, apart from the stock's own strength."""
    follows = _can_follow(contents, water)
    if contents.bucket_g_l is None:
        return _PRODUCTS_PCT if follows else _NO_ANALYSIS_PCT
    return _BUCKET_PCT if follows else math.hypot(_BUCKET_PCT, _STRENGTH_PCT)


def products_slope_ms_cm_per_g_l(contents: Contents, g_l: float, water: Water | None) -> float:
    """Return the same by the products alone, whatever a bucket said; 0 where they cannot say it."""
    pure = contents.products_ec_ms_cm_per_g_l or 0.0
    if not pure or not _can_follow(contents, water) or not _is_neutral(contents):
        return pure * MIX_LOSS
    # A label may state its EC; the ions then tell only how it changes on the way from pure water.
    return pure * _by_ions(contents, g_l, water) / _alone(contents)


def wrong_bag(contents: Contents) -> str:
    """Return why the bucket test speaks for another product or strength than was entered; empty when it does not."""
    if contents.bucket_g_l is None or contents.products_ec_ms_cm_per_g_l is None:
        return ""
    measured, expected = contents.ec_ms_cm_per_g_l, expected_in_bucket(contents)
    if abs(measured - expected) <= max(SEEN_MS_CM_PER_G_L, _WRONG_BAG * expected):
        return ""
    return (
        f"the bucket test of batch {contents.batch} gives {measured:.2f} mS/cm for each g/L, and "
        f"{', '.join(contents.products_g_l)} would give {expected:.2f}: a wrong bag or weight? Look at the bags, test "
        "another bucket, and correct the mix"
    )


def expected_in_bucket(contents: Contents) -> float:
    """Return the slope that the products would give at the bucket's strength, in the stock's own water."""
    return products_slope_ms_cm_per_g_l(contents, contents.bucket_g_l or 0.0, contents.made_with)


def _can_follow(contents: Contents, water: Water | None) -> bool:
    """Whether the ions tell how the slope changes: of an acid only a bucket says what there is to begin with."""
    is_known = contents.bucket_g_l is not None or _is_neutral(contents)
    return water is not None and is_known and _alone(contents) > 0.0


def _is_neutral(contents: Contents) -> bool:
    return all(substance.nature == "neutral" for substance, _ in contents.solutes)


def _alone(contents: Contents) -> float:
    """Return what the ions of a gram make, each product for itself in a litre of pure water."""
    return (
        sum(gram_ec_ms_cm(tuple(substance.ions_mol_g.items())) * g_l for substance, g_l in contents.solutes)
        / contents.product_g_l
    )


def _by_ions(contents: Contents, g_l: float, water: Water | None) -> float:
    """Return what the ions of a gram make where a litre of the water holds `g_l`; a little above 0 at least."""
    g_l = max(_STEP_G_L, round(g_l / _STEP_G_L) * _STEP_G_L)
    parts = [(substance, part / contents.product_g_l * g_l) for substance, part in contents.solutes]
    return max(_LEAST, ec_rise_ms_cm(parts, water) / g_l)

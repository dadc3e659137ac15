"""A tank's log, followed by hand: heels, top-ups, drainings, corrections, and what EC says of a batch."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.agronomy.contents import Contents
from daemon.agronomy.showing import wrong_bag
from daemon.agronomy.tank import contents_at, contents_of, log_of, not_as_made_up
from daemon.decisions.base import Decision, Decisions
from daemon.decisions.tanks import BucketTest, Mix, Product, Stock

_NOON = datetime(2026, 10, 13, 12, tzinfo=UTC)
_HOUR = timedelta(hours=1)

_NITRATE = Product(
    title="a made-up solid",
    form="solid",
    basis="w/w",
    figures="elemental",
    analysis_pct={"N_nitrate": 14.0, "N_ammonium": 1.0, "Ca": 18.0},
    ec_ms_cm_per_g_l=1.25,
)
_UREA = Product(
    title="another",
    form="solid",
    basis="w/w",
    figures="elemental",
    analysis_pct={"N_urea": 46.0},
    ec_ms_cm_per_g_l=0.0,
)
_LIQUID = Product(
    title="a liquid",
    form="liquid",
    basis="w/w",
    figures="elemental",
    analysis_pct={"K": 10.0},
    density_kg_l=1.25,
    ec_ms_cm_per_g_l=1.0,
)


def _decided(**mixes: Mix) -> dict[tuple[str, str], Decision]:
    """Return three products, a stock of each at 200 g/L in tank a, and these mixes."""
    products = {"nitrate": _NITRATE, "urea_bag": _UREA, "liquid": _LIQUID}
    found: dict[tuple[str, str], Decision] = {("product", name): product for name, product in products.items()}
    for name in products:
        stock = Stock(tank="a", products_g_l={name: 200.0}, coldest_c=10.0, strength_accuracy_pct=2.0)
        found["stock", f"{name}_stock"] = stock
    return {**found, **{("mix", key): mix for key, mix in mixes.items()}}


def _filled(
    hours: float, heel_l: float, to_l: float | None, kg: float, product: str = "nitrate", water_l: float | None = None
) -> Mix:
    body: dict[str, Any] = {"tank": "a", "did": "filled", "at": _NOON + hours * _HOUR, "by": "Mina", "heel_l": heel_l}
    body |= {"stock": f"{product}_stock", "portions": [{"product": product, "kg": kg}]}
    return Mix.model_validate({**body, "filled_to_l": to_l, "water_l": water_l})


def _drained(hours: float, heel_l: float) -> Mix:
    return Mix(tank="a", did="drained", at=_NOON + hours * _HOUR, by="Mina", heel_l=heel_l)


def _now(decisions: Decisions) -> Contents:
    found = contents_of("a", decisions)
    assert found is not None
    return found


def _litres(decisions: Decisions) -> list[float | None]:
    return [entry.contents.litres if entry.contents else None for entry in log_of("a", decisions)]


def test_one_filling_by_hand() -> None:
    """Guards the units: 200 kg in 1000 L are 200 g/L, with 15 % N (14 nitrate, 1 ammonium) and 18 % Ca."""
    now = _now(_decided(a_1=_filled(0.0, 0.0, 1000.0, 200.0)))
    assert (now.tank, now.stock, now.batch, now.since, now.litres) == ("a", "nitrate_stock", "a_1", _NOON, 1000.0)
    assert now.products_g_l == {"nitrate": 200.0} and now.product_g_l == 200.0
    assert now.nutrients_g_l == pytest.approx({"N": 30.0, "Ca": 36.0})
    assert now.nitrogen_g_l == pytest.approx({"nitrate": 28.0, "ammonium": 2.0})
    assert now.ec_ms_cm_per_g_l == pytest.approx(1.25 * 0.96) and now.ec_from == "products"
    assert now.products_ec_ms_cm_per_g_l == pytest.approx(1.25) and now.strength_accuracy_pct == 2.0


def test_a_heel_is_blended_in() -> None:
    """Guards blending: 200 L of 200 g/L and 100 kg filled to 1000 L are (40 + 100) kg / 1000 L = 140 g/L."""
    now = _now(_decided(a_1=_filled(0.0, 0.0, 1000.0, 200.0), a_2=_filled(5.0, 200.0, 1000.0, 100.0)))
    assert now.batch == "a_2" and now.product_g_l == pytest.approx(140.0)


def test_a_heel_of_another_product_stays_in_the_account() -> None:
    """Guards what the crop gets: 100 L of nitrate at 200 g/L under 180 kg of urea in 1000 L, EC 20/200 of nitrate's."""
    now = _now(_decided(a_1=_filled(0.0, 0.0, 1000.0, 200.0), a_2=_filled(5.0, 100.0, 1000.0, 180.0, "urea_bag")))
    assert now.stock == "urea_bag_stock" and now.products_g_l == pytest.approx({"nitrate": 20.0, "urea_bag": 180.0})
    assert now.nutrients_g_l == pytest.approx({"N": 3.0 + 82.8, "Ca": 3.6})
    assert now.products_ec_ms_cm_per_g_l == pytest.approx(0.1 * 1.25)


def test_a_top_up_changes_what_comes_after_it() -> None:
    """Guards the moment: before the first filling nothing, then the first, and from the top-up's instant on that."""
    decisions = _decided(a_2=_filled(5.0, 500.0, 1000.0, 50.0), a_1=_filled(0.0, 0.0, 1000.0, 200.0))
    at = {hours: contents_at("a", decisions, _NOON + hours * _HOUR) for hours in (-0.1, 0.0, 4.9, 5.0, 99.0)}
    assert at[-0.1] is None and contents_at("b", decisions, _NOON) is None
    strengths = {hours: contents.product_g_l for hours, contents in at.items() if contents is not None}
    assert strengths == pytest.approx({0.0: 200.0, 4.9: 200.0, 5.0: 150.0, 99.0: 150.0})


def test_the_log_goes_by_the_instant_and_not_by_the_clock_on_the_wall() -> None:
    """Guards offsets: 21:30 at +10:30 is an hour before noon at UTC."""
    later = _filled(0.0, 500.0, 1000.0, 50.0)
    first = _filled(0.0, 0.0, 1000.0, 200.0).model_copy(update={"at": datetime.fromisoformat("2026-10-13T21:30+10:30")})
    decisions = _decided(a_1=later, a_2=first)
    assert [entry.key for entry in log_of("a", decisions)] == ["a_2", "a_1"]


def test_drained_to_a_heel_and_to_the_ground() -> None:
    """Guards draining: the strength stays in what is left, nothing is left of 0 L, and a filling starts anew."""
    mixes = {"a_1": _filled(0.0, 0.0, 1000.0, 200.0), "a_2": _drained(1.0, 60.0), "a_3": _drained(2.0, 0.0)}
    decisions = _decided(**mixes, a_4=_filled(3.0, 0.0, 500.0, 100.0))
    assert _litres(decisions) == [1000.0, 60.0, None, 500.0]
    left = contents_at("a", decisions, _NOON + 1.5 * _HOUR)
    assert left is not None and (left.product_g_l, left.batch, left.since) == (200.0, "a_1", _NOON + _HOUR)
    assert contents_at("a", decisions, _NOON + 2.5 * _HOUR) is None
    assert [entry.why_unknown for entry in log_of("a", decisions)] == ["", "", "", ""]


def test_a_corrected_mix_changes_all_that_came_after_it() -> None:
    """Guards corrections: 150 kg and not 200 make 150 g/L, and the heel of it makes the next batch weaker too."""
    wrong = _decided(a_1=_filled(0.0, 0.0, 1000.0, 200.0), a_2=_filled(5.0, 200.0, 1000.0, 100.0))
    right = {**wrong, ("mix", "a_1"): _filled(0.0, 0.0, 1000.0, 150.0)}
    strengths = [[e.contents and e.contents.product_g_l for e in log_of("a", found)] for found in (wrong, right)]
    assert strengths == [[200.0, pytest.approx(140.0)], [150.0, pytest.approx(130.0)]]


def test_water_that_was_added_makes_room_for_what_dissolves() -> None:
    """Guards the volume: 125 kg of a liquid of 1.25 kg/L are 100 L, with 900 L of water and a heel of 50 L 1050 L.

    A solid's own volume is added too: 200 kg in 900 L are more than 900 L, and weaker than if they were not.
    """
    first = _filled(0.0, 0.0, 1000.0, 100.0, "liquid")
    decisions = _decided(a_1=first, a_2=_filled(1.0, 50.0, None, 125.0, "liquid", water_l=900.0))
    now = _now(decisions)
    assert now.litres == pytest.approx(1050.0)
    assert now.product_g_l == pytest.approx((50.0 * 0.1 + 125.0) * 1000.0 / 1050.0)
    solid = _now(_decided(a_1=_filled(0.0, 0.0, None, 200.0, water_l=900.0)))
    assert 920.0 < solid.litres < 1000.0 and solid.product_g_l == pytest.approx(200_000.0 / solid.litres)


@pytest.mark.parametrize(
    ("mixes", "reason"),
    [
        ({"a_1": _filled(0.0, 50.0, 1000.0, 200.0)}, "a heel of 50 L, and the tank was empty"),
        ({"a_1": _drained(0.0, 50.0)}, "a heel of 50 L, and the tank was empty"),
        ({"a_1": _filled(0.0, 0.0, 1000.0, 200.0, "compost")}, "compost"),
        (
            {"a_1": _filled(0.0, 0.0, 1000.0, 200.0).model_copy(update={"stock": "soup"})},
            "stock 'soup', which is not decided",
        ),
    ],
)
def test_what_nobody_can_tell_is_said_and_ends_with_a_clean_filling(mixes: dict[str, Mix], reason: str) -> None:
    """Guards honesty: no guess at what a heel was; a filling without a heel is known again."""
    decisions = _decided(**mixes, a_9=_filled(9.0, 0.0, 1000.0, 200.0))
    unknown, known = log_of("a", decisions)
    assert unknown.contents is None and reason in unknown.why_unknown and unknown.why_unknown.startswith("mix a_1: ")
    assert known.contents is not None and not known.why_unknown


def test_what_is_blended_into_the_unknown_is_unknown() -> None:
    """Guards the heel: a filling onto what nobody can tell says so, and names the way out."""
    decisions = _decided(a_1=_filled(0.0, 50.0, 1000.0, 200.0), a_2=_filled(1.0, 100.0, 1000.0, 200.0))
    assert "nobody can tell what was in it" in log_of("a", decisions)[1].why_unknown
    assert "a draining to 0 L before this filling" in log_of("a", decisions)[1].why_unknown


@given(
    fillings=st.lists(
        st.tuples(st.floats(0.0, 1.0), st.floats(0.5, 400.0), st.sampled_from(["nitrate", "urea_bag", "liquid"])),
        min_size=1,
        max_size=6,
    )
)
def test_mass_is_kept_through_every_filling(fillings: list[tuple[float, float, str]]) -> None:
    """Guards the balance: what is in the tank is the heel's part of what was, and what was weighed in."""
    mixes: dict[str, Mix] = {}
    mass_kg = {"nitrate": 0.0, "urea_bag": 0.0, "liquid": 0.0}
    for number, (left, kg, product) in enumerate(fillings):
        left *= bool(number)
        mixes[f"a_{number}"] = _filled(number, 1000.0 * left / 2.0, 1000.0, kg, product)
        mass_kg = {name: before * left / 2.0 for name, before in mass_kg.items()}
        mass_kg[product] += kg
    held = _now(_decided(**mixes))
    for name, kg in mass_kg.items():
        assert held.products_g_l.get(name, 0.0) == pytest.approx(kg, abs=1e-9)
    assert held.nutrients_g_l.get("N", 0.0) == pytest.approx(sum(held.nitrogen_g_l.values()))


def _tested(mixed_ec_ms_cm: float, batch: str = "a_1", product: str = "nitrate", hours: float = 1.0) -> Decisions:
    """Return a batch of 200 g/L with a bucket of 100 mL in 9.9 L of water of 0.5 mS/cm: 2 g/L of product."""
    test = BucketTest(
        mix=batch,
        at=_NOON + hours * _HOUR,
        by="Mina",
        stock_ml=100.0,
        water_l=9.9,
        water_ec_ms_cm=0.5,
        mixed_ec_ms_cm=mixed_ec_ms_cm,
    )
    return {**_decided(a_1=_filled(0.0, 0.0, 1000.0, 200.0, product)), ("bucket_test", f"test_{hours:g}"): test}


def test_a_bucket_test_gives_the_batch_its_own_slope() -> None:
    """Guards the slope: (2.895 - 0.5 x 0.99) / 2 g/L = 1.2 mS/cm for each g/L; the newest test of the batch counts."""
    now = _now(_tested(2.895))
    assert now.ec_ms_cm_per_g_l == pytest.approx(1.2) and now.ec_from == "bucket_test"
    newer = _now({**_tested(2.895), **_tested(2.495, hours=2.0)})
    assert newer.ec_ms_cm_per_g_l == pytest.approx(1.0)
    assert _now(_tested(2.895, batch="a_0")).ec_from == "products"
    topped_up = {**_tested(2.895), ("mix", "a_2"): _filled(5.0, 200.0, 1000.0, 100.0)}
    assert _now(topped_up).ec_from == "products"


@pytest.mark.parametrize(
    ("product", "slope", "is_wrong"),
    [
        ("nitrate", 1.20, False),
        ("nitrate", 1.03, False),
        ("nitrate", 1.01, True),
        ("nitrate", 1.37, False),
        ("nitrate", 1.39, True),
        ("nitrate", 0.0, True),
        ("urea_bag", 0.0, False),
        ("urea_bag", -0.02, False),
        ("urea_bag", 0.049, False),
        ("urea_bag", 0.06, True),
    ],
)
def test_a_wrong_bag_shows_in_the_bucket(product: str, slope: float, is_wrong: bool) -> None:
    """Guards the cheapest catch: 1.25 x 0.96 = 1.2 is expected of the nitrate, 15 % either way is as it should be.

    Urea that conducts is none, and a conductor that does not is none either.
    """
    now = _now(_tested(0.5 * 0.99 + 2.0 * slope, product=product))
    assert bool(wrong_bag(now)) == is_wrong
    assert "a_1" in wrong_bag(now) or not is_wrong


def test_ec_that_cannot_see_a_product_stays_blind() -> None:
    """Guards rule 14 of practice: a bucket's noise over urea is no slope to count doses by."""
    assert _now(_tested(0.5 * 0.99 + 2.0 * 0.04, product="urea_bag")).ec_ms_cm_per_g_l == 0.0


@pytest.mark.parametrize(("ec_ms_cm_per_g_l", "slope"), [(None, 0.0), (1.5, 1.5 * 0.96)])
def test_an_acid_shows_by_the_water_it_meets(ec_ms_cm_per_g_l: float | None, slope: float) -> None:
    """Guards rule 13 of practice: bicarbonate takes an acid's rise, so none is expected unless the label says one.

    A bucket test then gives the slope, and there is nothing to say of it that it is a wrong bag by.
    """
    acid = _LIQUID.model_copy(update={"nature": "acid", "ec_ms_cm_per_g_l": ec_ms_cm_per_g_l})
    decisions = {**_decided(a_1=_filled(0.0, 0.0, 1000.0, 200.0, "liquid")), ("product", "liquid"): acid}
    assert _now(decisions).ec_ms_cm_per_g_l == pytest.approx(slope)
    if ec_ms_cm_per_g_l is None:
        tested = _now({**_tested(2.895, product="liquid"), ("product", "liquid"): acid})
        assert tested.ec_ms_cm_per_g_l == pytest.approx(1.2) and not wrong_bag(tested)


@pytest.mark.parametrize(
    ("kg", "heel_l", "before", "told"),
    [
        (200.0, 0.0, "nitrate", ""),
        (209.0, 0.0, "nitrate", ""),
        (212.0, 0.0, "nitrate", "tank a holds 212.0 g/L of nitrate and not 200.0"),
        (188.0, 0.0, "nitrate", "tank a holds 188.0 g/L of nitrate and not 200.0"),
        (196.0, 45.0, "urea_bag", ""),
        (200.0, 60.0, "urea_bag", "tank a holds 12.0 g/L of urea_bag and not 0.0"),
    ],
)
def test_a_tank_that_is_not_as_its_stock_is_made_up(kg: float, heel_l: float, before: str, told: str) -> None:
    """Guards the make-up: 5 % of a product either way, and 5 % of the whole of one that should not be there."""
    decisions = _decided(a_1=_filled(0.0, 0.0, 1000.0, 200.0, before), a_2=_filled(1.0, heel_l, 1000.0, kg))
    stock = decisions["stock", "nitrate_stock"]
    assert isinstance(stock, Stock)
    assert not_as_made_up(_now(decisions), stock) == told

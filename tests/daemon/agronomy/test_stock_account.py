"""Where the product went: both balances followed by hand, and held against any sequence of fillings and draws."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.agronomy.past import PastDraw, PastRun
from daemon.agronomy.stock_account import ProductAccount, product_accounts
from daemon.agronomy.tank import log_of
from daemon.decisions.base import Decision
from daemon.decisions.shed import Delivery, ShedCount
from daemon.decisions.tanks import Mix, Portion, Product, Stock

_FIRST = datetime(2026, 10, 1, tzinfo=UTC)
_END = datetime(2026, 11, 1, tzinfo=UTC)
_DAY = timedelta(days=1)


def _decided(**found: Decision) -> dict[tuple[str, str], Decision]:
    salt = Product(
        title="a salt", form="solid", basis="w/w", figures="elemental", analysis_pct={"N_nitrate": 15.0},
        ec_ms_cm_per_g_l=1.0,
    )  # fmt: skip
    stock = Stock(tank="a", products_g_l={"salt": 100.0}, coldest_c=10.0, strength_accuracy_pct=2.0)
    given: dict[tuple[str, str], Decision] = {("product", "salt"): salt, ("stock", "salty"): stock}
    return {**given, **{(one.kind, key): one for key, one in found.items()}}


def _filled(day: float, kg: float, to_l: float, heel_l: float = 0.0) -> Mix:
    return Mix(
        tank="a", did="filled", at=_FIRST + day * _DAY, by="Mina", heel_l=heel_l, stock="salty",
        portions=(Portion(product="salt", kg=kg),), filled_to_l=to_l,
    )  # fmt: skip


def _drained(day: float, heel_l: float = 0.0) -> Mix:
    return Mix(tank="a", did="drained", at=_FIRST + day * _DAY, by="Mina", heel_l=heel_l)


def _run(day: float, batch: str, stock_l: float, u_l: float = 0.0) -> PastRun:
    return PastRun(f"r{day}", _FIRST + day * _DAY, {}, {}, (PastDraw("one", batch, stock_l, u_l),))


def _accounts(decisions: dict[tuple[str, str], Decision], *runs: PastRun) -> tuple[ProductAccount, tuple[str, ...]]:
    found, untold = product_accounts(decisions, {"a": log_of("a", decisions)}, runs, _FIRST, _END)
    (account,) = found
    return account, untold


def test_a_month_followed_by_hand() -> None:
    """100 kg in 1,000 L is 100 g/L: 600 L injected are 60 kg; a heel of 390 L where 400 should be leaves 1 kg open."""
    decisions = _decided(one=_filled(1, 100.0, 1000.0), two=_filled(5, 61.0, 1000.0, heel_l=390.0), three=_drained(20))
    account, untold = _accounts(
        decisions, _run(2, "one", 400.0, 8.0), _run(3, "one", 200.0, 4.0), _run(6, "two", 500.0)
    )
    assert (account.mixed_kg, account.tanks_before_kg, account.in_tanks_kg) == (161.0, 0.0, 0.0)
    assert account.injected_kg == pytest.approx(60.0 + 50.0)
    assert account.drained_kg == pytest.approx(50.0)
    assert account.unaccounted_kg == pytest.approx(1.0)
    assert account.unaccounted_pct == pytest.approx(100.0 / 161.0)
    # The meter's 12 L of 100 g/L, one way every night, and 2 % of what was weighed: sqrt(1.2^2 + 3.22^2).
    assert account.u_kg == pytest.approx(3.4364, abs=1e-4) and account.closes
    assert untold == ()


def test_what_was_in_the_tank_before_and_is_there_after() -> None:
    """A season begins and ends in the middle of a filling: what was drawn before it is not of it."""
    decisions = _decided(one=_filled(-5, 100.0, 1000.0))
    runs = (_run(-2, "one", 300.0), _run(10, "one", 200.0), _run(40, "one", 100.0))
    account, _ = _accounts(decisions, *runs)
    assert (account.tanks_before_kg, account.mixed_kg) == pytest.approx((70.0, 0.0))
    assert (account.injected_kg, account.in_tanks_kg) == pytest.approx((20.0, 50.0))
    assert account.unaccounted_kg == pytest.approx(0.0, abs=1e-9)


def test_a_loss_that_nobody_entered_shows() -> None:
    """A leak of half a tank is far outside what meters and scales are unsure of."""
    decisions = _decided(one=_filled(1, 100.0, 1000.0), two=_filled(5, 90.0, 1000.0, heel_l=100.0))
    account, _ = _accounts(decisions, _run(2, "one", 400.0, 8.0))
    assert account.unaccounted_kg == pytest.approx(50.0) and not account.closes


def test_the_sheds_book() -> None:
    """Deliveries less fillings, against each count; what came before the season is only its beginning."""
    decisions = _decided(
        before=Delivery(product="salt", kg=500.0, at=_FIRST - 9 * _DAY, by="Mina"),
        one=_filled(1, 100.0, 1000.0),
        came=Delivery(product="salt", kg=200.0, at=_FIRST + 2 * _DAY, by="Mina"),
        count=ShedCount(product="salt", kg=590.0, at=_FIRST + 3 * _DAY, by="Mina"),
        two=_filled(4, 100.0, 2000.0, heel_l=1000.0),
        after=Delivery(product="salt", kg=999.0, at=_END + _DAY, by="Mina"),
    )
    account, _ = _accounts(decisions)
    assert (account.shed_before_kg, account.bought_kg, account.mixed_kg) == (500.0, 200.0, 200.0)
    assert (account.counted_off_kg, account.shed_left_kg) == (-10.0, 490.0)


def test_without_a_delivery_nothing_is_said_of_the_shed() -> None:
    """Nothing is invented: where nobody told, nothing is known; more mixed than came is below nothing."""
    account, _ = _accounts(_decided(one=_filled(1, 100.0, 1000.0)))
    assert (account.shed_before_kg, account.shed_left_kg, account.counted_off_kg) == (None, None, None)
    came = Delivery(product="salt", kg=40.0, at=_FIRST, by="Mina")
    account, _ = _accounts(_decided(one=_filled(1, 100.0, 1000.0), came=came))
    assert account.shed_left_kg == -60.0


def test_what_cannot_be_told_is_said() -> None:
    """A heel of nothing that was known leaves the tank unknown, and so does a filling that nobody entered."""
    account, untold = _accounts(_decided(one=_filled(1, 100.0, 1000.0, heel_l=200.0)), _run(2, "other", 30.0))
    assert account.mixed_kg == account.unaccounted_kg == 100.0
    assert ["heel of 200 L" in untold[0], untold[1]] == [
        True,
        "30.0 L were injected from a tank whose filling nobody entered",
    ]


@given(
    st.lists(st.tuples(st.floats(10.0, 200.0), st.floats(0.05, 0.9), st.booleans()), min_size=1, max_size=8),
    st.floats(-10.0, 10.0),
)
def test_an_honest_log_closes(fillings: list[tuple[float, float, bool]], begins: float) -> None:
    """Guards the identity: whatever is filled, drawn and drained, wherever the season begins, nothing is missing."""
    found: dict[str, Decision] = {}
    runs, heel_l, day = [], 0.0, begins
    for number, (kg, share, is_drained) in enumerate(fillings):
        found[f"fill_{number}"] = _filled(day, kg, 1000.0, heel_l)
        drawn_l = share * 1000.0
        runs.append(_run(day + 0.5, f"fill_{number}", drawn_l))
        heel_l = 1000.0 - drawn_l
        if is_drained:
            found[f"drain_{number}"] = _drained(day + 0.7)
            heel_l = 0.0
        day += 1.0 + share
    decisions = _decided(**found)
    accounts, untold = product_accounts(decisions, {"a": log_of("a", decisions)}, runs, _FIRST, _END)
    assert untold == ()
    for account in accounts:
        assert account.unaccounted_kg == pytest.approx(0.0, abs=1e-6)

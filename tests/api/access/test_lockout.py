"""How often a password may be tried: each bound by itself, and that no try is looked at while one holds."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from api.access.lockout import TRIES, Lockout
from api.access.store import AccessStore


@pytest.fixture
def store(tmp_path: Path) -> Iterator[AccessStore]:
    """Return an empty store."""
    found = AccessStore(tmp_path / "access.db")
    yield found
    found.close()


def _fail(lockout: Lockout, name: str, address: str, now_s: float) -> None:
    assert lockout.wait_s(name, address, now_s) == 0.0
    lockout.failed(name, address, now_s, 0)


def test_five_wrong_ones_have_to_wait_longer_each_time(store: AccessStore) -> None:
    """Guards the pause: 30 s, then twice as long with each wrong one, an hour at most; others go on."""
    lockout, now_s = Lockout(store, 0.0), 0.0
    for _ in range(TRIES):
        _fail(lockout, "rani", "a", now_s)
    pauses = []
    for _ in range(10):
        wait_s = lockout.wait_s("rani", "a", now_s)
        pauses.append(wait_s)
        now_s += wait_s
        _fail(lockout, "rani", "a", now_s)
    assert pauses[:3] == [30.0, 60.0, 120.0] and max(pauses) == 3600.0
    assert lockout.wait_s("theo", "b", now_s) == 0.0
    assert lockout.wait_s("theo", "a", now_s) > 0.0, "the address has to wait as well"


def test_a_restart_forgets_nothing(store: AccessStore) -> None:
    """Guards against a crash that opens the door."""
    lockout = Lockout(store, 0.0)
    for _ in range(TRIES):
        _fail(lockout, "rani", "a", 0.0)
    assert Lockout(store, 0.0).wait_s("rani", "b", 0.0) == 30.0


def test_the_right_password_wipes_the_slate(store: AccessStore) -> None:
    """Guards whoever mistyped."""
    lockout = Lockout(store, 0.0)
    for _ in range(TRIES - 1):
        _fail(lockout, "rani", "a", 0.0)
    lockout.succeeded("rani", "a")
    _fail(lockout, "rani", "a", 0.0)
    assert lockout.wait_s("rani", "a", 0.0) == 0.0 and store.failures() == {"person rani": 1, "address a": 1}


def test_a_name_is_tried_ten_times_a_minute_from_wherever(store: AccessStore) -> None:
    """Guards against many addresses; and all names together sixty times."""
    lockout = Lockout(store, 0.0)
    for number in range(10):
        assert lockout.wait_s("rani", f"address-{number}", 0.0) == 0.0
    assert lockout.wait_s("rani", "another", 20.0) == 40.0 and lockout.wait_s("rani", "another", 61.0) == 0.0
    many = Lockout(store, 0.0)
    for number in range(60):
        assert many.wait_s(f"name-{number}", f"address-{number}", 0.0) == 0.0
    assert many.wait_s("one-more", "another", 0.0) == 60.0


def test_what_is_kept_is_bounded(store: AccessStore) -> None:
    """Guards memory against a million names."""
    lockout = Lockout(store, 0.0)
    for number in range(3000):
        lockout.wait_s(f"name-{number}", "a", 61.0 * number)
    assert len(lockout._tries) <= 1000

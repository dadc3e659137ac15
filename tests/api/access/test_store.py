"""access.db: secrets are kept as digests alone, everything ends when it should, and one technician is left."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from api.access.roles import Role
from api.access.store import PAIRING_MS, SESSION_MS, AccessError, AccessStore

_NOW_MS = 1_791_000_000_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[AccessStore]:
    """Return a store with a technician and a viewer."""
    found = AccessStore(tmp_path / "access.db")
    found.add("theo", Role.TECHNICIAN, _NOW_MS, "a hash")
    found.add("rani", Role.VIEWER, _NOW_MS)
    yield found
    found.close()


def test_no_secret_is_in_the_file(store: AccessStore, tmp_path: Path) -> None:
    """Guards a card that is lost or copied: sessions, tokens and codes cannot be read off it."""
    secrets = [
        store.begin_session("theo", _NOW_MS),
        store.add_token("theo", "office", Role.VIEWER, 30, _NOW_MS)[1],
        store.add_pairing("theo", _NOW_MS),
    ]
    kept = b"".join(path.read_bytes() for path in tmp_path.iterdir())
    assert not [secret for secret in secrets if secret.encode() in kept]
    assert (tmp_path / "access.db").stat().st_mode & 0o077 == 0


def test_a_session_ends(store: AccessStore) -> None:
    """Guards sessions: by time, one by one, all at once, and with a new password or role."""
    secret = store.begin_session("rani", _NOW_MS)
    person = store.session(secret, _NOW_MS + SESSION_MS - 1)
    assert person is not None and (person.name, person.role) == ("rani", Role.VIEWER)
    assert store.session(secret, _NOW_MS + SESSION_MS) is None and store.session("made up", _NOW_MS) is None
    other = store.begin_session("rani", _NOW_MS)
    store.end_session(secret)
    assert store.session(secret, _NOW_MS) is None and store.session(other, _NOW_MS) is not None
    ends: tuple[Callable[[], None], ...] = (
        lambda: store.end_sessions("rani"),
        lambda: store.change("rani", password="another hash"),
        lambda: store.change("rani", role=Role.AGRONOMIST),
    )
    for end in ends:
        other = store.begin_session("rani", _NOW_MS)
        end()
        assert store.session(other, _NOW_MS) is None


def test_a_token_ends(store: AccessStore) -> None:
    """Guards tokens: by time, by hand, and with the role of who made it."""
    token, secret = store.add_token("theo", "office", Role.OPERATOR, 30, _NOW_MS)
    assert store.token(secret, token.ends_ms - 1) == token and store.tokens() == (token,)
    assert store.token(secret, token.ends_ms) is None and store.token("sw_made_up", _NOW_MS) is None
    assert store.remove_token(token.id) and not store.remove_token(token.id)
    assert store.token(secret, _NOW_MS) is None
    _, secret = store.add_token("rani", "pump shed", Role.VIEWER, 30, _NOW_MS)
    store.change("rani", role=Role.OPERATOR)
    assert store.token(secret, _NOW_MS) is None


def test_a_pairing_works_once_and_soon(store: AccessStore) -> None:
    """Guards the code on a screen: whoever photographs it comes too late."""
    code = store.add_pairing("rani", _NOW_MS)
    assert store.claim(code, _NOW_MS + PAIRING_MS - 1) == "rani" and store.claim(code, _NOW_MS) is None
    late = store.add_pairing("rani", _NOW_MS)
    assert store.claim(late, _NOW_MS + PAIRING_MS) is None and store.claim("made-up", _NOW_MS) is None


def test_people_come_and_go(store: AccessStore) -> None:
    """Guards names: each once, unknown ones told, and whoever goes takes sessions and tokens along."""
    with pytest.raises(AccessError, match="there is one of that name already"):
        store.add("rani", Role.VIEWER, _NOW_MS)
    changes: tuple[Callable[[], object], ...] = (
        lambda: store.change("nobody", role=Role.VIEWER),
        lambda: store.remove("nobody"),
        lambda: store.begin_session("nobody", _NOW_MS),
        lambda: store.add_token("nobody", "x", Role.VIEWER, 1, _NOW_MS),
        lambda: store.add_pairing("nobody", _NOW_MS),
    )
    for change in changes:
        with pytest.raises(AccessError, match="nobody of that name is known"):
            change()
    secret = store.begin_session("rani", _NOW_MS)
    _, token = store.add_token("rani", "x", Role.VIEWER, 1, _NOW_MS)
    store.remove("rani")
    assert store.person("rani") is None and [person.name for person in store.people()] == ["theo"]
    assert store.session(secret, _NOW_MS) is None and store.token(token, _NOW_MS) is None
    assert store.password_of("theo") == "a hash" and store.password_of("rani") is None


def test_a_technician_is_always_left(store: AccessStore) -> None:
    """Guards against a farm that nobody can put right from a page any more."""
    changes: tuple[Callable[[], None], ...] = (
        lambda: store.remove("theo"),
        lambda: store.change("theo", role=Role.OPERATOR),
    )
    for change in changes:
        with pytest.raises(AccessError, match="only technician"):
            change()
    store.change("rani", role=Role.TECHNICIAN)
    store.remove("theo")
    assert [person.name for person in store.people()] == ["rani"]


def test_failures_are_counted_and_forgiven(store: AccessStore, tmp_path: Path) -> None:
    """Guards the count over a restart; a day later it is forgotten, so that the file does not grow for ever."""
    assert [store.failed("person rani", _NOW_MS) for _ in range(3)] == [1, 2, 3]
    other = AccessStore(tmp_path / "access.db")
    assert other.failures() == {"person rani": 3}
    other.close()
    store.forgive("person rani")
    assert store.failures() == {}
    store.failed("person rani", _NOW_MS)
    store.failed("address x", _NOW_MS + 2 * 86_400_000)
    assert store.failures() == {"address x": 1}

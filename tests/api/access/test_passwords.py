"""Passwords: what will do, that a hash is Argon2id with bounded memory, and that one is looked at after the other."""

import asyncio

import pytest

from api.access.passwords import Passwords, hash_of, weakness


@pytest.mark.parametrize(
    ("password", "why"),
    [
        ("creek-and-ridge", ""),
        ("short", "got 5 characters"),
        ("x" * 201, "got 201 characters"),
        ("mandarins-of-Mina", "easily guessed"),
        ("aaaabbbbcccc", "easily guessed"),
    ],
)
def test_what_will_do(password: str, why: str) -> None:
    """Guards length before all else; a name or a few characters over and over are no password."""
    found = weakness("mina", password)
    assert why in found if why else not found


def test_a_hash_is_argon2id_within_its_memory() -> None:
    """Guards a board of 1 GB: 19 MiB, two passes, one lane."""
    assert hash_of("creek-and-ridge").startswith("$argon2id$v=19$m=19456,t=2,p=1$")


async def test_who_is_right() -> None:
    """Guards the check: the right one, a wrong one, and somebody who has none or is not known."""
    passwords = Passwords()
    stored = await passwords.hashed("creek-and-ridge")
    assert await passwords.matches("creek-and-ridge", stored)
    assert not await passwords.matches("creek-and-bridge", stored)
    assert not await passwords.matches("creek-and-ridge", None)


async def test_one_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards memory against a storm of log-ins: never two hashes at once."""
    passwords, under_way, most = Passwords(), 0, 0
    real = asyncio.to_thread

    async def counted(*arguments: object) -> object:
        nonlocal under_way, most
        under_way += 1
        most = max(most, under_way)
        found: object = await real(*arguments)  # type: ignore[arg-type]
        under_way -= 1
        return found

    monkeypatch.setattr(asyncio, "to_thread", counted)
    await asyncio.gather(*(passwords.matches("creek-and-ridge", None) for _ in range(5)))
    assert most == 1

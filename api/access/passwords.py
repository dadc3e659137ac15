"""Passwords of people by Argon2id, one at a time: a storm of log-ins must not take the memory of a small board."""

import asyncio
from typing import Final

from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher

LEAST = 10
"""Characters of a password (engineering judgement; NIST SP 800-63B asks for 8 at least, and for no other rules)."""
MOST = 200
_MEMORY_KIB: Final = 19 * 1024
"""With two passes and one lane: OWASP's password storage advice for Argon2id (from memory), and fit for 1 GB."""

_HASHER = PasswordHash((Argon2Hasher(time_cost=2, memory_cost=_MEMORY_KIB, parallelism=1),))
_NOBODY = _HASHER.hash("nobody has this password, and it takes as long to find out")


class Passwords:
    """Makes and checks hashes, off the event loop, one after the other."""

    def __init__(self) -> None:
        self._one_by_one = asyncio.Lock()

    async def matches(self, password: str, stored: str | None) -> bool:
        """Return whether a password is the stored one's. It takes as long where nobody of that name is known."""
        async with self._one_by_one:
            is_right = await asyncio.to_thread(_HASHER.verify, password[:MOST], stored or _NOBODY)
        return is_right and stored is not None

    async def hashed(self, password: str) -> str:
        """Return what may be stored of a password."""
        async with self._one_by_one:
            return await asyncio.to_thread(hash_of, password)


def hash_of(password: str) -> str:
    """Return what may be stored of a password. Takes some 20 MB and a tenth of a second."""
    return _HASHER.hash(password)


def weakness(name: str, password: str) -> str:
    """Return why a password will not do for somebody; empty where it will."""
    if not LEAST <= len(password) <= MOST:
        return f"got {len(password)} characters; expected {LEAST} to {MOST}"
    if name.lower() in password.lower() or len(set(password)) < 5:
        return "got one that is easily guessed; expected none that holds the name, or a few characters over and over"
    return ""

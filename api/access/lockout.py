"""How often a password may be tried: by name, by address and by all together, with a pause that grows."""

import math
from collections import OrderedDict, deque
from typing import Final

from api.access.store import AccessStore

TRIES: Final = 5
"""In a row, before a name or an address has to wait."""
_FIRST_S: Final = 30.0
_LONGEST_S: Final = 3600.0
_A_MINUTE: Final = 10
"""Tries of one name in a minute."""
_ALL_A_MINUTE: Final = 60
"""Tries of everybody together in a minute."""
_MOST_SUBJECTS: Final = 1000


class Lockout:
    """Judges each try before its password is looked at. Durations are monotonic; counts outlive a restart."""

    def __init__(self, store: AccessStore, now_s: float) -> None:
        self._store = store
        self._until_s: OrderedDict[str, float] = OrderedDict()
        self._tries: OrderedDict[str, deque[float]] = OrderedDict()
        for subject, count in store.failures().items():
            self._bar(subject, count, now_s)

    def wait_s(self, name: str, address: str, now_s: float) -> float:
        """Return for how long no try of `name` from `address` is taken; 0 for one that is, which then counts."""
        waits = [self._until_s.get(subject, 0.0) - now_s for subject in _subjects(name, address)]
        waits.append(self._rate_wait_s(f"person {name}", _A_MINUTE, now_s))
        waits.append(self._rate_wait_s("", _ALL_A_MINUTE, now_s))
        wait_s = max(0.0, *waits)
        if not wait_s:
            for subject in (f"person {name}", ""):
                self._kept(self._tries, subject, deque()).append(now_s)
        return wait_s

    def failed(self, name: str, address: str, now_s: float, now_ms: int) -> None:
        """Count a wrong password."""
        for subject in _subjects(name, address):
            self._bar(subject, self._store.failed(subject, now_ms), now_s)

    def succeeded(self, name: str, address: str) -> None:
        """Forget the failures: whoever knows the password may try again."""
        for subject in _subjects(name, address):
            self._store.forgive(subject)
            self._until_s.pop(subject, None)

    def _bar(self, subject: str, count: int, now_s: float) -> None:
        if count >= TRIES:
            pause_s = min(_LONGEST_S, _FIRST_S * 2.0 ** min(20, count - TRIES))
            self._until_s[subject] = now_s + pause_s
            self._until_s.move_to_end(subject)
            while len(self._until_s) > _MOST_SUBJECTS:
                self._until_s.popitem(last=False)

    def _rate_wait_s(self, subject: str, most: int, now_s: float) -> float:
        tries = self._tries.get(subject, deque())
        while tries and now_s - tries[0] >= 60.0:
            tries.popleft()
        return 60.0 - (now_s - tries[0]) if len(tries) >= most else -math.inf

    @staticmethod
    def _kept(found: OrderedDict[str, deque[float]], subject: str, new: deque[float]) -> deque[float]:
        kept = found.setdefault(subject, new)
        found.move_to_end(subject)
        while len(found) > _MOST_SUBJECTS:
            found.popitem(last=False)
        return kept


def _subjects(name: str, address: str) -> tuple[str, str]:
    return f"person {name}", f"address {address}"

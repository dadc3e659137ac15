"""What is known of the switches of each module: what it confirmed last, and what to do when it confirms no more.

A module that can be read and not written would hold its outputs for ever: every read feeds its time-out. So one that
leaves a switching unconfirmed, or confirms it and goes on showing what was to go off as on, is left in silence, neither
read nor written, until its own time-out has dropped it.
"""

import math
from collections.abc import Callable, Sequence

Module = tuple[str, int]
"""Bus and unit."""

_PATIENCE_SCANS = 1.5


class Doubts:
    """The modules of a site and how far their switches can be trusted to be as written."""

    def __init__(self, scan_s: float, watchdog_s: float, now: Callable[[], float]) -> None:
        """`watchdog_s` is the longest time-out of its own that a module may have; `now` is monotonic seconds."""
        self._patience_s = _PATIENCE_SCANS * scan_s
        self._silence_s = watchdog_s + 1.0
        self._now = now
        self._confirmed: dict[tuple[Module, int], tuple[int, ...]] = {}
        self._since_s: dict[Module, float] = {}
        self._silent_until_s: dict[Module, float] = {}

    def is_silenced(self, module: Module) -> bool:
        """Return whether the module is to be left in silence now."""
        return bool(self._silent_until_s) and self._now() < self._silent_until_s.get(module, -math.inf)

    def be_silent(self, module: Module, seconds: float) -> None:
        """Leave a module in silence, to see that it drops its outputs by itself."""
        self._silent_until_s[module] = self._now() + seconds

    def is_due(self, module: Module, address: int, sent: Sequence[int]) -> bool:
        """Return whether what is sent differs from what was last confirmed: it may not wait for anything."""
        return self._confirmed.get((module, address)) != tuple(sent)

    def confirmed(self, module: Module, address: int, sent: Sequence[int]) -> None:
        """Note that the module has echoed what was sent."""
        self._confirmed[module, address] = tuple(sent)
        self._since_s.pop(module, None)

    def unconfirmed(self, module: Module, address: int) -> None:
        """Note that it has not; after some scans of it, silence begins."""
        now_s = self._now()
        if now_s - self._since_s.setdefault(module, now_s) >= self._patience_s:
            del self._since_s[module]
            self._confirmed.pop((module, address), None)
            self._silent_until_s[module] = now_s + self._silence_s

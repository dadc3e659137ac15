"""Output modules: what their masters last wrote, and the time-out of their own that drops the relays in silence."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Drop:
    """When an output last went off, in plant seconds, and whether the module's own time-out did it."""

    at_s: float
    watchdog: bool


class OutputModule:
    """The relays of one device. It drops them all when it has had no request for its set time; 0 means never."""

    def __init__(self, refs: Iterable[str], setting_s: float, changed: Callable[[], None]) -> None:
        self.on = dict.fromkeys(refs, False)
        self.setting_s = setting_s
        self.tripped = False
        self.drops: dict[str, Drop] = {}
        self.booted_s = 0.0
        self._heard_s = 0.0
        self._changed = changed

    def hear(self, now_s: float) -> None:
        """Note a request, any request, at `now_s`."""
        self._heard_s = now_s

    def write(self, wanted: Mapping[str, bool], now_s: float) -> None:
        """Switch relays as their master asks, all at the same moment."""
        changed = {ref: on for ref, on in wanted.items() if self.on[ref] != on}
        for ref, on in changed.items():
            self._switch(ref, on, now_s, watchdog=False)
        if changed:
            self._changed()

    def watch(self, now_s: float) -> None:
        """Drop everything when nobody has asked for anything within the set time."""
        if now_s - self._heard_s > self.setting_s > 0.0 and not self.tripped and any(self.on.values()):
            self.tripped = True
            self._drop_all(now_s, watchdog=True)

    def reboot(self, now_s: float) -> None:
        """Start again with every relay off."""
        self.booted_s = self._heard_s = now_s
        self.tripped = False
        self._drop_all(now_s, watchdog=False)

    def _drop_all(self, now_s: float, *, watchdog: bool) -> None:
        for ref in self.on:
            self._switch(ref, False, now_s, watchdog=watchdog)
        self._changed()

    def _switch(self, ref: str, on: bool, now_s: float, *, watchdog: bool) -> None:
        if self.on[ref] and not on:
            self.drops[ref] = Drop(now_s, watchdog)
        self.on[ref] = on

"""A plant in this daemon's hands: its lock and its links. It is taken, and its outputs are safe, before anything heavy.

Only what talks to the plant is imported here: the rest of the daemon would cost a start a second before it is safe.
"""

import asyncio
from collections.abc import Callable, Mapping
from pathlib import Path

from daemon.clock import Clock
from daemon.folder import LOCK
from daemon.runtime.field import Field
from daemon.runtime.identify import StartError, is_simulator
from daemon.runtime.lock import PlantLock
from daemon.site import Plant
from drivers.profile import Profile


class Hold:
    """One plant, from the first safe outputs until it is let go."""

    def __init__(self, plant: Plant, profiles: Mapping[str, Profile], folder: Path, clock: Clock) -> None:
        """Prepare; nothing is opened. `folder` holds ledger, lock and socket."""
        self.plant = plant
        self.folder = folder
        self.clock = clock
        self.field = Field(plant, profiles, clock.monotonic_s)
        self.simulated = False
        """What the plant said it is, once taken."""
        self._lock = PlantLock(folder / LOCK, (bus.endpoint for bus in plant.site.bus.values()))
        self._taken = False

    @property
    def locked(self) -> bool:
        """Whether no other daemon may drive the plant."""
        return self._lock.held

    async def take(self, say: Callable[[str], None], stop: asyncio.Event | None = None) -> bool:
        """Lock the plant, write safe outputs, and ask it what it is; a plant that was taken stays so.

        Returns False when `stop` was set while the plant did not answer yet. Raises StartError, PlantBusy.
        """
        if self._taken:
            return True
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            self._lock.acquire()
        except OSError as error:
            raise StartError(f"{self.folder}: got {error}; expected a folder this user may write. See --db.") from None
        await self.field.safe()
        answer = await is_simulator(self.plant, self.field, self.clock, say, stop)
        if answer is None:
            return False
        self.simulated = answer
        self._taken = True
        return True

    async def give_up(self) -> None:
        """End where nothing was begun: safe outputs once more if the plant is ours, then let go."""
        if self.locked:
            await self.field.safe()
        await self.let_go()

    async def let_go(self) -> None:
        """Close the links, then the lock. The caller has seen to safe outputs."""
        try:
            await self.field.close()
        finally:
            self._lock.close()

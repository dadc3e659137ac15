"""What forces add to what is wanted of pump, valves and injectors, and what they take. The gate has the last word.

A forced output never comes before its turn: a valve is open before the pump, the pump rests between its starts. What is
held on waits while a run shuts its water or is held dry, and while a cause that stops the plant stands.
"""

import math

from daemon.control.guard import Verdict
from daemon.control.image import ChannelOutput, Outputs
from daemon.control.injection import Want
from daemon.control.lease import Merged
from daemon.control.run import Run
from daemon.control.states import ACTIVE, Effect, Unit
from daemon.site import Site

_NONE: frozenset[str] = frozenset()
_SHUT = ChannelOutput()


def forced_water(
    site: Site, unit: Unit, blocks: frozenset[str], verdict: Verdict, forced: Merged
) -> tuple[frozenset[str], frozenset[str]]:
    """Return the blocks that the supply is wanted for, and those that stand open without it.

    `blocks` are the run's, none while it wants no water. Where there is no pump an open valve is water.
    """
    waits = (unit.procedure in ACTIVE and not blocks) or verdict.effect >= Effect.RELEASE
    held_open = _NONE if waits else forced.open
    wanted = (blocks | held_open) - forced.shut
    is_fed = bool(blocks) or forced.pump is True or site.pump is None
    return (wanted, _NONE) if is_fed and forced.pump is not False else (_NONE, wanted)


def forced_wants(unit: Unit, forced: Merged, last: Outputs) -> dict[str, Want]:
    """Return what the forced injectors should do: as in a run the valve opens a scan before."""
    if unit.procedure in ACTIVE:
        return {}
    return {
        name: Want(valve=True, run=last.channels.get(name, _SHUT).valve, drive=lease.drive)
        for name, lease in forced.injectors.items()
        if lease.is_on
    }


def path_fit(site: Site, run: Run, last: Outputs) -> float:
    """Return the flow that the open valves take as a multiple of the shift's own; 1 with its own alone.

    It is without end where one of its own is shut and another's open: what goes where is then not known.
    """
    if last.blocks == run.blocks or not last.blocks:
        return 1.0
    if last.blocks <= run.blocks or run.blocks <= last.blocks:
        return _flow_m3_h(site, last.blocks) / _flow_m3_h(site, run.blocks)
    return math.inf


def joint_fit(path: float, flow: float) -> float:
    """Return the flow as a multiple of the shift's own, by open valves or meter: whichever is farther off."""
    return max(path, flow) if path > 1.0 else min(path, flow) if path < 1.0 else flow


def _flow_m3_h(site: Site, blocks: frozenset[str]) -> float:
    return sum(site.block[name].flow_m3_h for name in blocks)

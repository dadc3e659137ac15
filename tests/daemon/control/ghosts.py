"""The pipes as the specification follows them: ghosts of injected stock, and where a backwash lets nothing move.

A ghost is stock of one run in one segment, a block's pipes or the shared main. It is born with the injector on and
goes with the flush that the design asks for, by the plant's own litres and not by what `decide` counted.
"""

import math
from collections import Counter
from typing import NamedTuple

from daemon.control import lines as account
from daemon.control.decide import Decision
from daemon.control.image import Outputs
from daemon.control.lines import MAIN
from daemon.control.run import Run
from daemon.control.states import ACTIVE, Phase
from daemon.evidence import RunEnded
from daemon.recipe import Recipe
from daemon.site import Site
from tests.daemon.control.images import Seen, injectors
from tests.daemon.control.plant import Rig

_COUNTS = 3.0
"""Meters count whole pulses, and a scan's litres are seen at its end: three counts less prove the same flush."""


class Ghost(NamedTuple):
    """Whose stock is where."""

    run: str
    stock: str
    segment: str


class Pipes:
    """Looks at every scan of a rig; counts how often its rules had something to judge."""

    def __init__(self, counts: Counter[str]) -> None:
        self._counts = counts
        self._passed_l: dict[Ghost, tuple[float, float]] = {}
        """Water through its segment since the last injected litre, and how much flushes it."""
        self._since_l: dict[tuple[str, str], float] = {}
        """Water past the injection point since a channel of a run was last on."""
        self._last_water_l = 0.0

    def look(self, rig: Rig, seen: Seen, decision: Decision) -> None:
        """Judge one scan; `rig` still holds what the last one left."""
        water_l = rig.water_l - self._last_water_l if seen.displaces else 0.0
        self._last_water_l = rig.water_l
        self._pass(rig, water_l)
        run = decision.state.run
        if run is not None:
            self._inject(rig, run, decision)
        for ghost in self._passed_l:
            self._counts["flush owed"] += 1
            self._counts["flush owed by another run"] += run is not None and ghost.run != run.recipe.run
            is_owed = any((o.run, o.stock, o.segment) == ghost for o in decision.state.lines.owed)
            assert is_owed, f"{ghost} is not flushed and not owed"
        self._ends(rig, decision)
        self._stands_still(rig, seen, decision)

    def _pass(self, rig: Rig, water_l: float) -> None:
        """Let water pass the open path, shared between its blocks as their emitters take it."""
        site, held = rig.plant.site, rig.held
        slack_l = _COUNTS * (site.main.water.per_count or 1.0)
        left: dict[Ghost, tuple[float, float]] = {}
        for ghost, (passed_l, full_l) in self._passed_l.items():
            passed_l += water_l * _share(site, held, ghost.segment)
            if passed_l < full_l - slack_l:
                left[ghost] = passed_l, full_l
        self._passed_l = left
        self._since_l = {key: since_l + water_l for key, since_l in self._since_l.items()}

    def _inject(self, rig: Rig, run: Run, decision: Decision) -> None:
        """Invariant 2: stock of another run that is not flushed bars its pipes; channels in turn are rinsed between."""
        recipe, site = run.recipe, rig.plant.site
        opened = injectors(decision.outputs)
        if not opened and not injectors(rig.held):
            return
        path = _path(recipe)
        others = {ghost for ghost in self._passed_l if ghost.run != recipe.run}
        assert not {ghost for ghost in others if ghost.segment in path}, f"injected onto {others}"
        self._counts["injected beside a foreign debt"] += bool(others)
        slack_l = _COUNTS * (site.main.water.per_count or 1.0)
        for plan in recipe.channels:
            if plan.channel not in opened | injectors(rig.held):
                continue
            if plan.after and plan.channel in opened:
                self._counts["injected in turn"] += 1
                since_l = self._since_l.get((recipe.run, plan.after), math.inf)
                assert since_l >= plan.rinse_l - slack_l, "not rinsed between channels"
            self._since_l[recipe.run, plan.channel] = 0.0
            for segment in path:
                full_l = recipe.main_l * site.limits.flush_factor
                if segment != MAIN:
                    full_l = recipe.flush_l * next(b.share for b in recipe.blocks if b.block == segment)
                self._passed_l[Ghost(recipe.run, plan.stock, segment)] = 0.0, full_l
        self._counts["injected together"] += len(opened) > 1

    def _ends(self, rig: Rig, decision: Decision) -> None:
        """A run that ends COMPLETE leaves its own path flushed and free of debt."""
        completed = {row.run for row in decision.entries if isinstance(row, RunEnded) and row.state == "COMPLETE"}
        before = rig.state.run
        if not completed or before is None:
            return
        assert completed == {before.recipe.run}
        path = _path(before.recipe)
        assert not {ghost for ghost in self._passed_l if ghost.segment in path}
        assert not {item for item in decision.state.lines.owed if item.segment in path}

    def _stands_still(self, rig: Rig, seen: Seen, decision: Decision) -> None:
        """While the meter also counts what goes to the filter's drain, no litre of it displaces, waters or pays."""
        before, after = rig.state.run, decision.state.run
        if seen.displaces or before is None or after is None or rig.state.unit.procedure not in ACTIVE:
            return
        self._counts["water to the drain"] += 1
        debts = {(o.run, o.stock, o.segment): o.left_l for o in rig.state.lines.owed}
        for item in decision.state.lines.owed:
            assert item.left_l >= debts.get((item.run, item.stock, item.segment), item.full_l)
        assert len(decision.state.lines.owed) >= len(rig.state.lines.owed)
        if after.recipe.run != before.recipe.run:
            return
        assert after.water_l == before.water_l
        if after.has_injected:
            self._counts["stock waits for the drain"] += 1
            site = rig.plant.site
            delivered = [
                [row.delivered_mg for row in account.doses(site, run, state.lines)]
                for run, state in ((before, rig.state), (after, decision.state))
            ]
            gained_mg = [now_mg - then_mg for then_mg, now_mg in zip(*delivered, strict=True)]
            assert all(abs(mg) <= 1 for mg in gained_mg), "delivered by water that went to the drain"
        if rig.state.unit.phase not in (Phase.FILL, None) and decision.state.unit.phase is rig.state.unit.phase:
            assert after.phase_water_l == before.phase_water_l


def _path(recipe: Recipe) -> set[str]:
    """Return the segments that a shift's water passes."""
    return {block.block for block in recipe.blocks} | ({MAIN} if recipe.main_l else set())


def _share(site: Site, held: Outputs, segment: str) -> float:
    """Return the part of the water that passes a segment under what the outputs hold."""
    if segment == MAIN or not held.blocks:
        return float(segment == MAIN)
    flows = {name: site.block[name].flow_m3_h for name in held.blocks}
    return flows.get(segment, 0.0) / sum(flows.values())

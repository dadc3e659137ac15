"""The representative of each state of the procedure's search: litres and times at the last end they are compared with.

What only the guard or the record reads is left out, as are the trim, the level and the pipes' content. Debts of ended
runs have one name.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from daemon.control import lines
from daemon.control.alarms import Alarms
from daemon.control.decide import State
from daemon.control.lines import Owed
from daemon.control.run import Run, begin
from daemon.control.sense import Sense
from daemon.control.states import ACTIVE, Phase, ProcedureState, Unit, UnitMode
from daemon.dosing.draw_down import DrawDown
from daemon.site import Plant
from tests.daemon.control.search.quick_plant import FLUSH_L, PART_L, STOCK_L

_P = ProcedureState
_UNSEEN = DrawDown()


class Abstraction:
    """Makes states of a plant into their representatives, all with the same memory of the senses."""

    def __init__(self, plant: Plant, senses: Sense) -> None:
        self.plant = plant
        self._sense = senses

    def rounded(self, state: State) -> State:
        """Return the state's representative."""
        run = state.run
        is_active = state.unit.procedure in ACTIVE
        if run is not None:
            run = self._rounded_run(state.unit, run) if is_active else begin(run.recipe)._replace(end="ended")
        owed = self._merged(state)
        water = state.water
        return replace(
            state,
            unit=_one_mode(state.unit),
            run=run,
            sense=self._sense,
            water=water._replace(valves_s=min(1.0, water.valves_s), off_s=min(1.0, water.off_s), starts_s=()),
            lines=lines.Lines(pipes=state.lines.pipes if is_active else {}, owed=owed),
            alarms=Alarms(),
            emitted=1,
        )

    def _merged(self, state: State) -> tuple[Owed, ...]:
        """Return the debts with those of ended runs under one name: of two of a kind the one that is owed more of."""
        run = state.run if state.unit.procedure in ACTIVE else None
        most: dict[tuple[str, str, str], Owed] = {}
        for item in state.lines.owed:
            whose = item.run if run is not None and item.run == run.recipe.run else "old"
            stock = "old" if whose == "old" else item.stock
            known, left_l = most.get((item.segment, stock, whose)), PART_L * -(-item.left_l // PART_L)
            if known is None or known.left_l < left_l:
                most[item.segment, stock, whose] = item._replace(
                    run=whose, stock=stock, full_l=FLUSH_L, left_l=min(FLUSH_L, left_l), age_s=0.0
                )
        return tuple(sorted(most.values()))

    def _rounded_run(self, unit: Unit, run: Run) -> Run:
        limits = self.plant.site.limits
        ends = {
            "run_s": 0.0,
            "phase_s": 0.0,
            "phase_stock_l": 0.0,
            "fill_l": 0.0,
            "backwash_l": 0.0,
            "paused_s": 0.0,
            "held_s": 0.0 if run.injection_over else 1.0,  # it is asked whether stock has stood too long to go on
            "injecting_l": 0.0,
            "settled_s": limits.settle_s,
            "checkpoint_s": 0.0,
            "water_l": 0.0 if run.end else run.recipe.water_l,  # an end waits for outputs, not for litres
            "phase_water_l": 0.0,  # start_l is 0
            "since_injected_l": 0.0,  # no EC, no filter
        }
        if run.end:
            ends |= {"held_s": 0.0, "settled_s": 0.0, "settled_kpa": 0.0}
            run = run._replace(is_dry=False, resumes=False)
        if unit.phase is not Phase.FILL and unit.procedure not in (_P.HELD, _P.RESTARTING):
            run = run._replace(settled_s=0.0, settled_kpa=0.0)  # begun anew with the next filling
        held: Run = _held(run, ends)
        return held._replace(
            channels={
                name: _held(c, {"injected_l": 3.0 * STOCK_L, "since_l": 0.0, "rate_l_h": 0.0, "on_s": 0.0})._replace(
                    level=_UNSEEN
                )
                for name, c in run.channels.items()
            },
            intents=dict.fromkeys(run.intents, 1),
            end="ending" if run.end else "",
            given_up="given up" if run.given_up else "",
            restarts=0,  # the guard alone counts them
        )


def _one_mode(unit: Unit) -> Unit:
    """Return the unit in AUTOMATIC while it is active: who may start it is over, and from rest all modes are met."""
    return replace(unit, mode=UnitMode.AUTOMATIC) if unit.procedure in ACTIVE else unit


def _held(record: Any, ends: Mapping[str, float]) -> Any:
    """Return the record with litres and times held at their ends; a time without one of its own at 3 s."""
    values = {}
    for name, value in record._asdict().items():
        if name in ends or (name.endswith("_s") and isinstance(value, float)):
            values[name] = min(value, ends.get(name, 3.0))
    return record._replace(**values)

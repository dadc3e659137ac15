"""What one scan has to say for the record, gathered in the order in which it happened."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict

from daemon.control import lines as account
from daemon.control.guard import Verdict
from daemon.control.image import Image
from daemon.control.interlocks import BY_CODE
from daemon.control.lines import Lines
from daemon.control.run import Run, begin
from daemon.control.states import Phase, ProcedureState, Unit
from daemon.dosing.outcome import judge_run
from daemon.evidence import (
    AlarmCleared,
    AlarmRaised,
    Checkpoint,
    Event,
    Evidence,
    InjectionIntent,
    PhaseEnded,
    RunEnded,
    RunStarted,
)
from daemon.recipe import Recipe
from daemon.site import Plant, Site
from daemon.units import millilitres, milliseconds


def canonical(content: object) -> str:
    """Return JSON with sorted keys and no spaces: the same content is the same text."""
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


class Recorder:
    """Gathers the rows of one scan. Lives no longer than the scan."""

    def __init__(self) -> None:
        self._rows: list[Evidence] = []

    @property
    def count(self) -> int:
        """Rows gathered so far."""
        return len(self._rows)

    def rows(self) -> tuple[Evidence, ...]:
        """Return the rows gathered."""
        return tuple(self._rows)

    def add(self, rows: Iterable[Evidence]) -> None:
        """Add rows that were made elsewhere."""
        self._rows.extend(rows)

    def event(self, code: str, detail: Mapping[str, object]) -> None:
        """Note an event."""
        self._rows.append(Event(code, canonical(detail)))

    def alarms(self, verdict: Verdict) -> None:
        """Note causes that came into force or were cleared."""
        for code in verdict.raised:
            row = BY_CODE[code]
            self._rows.append(AlarmRaised(code, row.effect.name, row.latched))
        self._rows.extend(AlarmCleared(code) for code in verdict.cleared)

    def began(self, plant: Plant, run: Run) -> None:
        """Note that a run began, with its whole recipe."""
        recipe = run.recipe
        self._rows.append(RunStarted(recipe.run, recipe.shift, plant.digest, canonical(asdict(recipe))))

    def phase_ended(self, phase: Phase, run: Run, why: str) -> None:
        """Note the end of a phase, with the run as it was then."""
        self._rows.append(
            PhaseEnded(
                run.recipe.run,
                phase.value,
                milliseconds(run.phase_s),
                millilitres(run.phase_water_l),
                millilitres(run.phase_stock_l),
                why,
            )
        )

    def intent(self, run: Run, channels: frozenset[str], owed: Iterable[Evidence]) -> None:
        """Note what is about to be injected and the flush it will owe. On disk before the injector opens."""
        self.add(owed)
        for plan in run.recipe.channels:
            channel = run.channels[plan.channel]
            if plan.channel not in channels:
                continue
            self._rows.append(
                InjectionIntent(
                    run=run.recipe.run,
                    channel=plan.channel,
                    stock=plan.stock,
                    batch=plan.batch,
                    reserved_ml=millilitres(max(0.0, plan.stock_l - channel.injected_l)),
                    owed_ml=millilitres(run.recipe.flush_l),
                    nutrients_ug_ml=canonical({name: round(g_l * 1000.0) for name, g_l in plan.nutrients_g_l.items()}),
                )
            )

    def checkpoint(self, site: Site, unit: Unit, run: Run, image: Image) -> Run:
        """Note where the injection stands when it is time to; return the run with its timer."""
        if unit.phase is not Phase.INJECT or not run.intents or run.checkpoint_s < site.site.checkpoint_s:
            return run
        for plan in (plan for plan in run.recipe.channels if plan.channel in run.intents):
            self._rows.append(
                Checkpoint(
                    run=run.recipe.run,
                    channel=plan.channel,
                    phase=unit.phase.value,
                    water_ml=millilitres(run.water_l),
                    stock_ml=millilitres(run.channels[plan.channel].injected_l),
                    water_count_ml=_count_ml(image.water_l.value),
                    stock_count_ml=_count_ml(image.channels[plan.channel].stock_l.value),
                )
            )
        return run._replace(checkpoint_s=0.0)

    def unclear(self, run: Run) -> None:
        """Note a flush that ended with the line's EC away from what it was before the injection."""
        before_ms_cm = run.rise.before_ms_cm or 0.0
        detail = {
            "run": run.recipe.run,
            "rise_us_cm": round(1000.0 * run.rise.ms_cm),
            "before_us_cm": round(1000.0 * before_ms_cm),
            "within_us_cm": round(1000.0 * run.recipe.flush_ec_ms_cm),
            "water_ml": millilitres(run.since_injected_l),
        }
        self.event("flush-not-clear", detail)

    def unread(self, recipe: Recipe, contacts: Iterable[str]) -> None:
        """Note contacts of the weather that a shift goes by and that could not be read as it began."""
        for name in contacts:
            self.event("weather-unread", {"run": recipe.run, "contact": name})

    def ended(self, site: Site, unit: Unit, run: Run, lines: Lines) -> None:
        """Note the run's doses and its outcome."""
        doses = account.doses(site, run, lines, has_ended=True)
        self.add(doses)
        self._rows.append(
            RunEnded(
                run=run.recipe.run,
                state=unit.procedure.value,
                outcome=judge_run(doses),
                why=run.end if not run.given_up else run.given_up,
                water_ml=millilitres(run.water_l + run.fill_l + run.backwash_l),
                duration_ms=milliseconds(run.run_s),
            )
        )

    def dropped(self, plant: Plant, recipe: Recipe, why: str) -> None:
        """Note a shift that was to come and did not run."""
        self.began(plant, begin(recipe))
        self._rows.append(RunEnded(recipe.run, ProcedureState.IDLE.value, "NOT_RUN", why, 0, 0))


def _count_ml(count_l: float) -> int:
    """Return a totaliser's count in mL; 0 when it could not be read, which a boot then finds to have moved back."""
    return millilitres(count_l) if count_l == count_l else 0

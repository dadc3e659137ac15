"""What one scan has to say for the record, gathered in the order in which it happened."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Final

from daemon.control import lines as account
from daemon.control.front import Seen, seen_of
from daemon.control.guard import Verdict
from daemon.control.interlocks import BY_CODE
from daemon.control.lines import MAIN, Lines
from daemon.control.run import Run, begin
from daemon.control.sense import Sense
from daemon.control.states import Phase, ProcedureState, Unit
from daemon.control.testimony import told_of
from daemon.dosing.outcome import combined, judge_run
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

BREAKTHROUGH: Final = "breakthrough"
"""Code of the event that tells of a stock's front at a far probe."""
_WATER_CHECKPOINT_S: Final = 60.0
"""A boot that misses a minute of water alone misses nothing that was dosed (engineering judgement)."""


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

    def checkpoint(self, site: Site, unit: Unit, run: Run, senses: Sense) -> Run:
        """Note where the run stands when it is time to; return the run with its timer.

        While it injects that is each channel's stock, every `checkpoint_s`; else its water, by MAIN, once a minute.
        What a channel has had is told again as a dry hold begins: what its meter then counts is not the run's.
        """
        if unit.phase is None:
            return run
        has_intents = unit.phase is Phase.INJECT and bool(run.intents)
        if run.checkpoint_s < (site.site.checkpoint_s if has_intents else _WATER_CHECKPOINT_S):
            return run
        told = run.intents if has_intents else run.channels if unit.phase is Phase.INJECT and run.is_dry else ()
        for plan in run.recipe.channels:
            if plan.channel in told:
                self._checkpoint(unit.phase, run, plan.channel, run.water_l, senses)
        if not has_intents:
            self._checkpoint(unit.phase, run, MAIN, run.water_l + run.fill_l + run.backwash_l, senses)
        return run._replace(checkpoint_s=0.0)

    def _checkpoint(self, phase: Phase, run: Run, channel: str, water_l: float, senses: Sense) -> None:
        has_stock = channel != MAIN
        self._rows.append(
            Checkpoint(
                run=run.recipe.run,
                channel=channel,
                phase=phase.value,
                water_ml=millilitres(water_l),
                stock_ml=millilitres(run.channels[channel].injected_l) if has_stock else 0,
                water_count_ml=_count_ml(senses.water.count_l),
                stock_count_ml=_count_ml(senses.channels[channel].count_l) if has_stock else 0,
            )
        )

    def counts(self, senses: Sense, lines: Lines, run: Run | None) -> None:
        """Note the totalisers' counts, and how much of them is in no row yet: a boot books what moved beyond it.

        `run` is the run under way: its litres are in no row before its end.
        """
        open_l = dict(lines.unscheduled_l)
        if run is not None:
            open_l[MAIN] = open_l.get(MAIN, 0.0) + run.water_l + run.fill_l + run.backwash_l
            for name, channel in run.channels.items():
                open_l[name] = open_l.get(name, 0.0) + channel.injected_l
        counts_l = {MAIN: senses.water.count_l} | {name: channel.count_l for name, channel in senses.channels.items()}
        self._rows.append(counted(counts_l, open_l))

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
        told = told_of(site, run, lines)
        if not lines.is_blind:
            for seen in seen_of(site, run):
                self._broke_through(run, seen)
        self.add((*doses, *told.doses, *told.reconciled))
        self._rows.append(
            RunEnded(
                run=run.recipe.run,
                state=unit.procedure.value,
                outcome=judge_run(combined(doses, told.reconciled)),
                why=run.end if not run.given_up else run.given_up,
                water_ml=millilitres(run.water_l + run.fill_l + run.backwash_l),
                duration_ms=milliseconds(run.run_s),
            )
        )

    def _broke_through(self, run: Run, seen: Seen) -> None:
        """Note what the stock's front at a far probe said of the way to its block."""
        detail = {
            "run": run.recipe.run,
            "block": seen.block,
            "seen_ml": millilitres(seen.seen.value),
            "u_seen_ml": millilitres(seen.seen.u),
            "planned_ml": millilitres(seen.planned.value),
            "u_planned_ml": millilitres(seen.planned.u),
            "en_thousandths": round(1000.0 * seen.en),
        }
        self.event(BREAKTHROUGH, detail)

    def dropped(self, plant: Plant, recipe: Recipe, why: str) -> None:
        """Note a shift that was to come and did not run."""
        self.began(plant, begin(recipe))
        self._rows.append(RunEnded(recipe.run, ProcedureState.IDLE.value, "NOT_RUN", why, 0, 0))


def counted(counts_l: Mapping[str, float], open_l: Mapping[str, float]) -> Event:
    """Return the row of the totalisers' counts, by MAIN and channel; one that could not be read is left out."""
    return Event(
        "counts",
        canonical(
            {
                name: {"count_ml": millilitres(count_l), "open_ml": millilitres(open_l.get(name, 0.0))}
                for name, count_l in counts_l.items()
                if count_l == count_l
            }
        ),
    )


def _count_ml(count_l: float) -> int:
    """Return a totaliser's last good count in mL; 0 without one, which a boot then finds to have moved back."""
    return millilitres(count_l) if count_l == count_l else 0

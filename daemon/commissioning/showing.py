"""An attempt and its result in plain numbers and words, for everybody outside the daemon and for the record."""

from typing import Any

from daemon.commissioning.attempt import Attempt, Seen
from daemon.commissioning.step import Ask, Result, Stage, many_of
from daemon.site import Site

_LISTED = 30


def plain(value: float, digits: int = 4) -> str:
    """Return a figure to so many digits, and no power of ten that nobody in a field can read."""
    return f"{value:.0f}" if abs(value) >= 10.0 ** (digits - 1) else f"{value:.{digits}g}"


def shown_attempt(attempt: Attempt, site: Site, seen: Seen, result: Result | None, problem: str) -> dict[str, Any]:
    """Return an attempt: its stage with what it asks for, the live readings, and the result once there is one."""
    stage, step = attempt.stage(site), attempt.step
    return {
        "attempt": attempt.id,
        "step": step.name,
        "title": step.title,
        "subject": attempt.subject,
        "who": attempt.who,
        "needs": list(step.needs),
        "cautions": list(step.cautions),
        "water_tonight": step.water_tonight,
        "stage": None if stage is None else _shown_stage(attempt, stage, seen),
        "behind": list(dict.fromkeys(entry.stage for entry in attempt.entries)),
        "readings": {} if stage is None else {name: seen.readings.get(name) for name in stage.watch},
        "cut_off": attempt.cut_off,
        "result": None if result is None else shown_result(result),
        "problem": problem,
    }


def _shown_stage(attempt: Attempt, stage: Stage, seen: Seen) -> dict[str, Any]:
    watching = attempt.watching
    entered = many_of(attempt.entries, stage.name) if stage.is_many else []
    return {
        "name": stage.name,
        "do": stage.do,
        "asks": [_shown_ask(ask) for ask in stage.asks],
        "many": stage.is_many,
        "by_daemon": stage.is_daemons,
        "holds": sorted(stage.hold),
        "off": sorted(stage.hold.keys() - seen.on),
        "lasts_s": stage.lasts_s or stage.silence_s,
        "until": None if stage.until is None else stage.until.value,
        "on_s": 0.0 if watching is None else round(watching.on_s, 1),
        "entered": [{name: one[name] for name in one if name not in ("now", "raw")} for one in entered[-_LISTED:]],
    }


def _shown_ask(ask: Ask) -> dict[str, Any]:
    return {
        "name": ask.name,
        "what": ask.what,
        "unit": ask.unit,
        "form": ask.form.value,
        "least": ask.least,
        "most": ask.most if ask.most < float("inf") else None,
        "choices": list(ask.choices),
        "default": ask.default,
        "optional": ask.is_optional,
    }


def shown_result(result: Result) -> dict[str, Any]:
    """Return a result as it is shown and recorded."""
    return {
        "verdict": result.verdict.value,
        "figures": [{**one._asdict(), "in_band": one.is_in_band} for one in result.figures],
        "told": list(result.told),
        "changes": list(result.changes),
        "records": [f"{one.decision.kind} {one.key}" for one in result.records],
        "curve": [list(point) for point in result.curve],
    }

"""Alarms by ISA-18.2, made from the causes in force: the last reducer of a scan.

Nothing that decides reads them, so acknowledging or shelving one changes no process action by construction. An alarm is
announced once its cause has lasted, and is over once its cause has been gone for a time and somebody has acknowledged
it. Of those that come together the first is marked, and what follows a stop is shown but not announced.
"""

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Final, NamedTuple

from daemon.control.cause import Interlock, Priority
from daemon.control.guard import Verdict
from daemon.control.interlocks import BY_CODE, MATRIX
from daemon.control.record import canonical
from daemon.control.requests import Asked
from daemon.control.states import Effect
from daemon.evidence import Event, Evidence

_DELAY_S: Final = 10.0
"""What only pauses, and is over before this, is no alarm (engineering judgement)."""
_GONE_S: Final = 10.0
"""A cause that comes back before this was never away (engineering judgement)."""
_CONSEQUENCE_S: Final = 60.0
"""What comes this soon after a stop may be its consequence (engineering judgement)."""
_FLOOD: Final = 10
"""Announced within ten minutes: more are too many for one person (ISA-18.2 calls it a flood)."""
_FLOOD_S: Final = 600.0


class Alarm(NamedTuple):
    """One alarm that is not normal."""

    is_true: bool = False
    """Its cause is in force, or was until a moment ago."""
    is_acknowledged: bool = False
    is_announced: bool = False
    is_first: bool = False
    """The first of those that came together: the others may be its consequence."""
    is_suppressed: bool = False
    """A consequence, or one of a flood: shown, and announced to nobody."""
    age_s: float = 0.0
    """Since its cause came into force."""
    gone_s: float = 0.0
    """Since its cause has been gone."""
    shelved_s: float = 0.0
    """How much longer it is kept quiet; 0: it is not shelved."""


class Alarms(NamedTuple):
    """Memory of the alarms."""

    by_code: Mapping[str, Alarm] = MappingProxyType({})
    announced_s: tuple[float, ...] = ()
    """Ages of what was announced within the last ten minutes."""


_NORMAL: Final = Alarm()
_RANK: Final = {row.code: (-row.effect, place) for place, row in enumerate(MATRIX)}
_ALARMING: Final = frozenset(row.code for row in MATRIX if row.priority > Priority.NONE)


def alarms(memory: Alarms, verdict: Verdict, asked: Asked, dt_s: float) -> tuple[Alarms, tuple[Evidence, ...]]:
    """Return the alarms after this scan, and what was announced, as rows for the record."""
    before = memory.by_code
    is_asked = asked.acknowledged is not None or bool(asked.shelved)
    if not verdict.causes and not before and not is_asked and not memory.announced_s:
        return memory, ()
    ages = tuple([age + dt_s for age in memory.announced_s if age + dt_s < _FLOOD_S])
    causes = _ALARMING.intersection(verdict.causes)
    now = {code: _aged(before.get(code, _NORMAL), code in causes, dt_s) for code in causes | before.keys()}
    came = [code for code in causes if not before.get(code, _NORMAL).is_true]
    if came and not any(alarm.is_true for alarm in before.values()):
        first = min(came, key=_RANK.__getitem__)
        now[first] = now[first]._replace(is_first=True)
    for code, seconds in asked.shelved:
        now[code] = now.get(code, _NORMAL)._replace(shelved_s=seconds)
    rows: list[Evidence] = []
    for code in sorted(causes, key=_RANK.__getitem__):
        if not _is_due(now[code], BY_CODE[code]) or code in verdict.bypassed:
            continue
        if _is_one_of_many(code, now.items(), len(ages)):
            now[code] = now[code]._replace(is_suppressed=True)
        else:
            now[code] = now[code]._replace(is_announced=True, is_suppressed=False)
            ages = (*ages, 0.0)
            rows.append(_announced(code, now[code]))
    if asked.acknowledged is not None:
        for code in asked.acknowledged or tuple(now):
            if code in now:
                now[code] = now[code]._replace(is_acknowledged=True)
    return Alarms({code: alarm for code, alarm in now.items() if not _is_normal(alarm)}, ages), tuple(rows)


def state_of(alarm: Alarm, holds: bool, is_bypassed: bool) -> str:
    """Return the alarm's state in words. `holds`: its cause is true now, and not only latched."""
    if is_bypassed:
        return "out of service"
    if alarm.shelved_s > 0.0:
        return "shelved"
    seen = "acknowledged" if alarm.is_acknowledged else "unacknowledged"
    if not alarm.is_true:
        return f"returned to normal, {seen}"
    if alarm.is_suppressed:
        return "suppressed"
    if not alarm.is_announced:
        return "not announced yet"
    return seen if holds else f"latched, {seen}"


def _aged(alarm: Alarm, is_in_force: bool, dt_s: float) -> Alarm:
    shelved_s = max(0.0, alarm.shelved_s - dt_s)
    if is_in_force and not alarm.is_true:
        return Alarm(is_true=True, shelved_s=shelved_s)
    gone_s = 0.0 if is_in_force else alarm.gone_s + dt_s
    is_true = is_in_force or (alarm.is_true and gone_s < _GONE_S)
    return alarm._replace(is_true=is_true, age_s=alarm.age_s + dt_s, gone_s=gone_s, shelved_s=shelved_s)


def _is_due(alarm: Alarm, row: Interlock) -> bool:
    """Return whether it is to be announced: what acts on its own at once, what only pauses after a while."""
    is_urgent = row.latched or row.effect >= Effect.WATER_ONLY or row.priority >= Priority.HIGH
    is_lasting = is_urgent or alarm.age_s >= _DELAY_S
    return is_lasting and not alarm.is_announced and not alarm.is_suppressed and alarm.shelved_s <= 0.0


def _is_one_of_many(code: str, others: Iterable[tuple[str, Alarm]], announced: int) -> bool:
    """Return whether it follows a stop that has just been announced, or there are more than anybody can see to."""
    if BY_CODE[code].priority is Priority.CRITICAL:
        return False
    return announced >= _FLOOD or any(
        other != code
        and alarm.is_first
        and alarm.is_true
        and alarm.age_s <= _CONSEQUENCE_S
        and BY_CODE[other].effect >= Effect.ONE
        for other, alarm in others
    )


def _is_normal(alarm: Alarm) -> bool:
    """Return whether it is over: gone, and acknowledged if it was ever announced."""
    return not (alarm.is_true or alarm.shelved_s > 0.0 or (alarm.is_announced and not alarm.is_acknowledged))


def _announced(code: str, alarm: Alarm) -> Event:
    row = BY_CODE[code]
    detail = {"code": code, "first": alarm.is_first, "priority": row.priority.name, "wakes": row.wakes}
    return Event("alarm-announced", canonical(detail))

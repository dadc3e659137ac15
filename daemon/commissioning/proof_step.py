"""Proof tests (IEC 61511's word) as a step: an interlock is provoked, its response timed and kept as a certificate."""

from typing import Final

from daemon.commissioning.stages import fill, flow_of, rinse, water_to
from daemon.commissioning.step import (
    Ask,
    Entries,
    Figure,
    Form,
    Result,
    Stage,
    Step,
    Until,
    Work,
    is_entered,
    values_of,
    verdict_of,
)
from daemon.control.interlocks import BY_CODE
from daemon.control.states import Effect
from daemon.equipment import Part
from daemon.site import Site

_WAIT_S: Final = 900.0
_AFTER_S: Final = 5.0
_NO_WATER: Final = "none: the plant is at rest"
_NO_INJECTOR: Final = "none"
_DELAY: Final = "instrument, window, delay and two scans of the matrix (interlocks)"
_HAND_S: Final = 2.0
"""k = 2 of a person who says when (engineering judgement)."""
TESTED: Final = tuple(
    code
    for code, row in BY_CODE.items()
    if row.effect in (Effect.PAUSE, Effect.WATER_ONLY, Effect.TWO, Effect.RELEASE, Effect.ONE, Effect.ZERO)
)
"""The causes that do something: what only warns has nothing to prove."""


def _then(site: Site, code: str, entries: Entries) -> Stage | None:
    row = BY_CODE[code]
    if not is_entered(entries, "way"):
        text = f"{row.meaning} Think out how to bring that about without harm, and how to end it at once. {row.check}"
        return Stage(
            "way",
            text,
            (
                Ask("how", "How it is provoked", form=Form.TEXT),
                Ask("block", "Which block has water meanwhile", form=Form.CHOICE, choices=(*site.block, _NO_WATER),
                    default=next(iter(site.block))),
                Ask("injector", "Which injector runs", form=Form.CHOICE, choices=(_NO_INJECTOR, *site.injector),
                    default=_NO_INJECTOR),
            ),
        )  # fmt: skip
    way = values_of(entries, "way")
    block, injector = way["block"], way["injector"]
    water = {} if block == _NO_WATER else water_to(site, block)
    if water and not is_entered(entries, "fill"):
        return fill(site, block)
    injecting = {f"injector.{injector}": 1.0} if water and injector != _NO_INJECTOR else {}
    back = "fill" if water else ""
    watch = flow_of(site)
    if injecting and not is_entered(entries, "inject"):
        text = "The injector runs. The next stage is the test itself."
        return Stage("inject", text, hold={**water, **injecting}, watch=watch, lasts_s=20.0, back_to=back)
    if not is_entered(entries, "ready"):
        text = "Say so in the very moment in which you provoke it, and start your watch."
        return Stage("ready", text, hold={**water, **injecting}, watch=watch, back_to=back)
    if not is_entered(entries, "provoke"):
        text = f"The daemon waits for {code}. Stop your watch when the plant has answered."
        return Stage(
            "provoke", text, hold={**water, **injecting}, watch=watch, lasts_s=_WAIT_S, until=Until.CAUSE, cause=code,
            shows_outputs=True, back_to=back,
        )  # fmt: skip
    if not is_entered(entries, "after"):
        text = "The daemon looks what is still on."
        return Stage("after", text, watch=watch, lasts_s=_AFTER_S, shows_outputs=True)
    if not is_entered(entries, "seen"):
        asks = (
            Ask("watch_s", "Your watch, from provoking it to the plant's answer", "s", most=86400.0, is_optional=True),
            Ask("answered", "Did the plant itself do what it should", form=Form.CHOICE, choices=("yes", "no")),
        )
        return Stage("seen", f"End what you provoked, and reset it ({row.reset.value}). Enter what you saw.", asks)
    if injecting and not is_entered(entries, "rinse"):
        return rinse()
    return None


def _result(work: Work) -> Result:
    row, seen = BY_CODE[work.subject], values_of(work.entries, "seen")
    provoked, ready = values_of(work.entries, "provoke"), values_of(work.entries, "ready")
    by_daemon_s = _ended_s(provoked) - ready["at_s"]
    response_s = seen.get("watch_s", by_daemon_s)
    most_s = row.safety_time_s(work.site)
    # The stage's own begin and the person's hand are no part of the interlock's time.
    figures = [
        Figure(
            "response", response_s, "s", _HAND_S, most=most_s + _HAND_S + 2.0 * work.site.site.scan_s, source=_DELAY
        ),
        Figure("its process safety time", most_s, "s"),
    ]
    told = [f"{work.subject} was provoked by {values_of(work.entries, 'way')['how']}; it does {row.effect.name}."]
    still_on = _wrongly_on(row.effect, provoked.get("on", []))
    if seen["answered"] == "no" or still_on:
        figures.append(Figure("outputs on that should be off", float(max(1, len(still_on))), "", most=0.0))
        told.append(
            f"It did not do what it should: {', '.join(still_on) or 'as you saw'}. Nothing is to run until it does."
        )
    return Result(tuple(figures), verdict_of(figures), tuple(told))


def _ended_s(values: object) -> float:
    samples = values.get("samples", []) if isinstance(values, dict) else []
    return float(samples[-1][0]) if samples else 0.0


def _wrongly_on(effect: Effect, on: list[str]) -> list[str]:
    """Return what is on after an effect that takes it off at once."""
    if effect in (Effect.ZERO, Effect.RELEASE):
        return on
    return [name for name in on if name.startswith("injector.")]


def _parts(site: Site, _code: str) -> tuple[Part, ...]:
    return (site.safety, site.limits)


PROOF: Final = Step(
    name="proof",
    title="Proof test",
    subjects=lambda _site: TESTED,
    needs=("the means to provoke it and to end it at once", "a watch", "a second person at the emergency stop"),
    cautions=(
        "Provoke nothing that can hurt somebody or load the creek: use water alone, or the least injection that "
        "shows it.",
        "Wired protection comes first: this proves what the controller does, not that the emergency stop works.",
    ),
    then=_then,
    result=_result,
    parts=_parts,
)

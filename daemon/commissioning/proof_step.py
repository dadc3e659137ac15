"""Proof tests (IEC 61511's word) as a step: an interlock is provoked, its response timed and kept as a certificate."""

from typing import Final

from daemon.commissioning.stages import FILL_S, fill, flow_of, rinse, water_to
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
_HELD, _RUN, _PROGRAM, _REST = "water that is held on", "a run of water", "a program", "nothing: the plant is at rest"
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


def _way(site: Site, code: str) -> Stage:
    row = BY_CODE[code]
    text = f"{row.meaning} Think out how to bring that about without harm, and how to end it at once. {row.check}"
    blocks, choices = tuple(site.block), (_HELD, _RUN, _PROGRAM, _REST)
    return Stage(
        "way",
        text,
        (
            Ask("how", "How it is provoked", form=Form.TEXT),
            Ask("during", "What goes on meanwhile", form=Form.CHOICE, choices=choices, default=_RUN),
            Ask("block", "Which block has the water", form=Form.CHOICE, choices=blocks, default=blocks[0]),
            Ask("program", "Which program runs", form=Form.TEXT, is_optional=True),
            Ask("injector", "Which injector is held on with held water", form=Form.CHOICE,
                choices=(_NO_INJECTOR, *site.injector), default=_NO_INJECTOR),
        ),
    )  # fmt: skip


def _then(site: Site, code: str, entries: Entries) -> Stage | None:
    if not is_entered(entries, "way"):
        return _way(site, code)
    way, watch = values_of(entries, "way"), flow_of(site)
    block, during, injector = way["block"], way["during"], way["injector"]
    hold = water_to(site, block) if during == _HELD else {}
    if during == _HELD and not is_entered(entries, "fill"):
        return fill(site, block)
    if during in (_RUN, _PROGRAM) and not is_entered(entries, "run"):
        start = {"block": block, "minutes": 120.0} if during == _RUN else {"programs": [way.get("program", "")]}
        text = "The daemon starts the run, and waits until flow and pressure are steady."
        return Stage("run", text, watch=watch, start=start, lasts_s=FILL_S, until=Until.STEADY)
    if during == _HELD and injector != _NO_INJECTOR:
        hold = {**hold, f"injector.{injector}": 1.0}
    back = {_HELD: "fill", _REST: ""}.get(during, "run")
    if not is_entered(entries, "provoke"):
        text = (
            "Provoke it now, and start your watch in that moment; stop it when the plant has answered. "
            f"The daemon waits for {code}."
        )
        return Stage(
            "provoke", text, hold=hold, watch=watch, lasts_s=_WAIT_S, until=Until.CAUSE, cause=code, shows_outputs=True,
            back_to=back,
        )  # fmt: skip
    if not is_entered(entries, "after"):
        text = "The daemon looks what is still on."
        return Stage("after", text, watch=watch, lasts_s=_AFTER_S, shows_outputs=True)
    if not is_entered(entries, "seen"):
        row = BY_CODE[code]
        asks = (
            Ask("watch_s", "Your watch, from provoking it to the plant's answer", "s", most=86400.0),
            Ask("answered", "Did the plant itself do what it should", form=Form.CHOICE, choices=("yes", "no")),
        )
        text = f"End what you provoked, stop what still runs, and reset it ({row.reset.value}). Enter what you saw."
        return Stage("seen", text, asks)
    return rinse() if f"injector.{injector}" in hold and not is_entered(entries, "rinse") else None


def _result(work: Work) -> Result:
    row, seen = BY_CODE[work.subject], values_of(work.entries, "seen")
    provoked = values_of(work.entries, "provoke")
    most_s = row.safety_time_s(work.site)
    figures = [
        # A person's hand, and the plant's own run-down, are no part of the interlock's time.
        Figure("response", seen["watch_s"], "s", _HAND_S, most=most_s + _HAND_S, source=_DELAY),
        Figure("its process safety time", most_s, "s"),
    ]
    told = [f"{work.subject} was provoked by {values_of(work.entries, 'way')['how']}; it does {row.effect.name}."]
    if work.subject not in provoked.get("caused", []):
        figures.append(Figure("times that it was not seen", 1.0, "", most=0.0))
        told.append(f"The daemon did not see it within {_WAIT_S:g} s. Nothing is to run until it does.")
    still_on = _wrongly_on(row.effect, values_of(work.entries, "after").get("on", []))
    if seen["answered"] == "no" or still_on:
        figures.append(Figure("outputs on that should be off", float(max(1, len(still_on))), "", most=0.0))
        told.append(
            f"It did not do what it should: {', '.join(still_on) or 'as you saw'}. Nothing may run until it does."
        )
    return Result(tuple(figures), verdict_of(figures), tuple(told))


def _wrongly_on(effect: Effect, on: list[str]) -> list[str]:
    """Return what is on after an effect that takes it off at once. Valves may stay open for a while but for RELEASE."""
    if effect is Effect.RELEASE:
        return on
    return [name for name in on if name.startswith("injector.") or (name == "pump" and effect is Effect.ZERO)]


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

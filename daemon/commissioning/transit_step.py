"""The transit test as a step: a pulse of fertiliser or dye, and when it comes to the outermost emitter."""

import math
from collections.abc import Mapping
from typing import Any, Final

from daemon.as_measured import transit_parts
from daemon.commissioning.stages import fill, flow_of, rinse, water_to
from daemon.commissioning.step import (
    Ask,
    Entries,
    Figure,
    Form,
    Recorded,
    Result,
    Stage,
    Step,
    Work,
    column,
    figure,
    is_done,
    is_entered,
    many_of,
    values_of,
    verdict_of,
)
from daemon.commissioning.transit_test import Meaning, Passage, Sample, meaning, passage
from daemon.decisions.measured import Transit
from daemon.dosing.agreement import BEYOND, Estimate
from daemon.hydraulics.pipes import line_path, shared_main_l
from daemon.recipe import LinePath
from daemon.site import Site

FAR, HANDHELD, DYE = "far probe", "meter in the hand", "dye"
_PULSE_S: Final = 180.0
_PULSE_SHARE: Final = 0.15
"""Of the computed transit: long enough to stand out once it has smeared (engineering judgement)."""
_WATCH: Final = 2.0
"""Times the computed transit that the far probe is watched for: pipes twice as large would still show."""
_CLOSER: Final = 0.75
"""Of the computed transit: from then on readings are taken close together."""
_REACTION_S: Final = 2.0
"""k = 2 of a person who says when (engineering judgement)."""
_ANEW: Final = 0.1
"""Of a pulse: what broke off before so much of it was in made none, and it counts from where it came on again
(engineering judgement)."""
_LEAST_PCT: Final = 1.0
_LEAST_RECORDED_PCT: Final = 0.5
_MEANS: Final = {
    Meaning.AS_PLANNED: "It agrees with what the pipes of the site file make.",
    Meaning.LATER: "It came later than the pipes of the site file make: a pipe may be wider or longer than "
    "written, water "
    "may leak out before the block, or the block takes less than its emitters' rate.",
    Meaning.SOONER: "It came sooner than the pipes of the site file make: a pipe may be narrower or shorter "
    "than written, "
    "or a valve in the block keeps part of it shut.",
}


def _subjects(site: Site) -> tuple[str, ...]:
    return tuple(site.block)


def _path(site: Site, block: str) -> LinePath:
    return line_path(site.block[block], shared_main_l(site.main))


def _way(site: Site, block: str) -> Stage:
    hows = (FAR, HANDHELD, DYE) if site.block[block].far_ec is not None else (HANDHELD, DYE)
    return Stage(
        "way",
        "Say how the pulse will be seen, and where. The outermost emitter is the one that the water reaches last: the "
        "end of the last lateral.",
        (
            Ask("how", "How it is seen", form=Form.CHOICE, choices=hows, default=hows[0]),
            Ask("injector", "Whose stock makes the pulse", form=Form.CHOICE, choices=tuple(site.injector),
                default=next(iter(site.injector))),
            Ask("instrument", "With which instrument", form=Form.TEXT),
            Ask("emitter", "At which emitter", form=Form.TEXT),
        ),
    )  # fmt: skip


def _then(site: Site, block: str, entries: Entries) -> Stage | None:
    if not is_entered(entries, "way"):
        return _way(site, block)
    way, water = values_of(entries, "way"), water_to(site, block)
    far = (f"block.{block}.far_ec_ms_cm",) if way["how"] == FAR else ()
    watch = (*far, *flow_of(site))
    if not is_entered(entries, "fill"):
        return fill(site, block, watch=far)
    path = _path(site, block)
    transit_s = path.transit_l / site.block[block].flow_m3_h * 3.6
    if way["how"] == DYE:
        return _by_dye(entries, water, watch)
    pulse_s = max(_PULSE_S, _PULSE_SHARE * transit_s)
    if not is_entered(entries, "pulse"):
        injector = f"injector.{way['injector']}"
        text = (
            f"The daemon injects from {way['injector']} for {pulse_s / 60.0:.0f} minutes. Stay clear of the injector."
        )
        watched = (*watch, f"{injector}.stock_l")
        return Stage("pulse", text, hold={**water, injector: 1.0}, watch=watched, lasts_s=pulse_s, times_injector=True,
                     back_to="fill")  # fmt: skip
    if way["how"] == FAR and not is_entered(entries, "watch"):
        text = "The daemon watches the far probe until the pulse has passed. You may walk the block meanwhile."
        lasts_s = _WATCH * transit_s
        return Stage("watch", text, hold=water, watch=watch, lasts_s=lasts_s, back_to="fill")
    if way["how"] == HANDHELD and not is_done(entries, "watch"):
        soon_min = _CLOSER * transit_s / 60.0
        text = (
            "Hold the meter's probe under the outermost emitter and enter what it shows: every few minutes at first, "
            f"every half minute from {soon_min:.0f} minutes after the pulse began, as it is expected after "
            f"{transit_s / 60.0:.0f}, until it is back where it was. Then say that it is done."
        )
        asks = (Ask("ms_cm", "EC at the emitter", "mS/cm", most=50.0),)
        return Stage("watch", text, asks, hold=water, watch=watch, is_many=True, back_to="fill")
    return None if is_entered(entries, "rinse") else rinse()


def _by_dye(entries: Entries, water: dict[str, float], watch: tuple[str, ...]) -> Stage | None:
    if not is_entered(entries, "pulse"):
        text = "Put the dye into the injection point, all at once, and say so at that very moment."
        return Stage("pulse", text, hold=water, watch=watch, back_to="fill")
    if not is_entered(entries, "watch"):
        text = (
            "Say so at the moment when the dye is first seen at the outermost emitter; enter your watch's time as well."
        )
        asks = (Ask("watch_s", "Your watch, from the dye's going in", "s", least=1.0, most=86400.0, is_optional=True),)
        return Stage("watch", text, asks, hold=water, watch=watch, back_to="fill")
    return None if is_entered(entries, "rinse") else rinse()


def _result(work: Work) -> Result:
    block, how = work.subject, values_of(work.entries, "way")["how"]
    path = _path(work.site, block)
    found = _dye_l(work.entries) if how == DYE else _pulse_l(work, how)
    litres = found if isinstance(found, Estimate) else found.half
    accuracy_pct = max(100.0 * litres.u / litres.value, _LEAST_RECORDED_PCT)
    measured = Estimate(litres.value, accuracy_pct / 100.0 * litres.value)
    computed = Estimate(path.transit_l, path.accuracy_pct / 100.0 * path.transit_l)
    means = meaning(measured, computed)
    flow_m3_h = work.site.block[block].flow_m3_h
    width = BEYOND * math.hypot(computed.u, measured.u)
    band = "the pipes of the site file with their volume_accuracy_pct, k = 3"
    figures = [
        figure("transit", measured, "L", least=computed.value - width, most=computed.value + width, source=band),
        Figure("transit at the block's own flow", measured.value / flow_m3_h * 0.06, "min"),
        figure("computed transit", computed, "L"),
    ]
    if not isinstance(found, Estimate):
        figures.append(Figure("rise at the emitter", found.rise_ms_cm, "mS/cm"))
        if found.gone is not None:
            figures.append(figure("gone again", found.gone, "L"))
    told = [_MEANS[means]]
    if work.earlier:
        before = float(work.earlier[0]["figures"][0]["value"])
        told.append(f"At the test before it was {before:.0f} L: {100.0 * (measured.value / before - 1.0):+.1f} %.")
    who_and_how = values_of(work.entries, "way")
    record = Transit(
        litres=measured.value,
        accuracy_pct=max(accuracy_pct, _LEAST_PCT),
        at=work.at,
        by=work.who,
        how=f"{how}, {who_and_how['instrument']}, at {who_and_how['emitter']}"[:200],
        section=work.section,
    )
    factor = work.site.limits.measured_flush_factor
    change = (
        f"Block {block} is flushed with {factor:g} times {measured.value:.0f} L instead of "
        f"{work.site.limits.flush_factor:g} times {path.transit_l:.0f} L."
    )
    verdict = verdict_of(figures[:1])
    return Result(tuple(figures), verdict, tuple(told), (change,), (Recorded(block, record),), tuple(_drawn(work, how)))


def _pulse_l(work: Work, how: str) -> Passage:
    """Return when the pulse passed, in litres of water since the injector came on. Raises ValueError."""
    pulse = values_of(work.entries, "pulse")
    last_l = pulse["last"].get("water_l")
    if last_l is None:
        raise ValueError("got no count of the main meter as the pulse ended; expected one: repeat the test")
    return passage(_samples(work, how), last_l - zero_l(pulse))


def zero_l(pulse: Mapping[str, Any]) -> float:
    """Return the main meter's litres as the pulse began, by what its stage kept. Raises ValueError where it has none.

    A reading that is lost for one scan stops an injector: a pulse that stops right after its begin begins anew.
    """
    begins = [now for on_s, now in pulse.get("again", ()) if on_s <= _ANEW * pulse["seconds"]]
    litres: float | None = (begins[-1] if begins else pulse["first"]).get("water_l")
    if litres is None:
        raise ValueError("got no count of the main meter as the pulse began; expected one: repeat the test")
    return litres


def _samples(work: Work, how: str) -> list[Sample]:
    begin_l = zero_l(values_of(work.entries, "pulse"))
    if how == HANDHELD:
        rows = [(one["now"].get("water_l"), one["ms_cm"]) for one in many_of(work.entries, "watch")]
        return [Sample(litres - begin_l, ms_cm) for litres, ms_cm in rows if litres is not None]
    found = []
    for stage in ("fill", "pulse", "watch"):
        values = values_of(work.entries, stage)
        litres = dict(column(values, "water_l"))
        for at_s, ms_cm in column(values, f"block.{work.subject}.far_ec_ms_cm"):
            if at_s in litres:
                found.append(Sample(litres[at_s] - begin_l, ms_cm))
    return found


def _dye_l(entries: Entries) -> Estimate:
    """Return the litres that passed from the dye's going in until it was seen. Raises ValueError."""
    begin, end = values_of(entries, "pulse"), values_of(entries, "watch")
    first_l, last_l = begin["now"].get("water_l"), end["now"].get("water_l")
    if first_l is None or last_l is None or end["at_s"] <= begin["at_s"]:
        raise ValueError("got no count of the main meter at the dye's begin or end; expected both: repeat the test")
    flow_l_s = (last_l - first_l) / (end["at_s"] - begin["at_s"])
    litres = flow_l_s * end["watch_s"] if "watch_s" in end else last_l - first_l
    if litres <= 0.0:
        raise ValueError("got no water between the dye's going in and its being seen; expected some")
    return Estimate(litres, flow_l_s * _REACTION_S + 0.01 * litres)


def _drawn(work: Work, how: str) -> list[tuple[float, float]]:
    if how == DYE:
        return []
    samples = sorted(_samples(work, how))
    every = max(1, len(samples) // 150)
    return [(round(one.at, 1), round(one.ms_cm, 4)) for one in samples[::every]]


TRANSIT: Final = Step(
    name="transit",
    title="Transit test",
    subjects=_subjects,
    needs=(
        "a stock tank with fertiliser in it, or dye that is meant for water",
        "the far probe, or an EC meter, or eyes at the outermost emitter",
        "a watch, and a way to talk to the shed",
    ),
    cautions=(
        "Nobody drinks from the lines, and no stock grazes the block, until the flush at the end is done.",
        "The backflow preventer must be in order: see to its proof test first. Local rules on fertiliser in "
        "water hold.",
    ),
    then=_then,
    result=_result,
    parts=transit_parts,
    water_tonight="Water may run tonight once the flush at the end of this step is done.",
)

"""The main meter against a tank of known litres, and the line's EC probe against two standard solutions, as steps."""

import math
from statistics import fmean
from typing import Final

from daemon.commissioning.meter_test import AIR, LEAST_S, meter_result, probe_result
from daemon.commissioning.stages import block_asked, fill, flow_of, water_to
from daemon.commissioning.step import (
    Ask,
    Entries,
    Figure,
    Form,
    Recorded,
    Result,
    Stage,
    Step,
    Verdict,
    Work,
    column,
    figure,
    is_entered,
    values_of,
)
from daemon.decisions.measured import Calibration
from daemon.dosing.agreement import Estimate
from daemon.equipment import Part, Signal
from daemon.site import Site

_RUN_S: Final = 600.0
_HAND_S: Final = 1.0
"""k = 2 of a person who says when (engineering judgement)."""
_DIP_S: Final = 40.0
_SETTLED: Final = 0.5
"""The later part of what the probe showed in a standard."""
_LEAST_COUNTS: Final = 50.0
"""Fewer resolve no 2 % (arithmetic: a count at each end)."""
_WEAK: Final = (0.01, "weak")
_STRONG: Final = (0.1, "strong")
_DRY: Final = (AIR, "dry")
"""mol/kg of potassium chloride, and what it is called."""
_STRONG_MS_CM: Final = 15.0
"""Span that a probe must have for the strong standard, of 12.8 mS/cm at 25 °C."""
_ONE_READING_MS_CM: Final = 0.005
"""k = 2 of a mean of half a minute (engineering judgement)."""
_SLOPE_BAND: Final = 0.05
"""A probe further off than this is cleaned, and calibrated at its transmitter (engineering judgement)."""


def _meter_then(site: Site, _subject: str, entries: Entries) -> Stage | None:
    if not is_entered(entries, "way"):
        text = (
            "Choose a tank whose litres you know, or a meter that was verified, and lead the water of the "
            "test through it."
        )
        return Stage("way", text, (block_asked(site), Ask("instrument", "Tank or reference meter", form=Form.TEXT)))
    block = values_of(entries, "way")["block"]
    if not is_entered(entries, "fill"):
        return fill(site, block)
    hold, watch = water_to(site, block), flow_of(site)
    if not is_entered(entries, "ready"):
        text = (
            "Let the water go into the tank, or note where the reference stands, and say so at that very moment. It "
            f"then runs for {_RUN_S / 60.0:g} minutes."
        )
        return Stage("ready", text, hold=hold, watch=watch, back_to="fill")
    if not is_entered(entries, "run"):
        return Stage("run", "The water runs.", hold=hold, watch=watch, lasts_s=_RUN_S, back_to="ready")
    if not is_entered(entries, "stop"):
        text = "Turn the water away from the tank, or note where the reference stands, and say so at that very moment."
        return Stage("stop", text, hold=hold, watch=watch, back_to="ready")
    if not is_entered(entries, "read"):
        asks = (
            Ask("caught_l", "What the tank or the reference had between the two moments", "L", least=1.0, most=1e7),
            Ask("caught_u_l", "How well that is known, k = 2", "L", least=0.01, most=1e5),
        )
        return Stage("read", "Enter what the tank or the reference had between the two moments.", asks)
    return None


def _meter_result(work: Work) -> Result:
    begin, end, read = (values_of(work.entries, stage) for stage in ("ready", "stop", "read"))
    first_l, last_l, meter = begin["now"].get("water_l"), end["now"].get("water_l"), work.site.main.water
    if first_l is None or last_l is None:
        raise ValueError("got no count of the main meter at one of the two moments; expected both: repeat ready")
    seconds = end["at_s"] - begin["at_s"]
    # Each moment is a person's, and a scan old: what passes in that time is not known.
    hand_l = (last_l - first_l) / seconds * math.hypot(work.site.site.scan_s, _HAND_S)
    caught = Estimate(read["caught_l"], math.hypot(read["caught_u_l"], hand_l))
    found = meter_result(last_l - first_l, caught, meter.per_count or 1.0, seconds)
    class_pct, error = meter.accuracy_pct_of_reading, found.error_pct
    width = class_pct + error.u
    figures = (
        figure("error", error, "%", least=-width, most=width, source="the meter's class in the site file"),
        Figure("counts", found.pulses, "", least=_LEAST_COUNTS, source="fewer resolve no 2 % (arithmetic)"),
        Figure("time", seconds, "s", least=LEAST_S, source="5 minutes or more: the test's figures rest on it"),
    )
    told = []
    if not figures[0].is_in_band:
        factor = 1.0 / (1.0 + error.value / 100.0)
        told.append(
            f"The meter shows {error.value:+.1f} %: look for air, a pipe that is not full, a magnet or a bend "
            "close before "
            "it, and whether per_count is its plate's."
            + (f" As it is, per_count = {meter.per_count * factor:.4g} would be right." if meter.per_count else "")
        )
    return _calibrated(work, figures, told, "main.water", abs(error.value) + error.u, "the reference")


def _calibrated(
    work: Work, figures: tuple[Figure, ...], told: list[str], instrument: str, off_pct: float, against: str
) -> Result:
    is_good = all(one.is_in_band for one in figures)
    how = f"{values_of(work.entries, 'way')['instrument']}, against {against}"[:200]
    record = Calibration(
        instrument=instrument,
        accuracy_pct=min(50.0, max(0.1, off_pct)),
        at=work.at,
        by=work.who,
        how=how,
    )
    changes = (f"Doses are stated with {instrument} known to {record.accuracy_pct:.1f} %, less well as the test ages.",)
    if work.earlier:
        before = float(work.earlier[0]["figures"][0]["value"])
        told.append(
            f"At the test before it was {before:g} {figures[0].unit}; it drifted by {figures[0].value - before:+.3g}."
        )
    verdict = Verdict.PASSED if is_good else Verdict.FAILED
    return Result(
        figures, verdict, tuple(told), changes if is_good else (),
        (Recorded(instrument.replace(".", "_"), record),) if is_good else (),
    )  # fmt: skip


def _meter_parts(site: Site, _subject: str) -> tuple[Part, ...]:
    return (site.main.water,)


METER: Final = Step(
    name="meter",
    title="Main meter",
    subjects=lambda _site: ("main.water",),
    needs=("a tank whose litres are known, or a verified meter, that takes the flow for ten minutes",),
    cautions=("A hose under pressure whips: tie it down before the water runs.",),
    then=_meter_then,
    result=_meter_result,
    parts=_meter_parts,
)


def _probe(site: Site) -> Signal:
    found = site.main.line_ec
    if found is None:
        raise ValueError("the site has no main.line_ec; expected one")
    return found


def standards_of(site: Site) -> tuple[tuple[float, str], tuple[float, str]]:
    """Return the two that a probe of this span can be held against: the strong one goes beyond that of many."""
    high = _probe(site).at_high
    return (_WEAK, _STRONG) if high is None or high >= _STRONG_MS_CM else (_DRY, _WEAK)


def _probe_then(site: Site, _subject: str, entries: Entries) -> Stage | None:
    if not is_entered(entries, "way"):
        asks: tuple[Ask, ...] = (
            Ask("instrument", "Which standards (maker's lot, date)", form=Form.TEXT),
            Ask("compensates", "Does the transmitter compensate to 25 °C", form=Form.CHOICE, choices=("yes", "no"),
                default="yes"),
        )  # fmt: skip
        return Stage("way", "Shut the water, take the probe out of the line, and rinse it with pure water.", asks)
    for molal, which in standards_of(site):
        if not is_entered(entries, f"ready.{which}"):
            text = (
                f"Rinse the probe, put it into the standard of {molal:g} mol/kg potassium chloride, stir, and say so."
            )
            if molal == AIR:
                text = "Dry the probe with a soft cloth, hold it in the air, and say so."
            asks = (Ask("at_c", "The temperature there", "°C", most=40.0),)
            return Stage(f"ready.{which}", text, asks, watch=("line_ec_ms_cm",))
        if not is_entered(entries, f"dip.{which}"):
            text = "Leave the probe where it is: the daemon takes what it shows."
            return Stage(f"dip.{which}", text, watch=("line_ec_ms_cm",), lasts_s=_DIP_S, back_to=f"ready.{which}")
    if not is_entered(entries, "back"):
        return Stage("back", "Put the probe back into the line, tighten it, and say so.")
    return None


def _probe_result(work: Work) -> Result:
    shown, at_c = {}, {}
    compensates = values_of(work.entries, "way")["compensates"] == "yes"
    for molal, which in standards_of(work.site):
        readings = [value for _, value in column(values_of(work.entries, f"dip.{which}"), "line_ec_ms_cm")]
        if not readings:
            raise ValueError(f"got no reading of the probe in the {which} standard; expected some: is it wired?")
        shown[molal] = fmean(readings[int(_SETTLED * len(readings)) :])
        at_c[molal] = 25.0 if compensates else values_of(work.entries, f"ready.{which}")["at_c"]
    found = probe_result(shown, at_c, _ONE_READING_MS_CM)
    source = "engineering judgement: beyond it a probe is cleaned and calibrated at its transmitter"
    figures = (
        figure(
            "slope, true over shown", found.slope, "", least=1.0 - _SLOPE_BAND, most=1.0 + _SLOPE_BAND, source=source
        ),
        Figure("offset", found.offset_ms_cm, "mS/cm", least=-0.1, most=0.1, source=source),
    )
    told = []
    if not all(one.is_in_band for one in figures):
        told.append(
            "Clean the probe (weak acid, then pure water) and calibrate it at its transmitter, then repeat this."
        )
    off_pct = 100.0 * (abs(found.slope.value - 1.0) + found.slope.u)
    return _calibrated(work, figures, told, "main.line_ec", off_pct, "standards of potassium chloride")


PROBE: Final = Step(
    name="probe",
    title="EC probe",
    subjects=lambda site: ("main.line_ec",) if site.main.line_ec is not None else (),
    needs=(
        "potassium chloride standards of 0.01 mol/kg, and of 0.1 for a span beyond 15 mS/cm, fresh",
        "a thermometer",
        "pure water, a clean beaker",
    ),
    cautions=("Relieve the pressure before the probe is taken out, and see that nobody starts the pump meanwhile.",),
    then=_probe_then,
    result=_probe_result,
    parts=lambda site, _subject: (_probe(site),),
    water_tonight="Water may run tonight once the probe is back in the line.",
)

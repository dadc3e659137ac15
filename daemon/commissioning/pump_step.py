"""The pump test as a step: one or more duty points, what each costs, and what a better pump would save."""

import math
from typing import Final

from daemon.commissioning.pump_test import Duty, PumpResult, lifting_kwh_per_ml_m, pump_result, saved_kwh
from daemon.commissioning.stages import block_asked, fill, flow_of, water_to
from daemon.commissioning.statistics import line_through
from daemon.commissioning.step import (
    Ask,
    Entries,
    Figure,
    Form,
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
from daemon.dosing.agreement import Estimate
from daemon.dosing.estimates import k2_of_class_pct
from daemon.equipment import Part, Signal
from daemon.site import Site

_MOST_POINTS: Final = 4
_LISTEN_S: Final = 60.0
_ACCEPTED_PCT: Final = 65.0
_BAND: Final = "NSW Agriculture, Agfact E5.11 (2003): acceptable above 65 %, of a single-impeller irrigation pump"
_NO_MORE: Final = "no"


def _then(site: Site, _subject: str, entries: Entries) -> Stage | None:
    if not is_entered(entries, "way"):
        bore_mm = site.main.pipes[0].bore_mm if site.main.pipes else None
        text = "Fit a gauge behind the pump and a power meter at the motor's or the drive's supply."
        return Stage(
            "way",
            text,
            (
                block_asked(site),
                Ask("instrument", "With which power meter", form=Form.TEXT),
                Ask("power_accuracy_pct", "How well it is read, k = 2", "%", least=0.1, most=20.0, default=2.0),
                Ask("gauge_m", "Height of the transmitter over the water: the lift", "m", least=-50.0, most=150.0),
                Ask("suction_loss_m", "Loss in the suction pipe", "m", most=10.0, default=0.5),
                Ask("bore_mm", "Bore of the pipe at the transmitter", "mm", least=20.0, most=1000.0, default=bore_mm),
                Ask("tariff", "Price of a kilowatt-hour", "", most=10.0, default=0.0),
                Ask("season_ml", "Water of a season", "ML", most=1e5, default=0.0),
                Ask("better_pct", "Overall efficiency of a better pump", "%", least=1.0, most=90.0, default=72.0),
            ),
        )  # fmt: skip
    for number, blocks in enumerate(_duties(entries), 1):
        hold, watch = water_to(site, *blocks), flow_of(site)
        if not is_entered(entries, f"fill.{number}"):
            return fill(site, *blocks, name=f"fill.{number}")
        if not is_entered(entries, f"listen.{number}"):
            text = "The daemon takes flow and pressure for a minute. Watch the power meter meanwhile."
            back = f"fill.{number}"
            return Stage(f"listen.{number}", text, hold=hold, watch=watch, lasts_s=_LISTEN_S, back_to=back)
        if not is_entered(entries, f"read.{number}"):
            others = tuple(name for name in site.block if name not in blocks)
            asks: tuple[Ask, ...] = (
                Ask("power_kw", "Electrical power, mean over that minute", "kW", least=0.01, most=2000.0),
            )
            if others and number < _MOST_POINTS:
                choices = (_NO_MORE, *others)
                asks += (Ask("add", "Another duty point, with one more block", form=Form.CHOICE, choices=choices,
                             default=_NO_MORE),)  # fmt: skip
            return Stage(f"read.{number}", "Enter what the power meter showed.", asks, hold=hold, watch=watch)
    return None


def _duties(entries: Entries) -> list[tuple[str, ...]]:
    """Return the blocks of each duty point that was asked for."""
    found: list[tuple[str, ...]] = [(values_of(entries, "way")["block"],)]
    for number in range(1, _MOST_POINTS):
        add = values_of(entries, f"read.{number}").get("add", _NO_MORE)
        if add == _NO_MORE:
            break
        found.append((*found[-1], add))
    return found


def _mean(work: Work, number: int, reading: str) -> float:
    values = [value for _, value in column(values_of(work.entries, f"listen.{number}"), reading)]
    if not values:
        raise ValueError(f"got no {reading} at duty point {number}; expected a good reading: look at its transmitter")
    return math.fsum(values) / len(values)


def _flow_m3_h(work: Work, number: int) -> float:
    if work.site.main.flow is not None:
        return _mean(work, number, "flow_m3_h")
    counted = column(values_of(work.entries, f"listen.{number}"), "water_l")
    if len(counted) < 2 or counted[-1][1] <= counted[0][1]:
        raise ValueError(f"got no flow at duty point {number}; expected the main meter to count")
    (begin_s, first_l), (end_s, last_l) = counted[0], counted[-1]
    return (last_l - first_l) / (end_s - begin_s) * 3.6


def _k2(signal: Signal, value: float) -> float:
    """Return the k = 2 of a reading by its instrument's class."""
    return k2_of_class_pct(1.0) * math.hypot(
        signal.accuracy_pct_of_reading / 100.0 * value, signal.accuracy_pct_of_span / 100.0 * signal.span
    )


def _duty(work: Work, number: int) -> Duty:
    main, way = work.site.main, values_of(work.entries, "way")
    flow_m3_h, kpa = _flow_m3_h(work, number), _mean(work, number, "pressure_kpa")
    power_kw = values_of(work.entries, f"read.{number}")["power_kw"]
    return Duty(
        flow_m3_h=Estimate(flow_m3_h, _k2(main.flow or main.water, flow_m3_h)),
        pressure_kpa=Estimate(kpa, _k2(main.pressure, kpa)),
        gauge_m=way["gauge_m"],
        power_kw=Estimate(power_kw, way["power_accuracy_pct"] / 100.0 * power_kw),
        bore_mm=way["bore_mm"],
        suction_loss_m=way["suction_loss_m"],
    )


def _result(work: Work) -> Result:
    way = values_of(work.entries, "way")
    duties = [_duty(work, number) for number in range(1, len(_duties(work.entries)) + 1)]
    found = [pump_result(duty) for duty in duties]
    figures: list[Figure] = []
    for number, (duty, one) in enumerate(zip(duties, found, strict=True), 1):
        figures += _figures(duty, one, f", duty {number}" if len(found) > 1 else "")
    best = max(found, key=lambda one: one.efficiency_pct.value)
    told = []
    if way["season_ml"] > 0.0:
        season_kwh = best.kwh_per_ml.value * way["season_ml"]
        saved = saved_kwh(best, way["better_pct"], way["season_ml"])
        figures += [Figure("energy of a season", season_kwh, "kWh"), Figure("a better pump would save", saved, "kWh")]
        if way["tariff"] > 0.0:
            told.append(
                f"A season costs {way['tariff'] * season_kwh:.0f}; at {way['better_pct']:g} % it would cost "
                f"{way['tariff'] * saved:.0f} less."
            )
    ideal = lifting_kwh_per_ml_m(_ACCEPTED_PCT)
    if best.efficiency_pct.value < _ACCEPTED_PCT:
        told.append(
            f"At 65 % a megalitre would take {ideal:.1f} kWh for each metre. Look at wear of impeller and "
            "rings, air in "
            "the suction, a throttled valve, and whether this duty is the pump's own."
        )
    is_good = best.efficiency_pct.value + best.efficiency_pct.u >= _ACCEPTED_PCT
    curve = tuple(sorted((duty.flow_m3_h.value, one.head_m.value) for duty, one in zip(duties, found, strict=True)))
    return Result(
        tuple(figures),
        Verdict.PASSED if is_good else Verdict.DOUBTFUL,
        (*told, *_fitted(curve, work.site)),
        (),
        (),
        curve,
    )


def _figures(duty: Duty, one: PumpResult, where: str) -> list[Figure]:
    return [
        figure(f"efficiency{where}", one.efficiency_pct, "%", least=_ACCEPTED_PCT - one.efficiency_pct.u, source=_BAND),
        figure(f"flow{where}", duty.flow_m3_h, "m3/h"),
        figure(f"head{where}", one.head_m, "m"),
        figure(f"water power{where}", one.water_kw, "kW"),
        figure(f"energy{where}", one.kwh_per_ml, "kWh/ML"),
        figure(f"energy a metre{where}", one.kwh_per_ml_m, "kWh/ML/m"),
    ]


def _fitted(curve: tuple[tuple[float, float], ...], site: Site) -> tuple[str, ...]:
    """Return the curve that the duty points make, head along the square of the flow, and what the site file says."""
    if len({flow for flow, _ in curve}) < 2 or site.pump is None:
        return ()
    line = line_through([(flow**2, head) for flow, head in curve])
    at = site.pump.capacity_m3_h
    return (
        f"Fitted: head = {line.offset:.1f} m {line.slope:+.5f} m for each (m3/h)2; at the {at:g} m3/h that the "
        "site file "
        f"has as its capacity that is {line.at(at**2).value:.1f} m.",
    )


def _parts(site: Site, _subject: str) -> tuple[Part, ...]:
    return () if site.pump is None else (site.pump,)


PUMP: Final = Step(
    name="pump",
    title="Pump test",
    subjects=lambda site: ("pump",) if site.pump is not None else (),
    needs=("a power meter at the motor's supply", "a pressure transmitter or gauge behind the pump, and its height"),
    cautions=(
        "Work at the switchboard is for a licensed electrician. Keep clear of shafts and belts.",
        "Run the pump at no duty that its maker forbids.",
    ),
    then=_then,
    result=_result,
    parts=_parts,
)

"""The calibration of an injector as a step: timed volumes at several settings, at line pressure, with its own stock."""

import itertools
import math
from collections.abc import Collection
from typing import Final

from daemon.commissioning.injector_test import REPEATS_PCT, InjectorResult, SettingResult, Timed, injector_result
from daemon.commissioning.injector_test import setting_result as setting_result_of
from daemon.commissioning.stages import block_asked, fill, flow_of, rinse, water_to
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
    figure,
    is_entered,
    moved,
    values_of,
)
from daemon.control.rate import promised_l_h
from daemon.decisions.measured import Calibration, Curve
from daemon.dosing.agreement import BEYOND, Estimate, normalised_error
from daemon.equipment import DisplacementTank, Injector, MeteringPump, Part
from daemon.site import Site

RUNS: Final = 3
_RUN_S: Final = 180.0
"""Each a minute or more (common practice, no source)."""
_RUN_UP_S: Final = 1.2
"""k = 2 of the time that a pump takes to run up, and a hand at its watch (engineering judgement)."""
_PRACTICE: Final = "three runs within 3 % of their mean: common practice, no source"


def settings_of(injector: Injector) -> tuple[float, ...]:
    """Return the settings at which an injector is measured: the ends of its curve and what is between them."""
    if not isinstance(injector, MeteringPump):
        return (1.0,)
    drives = [drive for drive, rate in injector.curve if rate > 0.0]
    if len(drives) == 2:
        drives.insert(1, 0.5 * (drives[0] + drives[1]))
    return tuple(drives)


def _subjects(site: Site) -> tuple[str, ...]:
    return tuple(name for name, injector in site.injector.items() if not isinstance(injector, DisplacementTank))


def _then(site: Site, name: str, entries: Entries) -> Stage | None:
    if not is_entered(entries, "way"):
        text = (
            "Fit a cylinder with a scale to the suction side, filled with the stock itself, and say what you "
            "measure with."
        )
        return Stage(
            "way",
            text,
            (
                block_asked(site),
                Ask("instrument", "With which cylinder", form=Form.TEXT),
                Ask("accuracy_ml", "How well it is read, k = 2", "mL", least=0.1, most=1000.0, default=10.0),
            ),
        )
    block = values_of(entries, "way")["block"]
    water, watch = water_to(site, block), (f"injector.{name}.stock_l", *flow_of(site))
    if not is_entered(entries, "fill"):
        return fill(site, block)
    for setting, run in itertools.product(settings_of(site.injector[name]), range(1, RUNS + 1)):
        place = f"{100.0 * setting:g} %, run {run} of {RUNS}"
        if not is_entered(entries, _run(setting, run)):
            text = (
                f"Fill the cylinder. The daemon runs the injector at {place}, for {_RUN_S:g} s. Say when it may begin."
            )
            ready = f"ready.{_run(setting, run)}"
            if not is_entered(entries, ready):
                return Stage(ready, text, hold=water, watch=watch, back_to="fill")
            text = f"The injector runs at {place}. Stay clear of it, and watch the cylinder."
            hold = {**water, f"injector.{name}": setting}
            return Stage(
                _run(setting, run), text, hold=hold, watch=watch, lasts_s=_RUN_S, times_injector=True, back_to=ready
            )
        if not is_entered(entries, _read(setting, run)):
            text = f"Read what the cylinder has lost ({place}). Enter your watch's time too, if you took one."
            asks = (
                Ask("ml", "What the cylinder lost", "mL", least=0.0, most=1e6),
                Ask("watch_s", "Your watch", "s", least=1.0, most=3600.0, is_optional=True),
            )
            return Stage(_read(setting, run), text, asks, hold=water, watch=watch)
    return None if is_entered(entries, "rinse") else rinse()


def _run(setting: float, run: int) -> str:
    return f"run.{setting:g}.{run}"


def _read(setting: float, run: int) -> str:
    return f"read.{setting:g}.{run}"


def _timed(work: Work, setting: float, run: int) -> Timed:
    ran, read = values_of(work.entries, _run(setting, run)), values_of(work.entries, _read(setting, run))
    metered_l = moved(ran, f"injector.{work.subject}.stock_l")
    return Timed(read["ml"] / 1000.0, read.get("watch_s", ran["seconds"]), metered_l)


def _result(work: Work) -> Result:
    name, injector = work.subject, work.site.injector[work.subject]
    runs = {setting: [_timed(work, setting, run) for run in range(1, RUNS + 1)] for setting in settings_of(injector)}
    reading_l = values_of(work.entries, "way")["accuracy_ml"] / 1000.0
    if not isinstance(injector, MeteringPump):
        return _of_one_rate(work, injector, setting_result_of(runs[1.0]), runs[1.0], reading_l)
    found = injector_result(runs)
    rates = {setting: _with_reading(result, runs[setting], reading_l) for setting, result in found.by_setting.items()}
    figures = [
        *_rates(injector, rates),
        *_repeats(found.by_setting.values()),
        Figure("turn-down", found.turn_down, ": 1"),
    ]
    figures += _against_meter(work, found)
    accuracy_pct = max(100.0 * rate.u / rate.value for rate in rates.values() if rate.value > 0.0)
    told = list(_told(found.by_setting.values(), rates, injector))
    records = [*_meter_record(work, found.meter_factor)]
    points = tuple((setting, rate.value) for setting, rate in sorted(rates.items()))
    changes: list[str] = []
    if all(after > before for (_, before), (_, after) in itertools.pairwise(points)) and points[0][1] > 0.0:
        records.insert(0, Recorded(name, Curve(
            points=points, accuracy_pct=min(50.0, max(0.5, accuracy_pct)), at=work.at,
            by=work.who, how=_how(work), section=work.section,
        )))  # fmt: skip
        changes.append(
            f"Injector {name} is driven by the measured curve, {points[0][1]:.0f} to {points[-1][1]:.0f} L/h, "
            "instead of "
            f"the site file's {injector.lowest_l_h:.0f} to {injector.highest_l_h:.0f} L/h."
        )
    else:
        told.append("The rates do not rise from setting to setting, so no curve is made of them: repeat it.")
    verdict = _verdict(found.by_setting.values(), rates, injector)
    if not changes:
        verdict = Verdict.FAILED
    return Result(tuple(figures), verdict, tuple(told), tuple(changes), tuple(records), points)


def _of_one_rate(work: Work, injector: Injector, found: SettingResult, runs: list[Timed], reading_l: float) -> Result:
    rates = {1.0: _with_reading(found, runs, reading_l)}
    figures = [*_rates(injector, rates), *_repeats([found])]
    told = [*_told([found], rates, injector), f"Write rate_l_h = {rates[1.0].value:.1f} into the site file."]
    return Result(tuple(figures), _verdict([found], rates, injector), tuple(told))


def _with_reading(found: SettingResult, runs: list[Timed], reading_l: float) -> Estimate:
    """Return the rate with what scale and time leave unsure, which the repeats may not show.

    Each run loses as much to the pump's running up; a run is longer or shorter by a part of a second of the watch.
    """
    rate = found.rate_l_h
    mean_l = math.fsum(run.volume_l for run in runs) / len(runs)
    by_scale = rate.value * reading_l / mean_l / len(runs) ** 0.5
    by_time = rate.value * _RUN_UP_S / min(run.seconds for run in runs)
    return Estimate(rate.value, math.hypot(rate.u, by_scale, by_time))


def _rates(injector: Injector, rates: dict[float, Estimate]) -> list[Figure]:
    made = []
    for setting, rate in rates.items():
        promised = promised_l_h(injector, setting)
        width = BEYOND * math.hypot(injector.accuracy_pct / 100.0 * promised, rate.u)
        made.append(
            figure(f"rate at {100.0 * setting:g} %", rate, "L/h", least=promised - width, most=promised + width,
                   source="the site file's curve with its accuracy, k = 3")
        )  # fmt: skip
    return made


def _repeats(found: Collection[SettingResult]) -> list[Figure]:
    worst = max(result.repeats_pct for result in found)
    return [Figure("largest less smallest run, worst setting", worst, "%", most=REPEATS_PCT, source=_PRACTICE)]


def _against_meter(work: Work, found: InjectorResult) -> list[Figure]:
    factor = found.meter_factor
    if factor is None:
        return []
    class_pct = work.site.injector[work.subject].meter.accuracy_pct_of_reading
    error = Estimate(100.0 * (1.0 / factor.value - 1.0), 100.0 * factor.u / factor.value**2)
    source = "the meter's class in the site file"
    return [
        figure("its meter's error", error, "%", least=-class_pct - error.u, most=class_pct + error.u, source=source)
    ]


def _meter_record(work: Work, factor: Estimate | None) -> list[Recorded]:
    if factor is None:
        return []
    off_pct = abs(100.0 * (factor.value - 1.0)) + 100.0 * factor.u
    name = f"injector.{work.subject}"
    calibration = Calibration(
        instrument=name,
        accuracy_pct=min(50.0, max(0.2, off_pct)),
        at=work.at,
        by=work.who,
        how=_how(work),
    )
    return [Recorded(name.replace(".", "_"), calibration)]


def _told(found: Collection[SettingResult], rates: dict[float, Estimate], injector: Injector) -> list[str]:
    told = []
    if any(result.draws_air for result in found):
        told.append(
            "Each run gave less than the one before: the line draws air. Look at the suction line and the foot valve."
        )
    if not all(result.is_repeatable for result in found):
        told.append("The runs differ by more than practice asks for: look for air, a sticking valve, a worn diaphragm.")
    ratios = [rate.value / promised_l_h(injector, setting) for setting, rate in rates.items()]
    if max(ratios) < 0.9 and _beyond(rates, injector):
        told.append(
            "All rates are much lower than the site file's: look for air (airlock), a worn membrane, the stroke."
        )
    elif _beyond(rates, injector):
        told.append(
            "The rates differ from the site file's by more than both are unsure of: the measured ones go into the plan."
        )
    return told


def _beyond(rates: dict[float, Estimate], injector: Injector) -> bool:
    return any(
        abs(normalised_error(rate, Estimate(promised, injector.accuracy_pct / 100.0 * promised))) > BEYOND
        for setting, rate in rates.items()
        for promised in (promised_l_h(injector, setting),)
    )


def _verdict(found: Collection[SettingResult], rates: dict[float, Estimate], injector: Injector) -> Verdict:
    is_odd = any(result.draws_air or not result.is_repeatable for result in found)
    if is_odd or min(rate.value for rate in rates.values()) <= 0.0:
        return Verdict.FAILED
    return Verdict.DOUBTFUL if _beyond(rates, injector) else Verdict.PASSED


def _how(work: Work) -> str:
    way = values_of(work.entries, "way")
    return f"cylinder {way['instrument']}, water to {way['block']}"[:200]


def _parts(site: Site, name: str) -> tuple[Part, ...]:
    return (site.injector[name],)


INJECTOR: Final = Step(
    name="injector",
    title="Injector calibration",
    subjects=_subjects,
    needs=(
        "a cylinder with a scale on the suction side, large enough for the highest rate over a run",
        "the stock that will be injected: what it weighs and how thick it is count",
        "a watch, gloves, eye protection, water to wash with",
    ),
    cautions=(
        "Read the product's label and safety data sheet first, and wear what they ask for.",
        "Relieve the pressure before a hose is opened. Never look into a suction line that may spit.",
    ),
    then=_then,
    result=_result,
    parts=_parts,
    water_tonight="Water may run tonight once the flush at the end of this step is done.",
)

"""The input and output check as a step: every point one by one, and whether the module lets go by itself."""

from collections.abc import Iterator
from typing import Final

from daemon.commissioning.outputs_check import NOBODY, outputs_result
from daemon.commissioning.stages import fill, flow_of, water_to
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
    is_entered,
    values_of,
)
from daemon.commissioning.wiring import Wrong, point_finding
from daemon.dosing.agreement import Estimate
from daemon.equipment import Part, Signal
from daemon.site import Site, signals_of, wired

INPUTS, OUTPUTS, WATCHDOG = "inputs", "outputs", "watchdog"
_LISTEN_S: Final = 30.0
_HOLD_S: Final = 20.0
_MARGIN_S: Final = 3.0
"""Of silence beyond the longest time-out that the site allows."""
_NO_WATER: Final = "none: all is at rest"


def _then(site: Site, subject: str, entries: Entries) -> Stage | None:
    if subject == INPUTS:
        return _inputs(site, entries)
    return _outputs(site, entries) if subject == OUTPUTS else _watchdog(site, entries)


def _way(*more: Ask) -> Stage:
    text = (
        "Say what you hold the readings against: gauges, the transmitters' own displays, a meter on the "
        "loop, your eyes."
    )
    return Stage("way", text, (Ask("instrument", "With which instruments", form=Form.TEXT), *more))


def _inputs(site: Site, entries: Entries) -> Stage | None:
    if not is_entered(entries, "way"):
        rest = Ask("water", "Which block has water meanwhile: a flow at rest is nothing, whatever its scale",
                   form=Form.CHOICE, choices=(*site.block, _NO_WATER), default=next(iter(site.block)))  # fmt: skip
        return _way(rest)
    block = values_of(entries, "way")["water"]
    hold = {} if block == _NO_WATER else water_to(site, block)
    if hold and not is_entered(entries, "fill"):
        return fill(site, block)
    for where, signal in signals_of(site):
        if not is_entered(entries, where):
            text = (
                f"{where}: point {signal.point}. Enter what it really is now, by your own instrument, and how "
                "well you know "
                "that. A count is the change since the last entry on its own dial; enter the dial where it has one."
            )
            asks: tuple[Ask, ...] = (
                Ask("true", "What it really is", least=-1e9, most=1e12),
                Ask("true_u", "How well that is known, k = 2", least=1e-6, most=1e9),
            )
            return Stage(
                where, text, asks, hold, _shown_as(site, where), raw=(signal.point,), back_to="fill" if hold else ""
            )
    safety = site.safety
    for name, ref in (
        ("emergency_stop_healthy", safety.emergency_stop_healthy),
        ("selector_auto", safety.selector_auto),
        ("reset_button", safety.reset_button),
    ):
        if not is_entered(entries, name):
            text = (
                f"{name}: point {ref}. Have it moved to its other state and back; say whether the live "
                "reading followed."
            )
            asks = (Ask("followed", "Did the reading follow", form=Form.CHOICE, choices=("yes", "no")),)
            return Stage(name, text, asks, raw=(ref,))
    return None


def _shown_as(site: Site, where: str) -> tuple[str, ...]:
    """Return the snapshot's name of a reading, where it has one."""
    found = {
        "main.flow": "flow_m3_h",
        "main.water": "water_l",
        "main.pressure": "pressure_kpa",
        "main.background_ec": "background_ec_ms_cm",
        "main.line_ec": "line_ec_ms_cm",
        "filter.pressure_difference": "filter_difference_kpa",
    }
    found |= {f"injector.{name}.meter": f"injector.{name}.stock_l" for name in site.injector}
    found |= {f"tank.{sheet.tank}.content": f"tank.{name}.content_l" for name, sheet in site.injector.items()}
    found |= {f"block.{name}.far_ec": f"block.{name}.far_ec_ms_cm" for name in site.block}
    return (found[where],) if where in found else ()


def _outputs(site: Site, entries: Entries) -> Stage | None:
    if not is_entered(entries, "way"):
        return _way()
    for block in site.block:
        if not is_entered(entries, f"fill.{block}"):
            return fill(site, block, name=f"fill.{block}")
        hold, watch = water_to(site, block), flow_of(site)
        if not is_entered(entries, f"listen.{block}"):
            text = f"The daemon holds {block} open alone and takes the flow."
            back = f"fill.{block}"
            return Stage(f"listen.{block}", text, hold=hold, watch=watch, lasts_s=_LISTEN_S, back_to=back)
        if not is_entered(entries, f"wet.{block}"):
            text = f"The daemon has opened {block} ({site.block[block].valve}). Look which block is wet."
            choices = (*site.block, NOBODY)
            asks = (Ask("wet", "Which block is wet", form=Form.CHOICE, choices=choices),)
            return Stage(f"wet.{block}", text, asks, hold=hold, watch=watch)
    return None


def _watchdog(site: Site, entries: Entries) -> Stage | None:
    if not is_entered(entries, "way"):
        return _way()
    block = next(iter(site.block))
    if not is_entered(entries, "fill"):
        return fill(site, block)
    if not is_entered(entries, "hold"):
        text = "Water runs. In a moment the daemon falls silent, and the module must let go of its outputs by itself."
        return Stage("hold", text, hold=water_to(site, block), watch=flow_of(site), lasts_s=_HOLD_S, back_to="fill")
    if not is_entered(entries, "silence"):
        silence_s = site.safety.max_watchdog_s + _MARGIN_S
        text = (
            f"The daemon says nothing for {silence_s:g} s. Watch the relays: they must drop. If any software "
            "but this one "
            "talks to the module, let it talk: the module must not take that for its master."
        )
        return Stage("silence", text, silence_s=silence_s, back_to="fill")
    if not is_entered(entries, "seen"):
        asks = (
            Ask("setting_s", "The module's own setting, read at the module or by its software", "s", most=3600.0),
            Ask("dropped", "Did the relays drop while it was silent", form=Form.CHOICE, choices=("yes", "no")),
        )
        return Stage("seen", "Reset the alarm once the water has stopped, then enter what you saw.", asks)
    return None


def _result(work: Work) -> Result:
    if work.subject == INPUTS:
        return _of_inputs(work)
    return outputs_result(work) if work.subject == OUTPUTS else _of_watchdog(work)


def _of_inputs(work: Work) -> Result:
    told = list(_wrong_signals(work))
    for name in ("emergency_stop_healthy", "selector_auto", "reset_button"):
        if values_of(work.entries, name).get("followed") != "yes":
            told.append(f"safety.{name}: the reading does not follow. Look at its contact, its wire and its point.")
    points = sum(1 for _ in signals_of(work.site)) + 3
    figures = (Figure("points", float(points), ""), Figure("wrong", float(len(told)), "", most=0.0))
    return Result(figures, Verdict.FAILED if told else Verdict.PASSED, tuple(told))


def _wrong_signals(work: Work) -> Iterator[str]:
    for where, signal in signals_of(work.site):
        values = values_of(work.entries, where)
        raw = values.get("raw", {}).get(signal.point)
        if raw is None:
            yield f"{where}: {signal.point} does not answer. Look at the device, its address and its cable."
            continue
        point = wired(work.plant.points[signal.point], signal)
        true = Estimate(values["true"], values["true_u"] + _class_u(signal, values["true"]))
        finest = signal.per_count or signal.span * signal.accuracy_pct_of_span / 100.0
        found = point_finding(point, bytes.fromhex(raw), true, finest)
        if found.wrong is Wrong.NOTHING:
            continue
        if found.wrong is Wrong.SCALE:
            yield (
                f"{where}: the scale is off by {found.factor:g}: it would read {found.value:.4g}. Look at its "
                "span here."
            )
        elif found.wrong is Wrong.OTHER:
            yield (
                f"{where}: shows {found.value:.4g} where {true.value:.4g} is true, and neither the order of its "
                "registers "
                "nor its scale explains it: another register, another device, or the transmitter itself."
            )
        else:
            yield f"{where}: {found.wrong.value} is wrong in the profile: turned round it reads {found.value:.4g}."


def _class_u(signal: Signal, value: float) -> float:
    """Return what the instrument's own class lets it be off by."""
    return abs(value) * signal.accuracy_pct_of_reading / 100.0 + signal.span * signal.accuracy_pct_of_span / 100.0


def _of_watchdog(work: Work) -> Result:
    site, seen = work.site, values_of(work.entries, "seen")
    silence = values_of(work.entries, "silence")
    left_on = silence.get("shown", [])
    figures = (
        Figure("the module's time-out", seen["setting_s"], "s", least=0.1, most=site.safety.max_watchdog_s,
               source="max_watchdog_s of the site"),
        Figure("outputs on after the silence", float(len(left_on)), "", most=0.0),
    )  # fmt: skip
    told = []
    if left_on or seen["dropped"] == "no":
        told.append(
            f"After {silence['seconds']:g} s without a word these were still on: "
            f"{', '.join(left_on) or 'as you saw'}. Set "
            "the module's time-out, and see that no other master feeds it. Nothing may run with nobody there "
            "until then."
        )
    if not figures[0].is_in_band:
        told.append(f"Set the module's time-out above 0 and to {site.safety.max_watchdog_s:g} s at most.")
    return Result(figures, Verdict.FAILED if told else Verdict.PASSED, tuple(told))


def _parts(site: Site, subject: str) -> tuple[Part, ...]:
    if subject == INPUTS:
        return (*site.device.values(), *(signal for _, signal in signals_of(site)), site.safety)
    if subject == OUTPUTS:
        return (*site.device.values(), *site.block.values())
    return (*site.device.values(), site.safety)


POINTS: Final = Step(
    name="points",
    title="Input and output check",
    subjects=lambda _site: (INPUTS, OUTPUTS, WATCHDOG),
    needs=("the wiring plan", "gauges, a loop meter, somebody in the field who tells what is wet"),
    cautions=("Valves and the pump move. Warn whoever is in the field, and keep the emergency stop within reach.",),
    then=_then,
    result=_result,
    parts=_parts,
)

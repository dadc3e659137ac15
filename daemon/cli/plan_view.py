"""How the plan of a night is shown: as text, and as JSON."""

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from daemon.cli.rehearsal import Rehearsal
from daemon.cli.tables import table
from daemon.decisions.timetable import Tonight
from daemon.dosing.outcome import block_doses
from daemon.planning.checks import Check
from daemon.planning.outlook import Outlook, TonightRun
from daemon.planning.tanks_tonight import tank_text
from daemon.recipe import BlockPlan, ChannelPlan, Recipe
from daemon.runtime.tonight import plan_content
from daemon.site import Plant
from daemon.units import kilograms

_DRAFT = "A draft of the command line: the daemon plans for itself, and its own plan is what runs."
_HEADS = ("channel", "stock", "from", "to", "rate", "ratio", "litres", "in the line")


def is_refused(outlook: Outlook) -> bool:
    """Return whether a shift is refused; one that somebody skipped is not."""
    return any(_is_refused(run) for start in outlook.starts for run in start.runs)


def plan_lines(plant: Plant, outlook: Outlook, now: datetime) -> Iterator[str]:
    """Yield the whole night."""
    zone = ZoneInfo(plant.site.site.zone)
    yield f"{plant.site.site.name}, night of {outlook.night:%a %d %b %Y}, planned as of {now:%a %d %b %H:%M}."
    yield _DRAFT
    if not outlook.starts:
        yield "Nothing starts on this night. What runs when: shiftwright program list SITE"
    for start in outlook.starts:
        yield ""
        begun = "; made already" if start.is_begun else ""
        yield f"Start {_clock(start.start.at, zone)} of timetable {start.start.timetable}{begun}"
        for run in start.runs:
            yield ""
            yield from _run_lines(plant, run, zone)
    if outlook.tanks or outlook.checks:
        yield ""
    yield from (tank_text(tank, zone) for tank in outlook.tanks)
    yield from (_check_line(check) for check in _sorted(outlook.checks))


def plan_figures(outlook: Outlook, now: datetime) -> dict[str, Any]:
    """Return the whole night as JSON has it: in the form of the daemon's own plan, marked as a draft."""
    return {"planned_at": now.isoformat(timespec="seconds"), "is_draft": True, **plan_content(outlook)}


def rehearsal_figures(done: Rehearsal) -> dict[str, Any]:
    """Return what was delivered on the simulator as JSON has it."""
    return {
        "simulated_s": done.simulated_s,
        "wall_s": done.wall_s,
        "refused": list(done.refused),
        "runs": [
            {
                "run": report.started.row.run,
                "shift": report.started.row.shift,
                "outcome": report.ended.row.outcome if report.ended is not None else None,
                "doses": [
                    {
                        "block": dose.block,
                        "nutrient": dose.nutrient,
                        "planned_kg": kilograms(dose.planned_mg),
                        "delivered_kg": kilograms(dose.delivered_mg),
                        "u_k2_kg": kilograms(dose.u_delivered_mg),
                        "truth_kg": round(done.truth_kg[report.started.row.run][dose.block].get(dose.nutrient, 0.0), 6),
                    }
                    for dose in block_doses(report.found)
                ],
            }
            for report in done.reports
        ],
    }


def _run_lines(plant: Plant, run: TonightRun, zone: ZoneInfo) -> Iterator[str]:
    recipe = run.recipe
    if recipe is None:
        word = "REFUSED" if _is_refused(run) else "does not run"
        yield f"Shift {run.shift} (program {run.program}): {word}"
    else:
        times = f"{_clock(run.begins, zone)} to {_clock(run.ends, zone)}"
        water = f"{recipe.water_l / 1000.0:.1f} m3 at {recipe.flow_m3_h:.1f} m3/h"
        yield f"Shift {run.shift} (program {run.program}): {times}, {water}"
    shown = _sorted(run.checks)
    yield from (f"  {_check_line(check)}" for check in shown if _is_loud(check))
    if recipe is not None:
        begins = run.begins + timedelta(seconds=plant.site.limits.settle_s)
        yield f"  {'; '.join(_phases(recipe, begins, zone))}"
        if recipe.channels:
            rows = [_channel_row(recipe, channel, begins, zone) for channel in recipe.channels]
            yield from (f"  {line}" for line in table(_HEADS, rows))
        yield from (f"  {line}" for line in _blocks(recipe.blocks))
    yield from (f"  {_check_line(check)}" for check in shown if not _is_loud(check))


def _phases(recipe: Recipe, begins: datetime, zone: ZoneInfo) -> Iterator[str]:
    """Yield each phase with its water and minutes, as by volume at the shift's flow."""
    rest_l = recipe.water_l - recipe.prewet_l - recipe.inject_l - recipe.flush_l
    name = "pre-wet" if recipe.channels else "water"
    parts = ((name, recipe.prewet_l), ("inject", recipe.inject_l), ("flush", recipe.flush_l), ("water", rest_l))
    passed_l = 0.0
    for what, water_l in parts:
        if water_l >= 1.0:
            at = _clock(begins + _in(recipe, passed_l), zone)
            yield f"{what} {at} {water_l / 1000.0:.1f} m3 {_in(recipe, water_l) / timedelta(minutes=1):.0f} min"
        passed_l += water_l


def _channel_row(recipe: Recipe, channel: ChannelPlan, begins: datetime, zone: ZoneInfo) -> tuple[str, ...]:
    first_l = recipe.prewet_l + _waits_l(recipe, channel)
    last_l = first_l + _window_l(channel)
    holds = (f"{name} {1000.0 * g_l * channel.ratio:.0f}" for name, g_l in channel.nutrients_g_l.items())
    ec = f", EC +{channel.ec_rise_ms_cm:.2f} mS/cm" if channel.ec_rise_ms_cm else ""
    return (
        channel.channel,
        channel.stock,
        _clock(begins + _in(recipe, first_l), zone),
        _clock(begins + _in(recipe, last_l), zone),
        f"{1000.0 * channel.ratio * recipe.flow_m3_h:.0f} L/h",
        f"1:{1.0 / channel.ratio:.0f}",
        f"{channel.stock_l:.1f} L",
        f"{', '.join(holds)} g/m3{ec}",
    )


def _waits_l(recipe: Recipe, channel: ChannelPlan) -> float:
    """Return the water of INJECT that passes before a channel begins: as planned, and after the one before it."""
    before = next((one for one in recipe.channels if one.channel == channel.after), None)
    if before is None:
        return channel.start_l
    return max(channel.start_l, _waits_l(recipe, before) + _window_l(before) + channel.rinse_l)


def _window_l(channel: ChannelPlan) -> float:
    return channel.stock_l / channel.ratio


def _blocks(blocks: Iterable[BlockPlan]) -> list[str]:
    """Return what each block is to get, in kg/ha."""
    nutrients = list(dict.fromkeys(name for block in blocks for masses in block.planned_mg.values() for name in masses))
    rows = []
    for block in blocks:
        kg = {name: sum(kilograms(masses.get(name, 0)) for masses in block.planned_mg.values()) for name in nutrients}
        doses = (f"{kg[name] / block.area_ha:.2f}" for name in nutrients)
        rows.append((block.block, f"{block.area_ha:.2f}", f"{100.0 * block.share:.0f}", *doses))
    return table(("block", "ha", "% of flow", *(f"{name} kg/ha" for name in nutrients)), rows)


def _in(recipe: Recipe, water_l: float) -> timedelta:
    return timedelta(hours=water_l / 1000.0 / recipe.flow_m3_h)


def _is_refused(run: TonightRun) -> bool:
    """Return whether a run is refused for another reason than that somebody skipped it."""
    failed = [check for check in run.checks if not check.passed]
    return run.recipe is None and not (failed and all(check.what == Tonight.kind for check in failed))


def _is_loud(check: Check) -> bool:
    return check.warns or not check.passed


def _sorted(checks: Iterable[Check]) -> list[Check]:
    """Return what failed, then what warns, then what passed."""
    return sorted(checks, key=lambda check: (check.passed, not check.warns))


def _check_line(check: Check) -> str:
    mark = "FAILED" if not check.passed else "mind" if check.warns else "ok"
    return f"{mark}: {check.what}: {check.reason}"


def _clock(at: datetime, zone: ZoneInfo) -> str:
    return f"{at.astimezone(zone):%H:%M}"

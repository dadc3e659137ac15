"""The dry night as a step: a block's shift with water alone, then one with a little fertiliser as its tracer."""

from typing import Final

from daemon.commissioning.stages import flow_figure, flow_of
from daemon.commissioning.step import (
    Ask,
    Entries,
    Figure,
    Form,
    Result,
    Stage,
    Step,
    Until,
    Verdict,
    Work,
    column,
    is_entered,
    values_of,
    verdict_of,
)
from daemon.control.cause import Priority
from daemon.control.interlocks import BY_CODE
from daemon.equipment import Part
from daemon.site import Site

_IDLE_S: Final = 300.0
"""A run that has not begun by then does not begin."""
_MIDDLE: Final = (0.4, 0.9)
"""Of a run's readings: past its fill, before its valves shut."""
_GOOD: Final = "COMPLETE"


def _then(site: Site, block: str, entries: Entries) -> Stage | None:
    if not is_entered(entries, "way"):
        text = "Every valve stands as it does at night, and nobody is in the block. Say how long the water is to run."
        asks: tuple[Ask, ...] = (
            Ask("minutes", "Water alone, for so long", "min", least=1.0, most=240.0, default=30.0),
            Ask("tracer", "Then this program, with fertiliser; leave it out to stop after the water", form=Form.TEXT,
                is_optional=True),
        )  # fmt: skip
        return Stage("way", text, asks)
    way, watch = values_of(entries, "way"), flow_of(site)
    if not is_entered(entries, "water"):
        text = "The daemon runs the block's water as it does at night. Walk the line meanwhile, and listen."
        start = {"block": block, "minutes": way["minutes"]}
        return Stage("water", text, watch=watch, start=start, lasts_s=_IDLE_S, until=Until.OVER)
    if "tracer" in way and not is_entered(entries, "tracer"):
        text = "The daemon runs the program as it does at night, fertiliser and flush among it."
        seen = (*watch, *(("line_ec_ms_cm",) if site.main.line_ec is not None else ()))
        start = {"programs": [way["tracer"]]}
        return Stage("tracer", text, watch=seen, start=start, lasts_s=_IDLE_S, until=Until.OVER)
    return None


def _result(work: Work) -> Result:
    figures: list[Figure] = []
    told: list[str] = []
    for stage in ("water", "tracer"):
        if not is_entered(work.entries, stage):
            continue
        values = values_of(work.entries, stage)
        causes = [name for name in values.get("causes", []) if BY_CODE[name].priority is not Priority.NONE]
        figures.append(Figure(f"alarms, {stage}", float(len(causes)), "", most=0.0))
        if causes:
            told.append(f"{stage}: {', '.join(causes)}. Look at each before it runs with nobody there.")
        if values.get("ended") != _GOOD:
            figures.append(Figure(f"runs that did not end well, {stage}", 1.0, "", most=0.0))
            told.append(f"{stage}: the run ended {values.get('ended')}.")
        flows = [value for _, value in column(values, "flow_m3_h")]
        middle = sorted(flows[int(_MIDDLE[0] * len(flows)) : int(_MIDDLE[1] * len(flows))])
        if stage == "water" and middle:
            figures.append(flow_figure(work.site, work.subject, middle[len(middle) // 2]))
    verdict = verdict_of(figures)
    if verdict is Verdict.PASSED and not is_entered(work.entries, "tracer"):
        verdict = Verdict.DOUBTFUL
        told.append(
            "Water alone was tried. Repeat it with a program as its tracer before the first night with nobody there."
        )
    return Result(tuple(figures), verdict, tuple(told))


def _parts(site: Site, block: str) -> tuple[Part, ...]:
    return (site.block[block], site.limits)


DRY_NIGHT: Final = Step(
    name="dry_night",
    title="Dry night",
    subjects=lambda site: tuple(site.block),
    needs=("somebody at the shed and somebody in the block", "for the tracer: a program of little fertiliser"),
    cautions=("It runs as at night: valves and pump move by themselves. Keep the emergency stop within reach.",),
    then=_then,
    result=_result,
    parts=_parts,
)

"""Filter and fill as a step: how long a block takes until it is steady, and what a backwash does to the flow."""

from statistics import median
from typing import Final

from daemon.commissioning.stages import FILL_S, flow_figure, flow_of, water_to
from daemon.commissioning.steady import Watched, steady_from
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
    column,
    is_entered,
    values_of,
    verdict_of,
)
from daemon.equipment import Part
from daemon.hydraulics.pipes import fill_l, shared_main_l
from daemon.site import Site

_SETTLE_S: Final = 60.0
"""More of the record behind the moment when it is steady: what it settles at is taken from its end."""
_WASH_S: Final = 1800.0
_NOBODY: Final = "none of these"
_QUIET_S: Final = 600.0
_RUN_DOWN_S: Final = 60.0
"""Until pump and valves have come to rest (engineering judgement)."""
_QUIET_COUNTS: Final = 2.0
_LONGER: Final = 1.5
"""Times the filter's own backwash_s: longer than that and its clock or its valve is not as written."""
_STEADY: Final = "within 3 % of what it settles at: common practice, no source"


def _then(site: Site, block: str, entries: Entries) -> Stage | None:
    washes = site.filter is not None and site.filter.backwashing is not None
    if not is_entered(entries, "way"):
        text = "Let the lines lie at rest as long as they do before a night. Then say with what you watch."
        return Stage("way", text, (Ask("instrument", "With which instruments", form=Form.TEXT),))
    hold, watch = water_to(site, block), flow_of(site)
    if not is_entered(entries, "fill"):
        text = (
            f"The daemon opens {block} and starts the pump. Walk the block: look for leaks and for emitters "
            "that are dry."
        )
        return Stage("fill", text, hold=hold, watch=watch, lasts_s=FILL_S, until=Until.STEADY)
    if not is_entered(entries, "settle"):
        text = "The daemon watches for another minute."
        return Stage("settle", text, hold=hold, watch=watch, lasts_s=_SETTLE_S, back_to="fill")
    if washes and not is_entered(entries, "by_hand"):
        text = "Go to the filter, and say so as you start a backwash there by hand."
        return Stage("by_hand", text, hold=hold, watch=watch)
    if washes and not is_entered(entries, "wash"):
        text = "The daemon watches the backwash begin and end."
        return Stage("wash", text, hold=hold, watch=watch, lasts_s=_WASH_S, until=Until.WASHED, back_to="by_hand")
    if not is_entered(entries, "quiet"):
        text = "Pump and valves are off. Leave all shut: the daemon looks whether water still passes the main meter."
        return Stage("quiet", text, watch=watch, lasts_s=_QUIET_S, shows_outputs=True)
    passed_l = _at_rest_l(entries)
    if passed_l is not None and abs(passed_l) > _most_at_rest_l(site) and not is_entered(entries, "look"):
        text = (
            f"The main meter counted {passed_l:+.0f} L with everything off. It may have come or gone: most meters "
            "count both the same. Look which block is wet."
        )
        asks = (Ask("wet", "Which block is wet", form=Form.CHOICE, choices=(*site.block, _NOBODY)),)
        return Stage("look", text, asks, watch=watch)
    return None


def _result(work: Work) -> Result:
    site, block = work.site, work.site.block[work.subject]
    found = steady_from(_watched(work, "pressure_kpa"))
    flow = _watched(work, "flow_m3_h") if site.main.flow is not None else []
    flow_at = steady_from(flow) if flow else found
    last = max(found, flow_at, key=lambda one: one.at_s)
    holds_l = (shared_main_l(site.main) if block.drains else 0.0) + fill_l(block)
    figures = [
        Figure("time until steady", last.at_s, "s", most=site.limits.fill_max_s,
               source=f"fill_max_s of the site; {_STEADY}"),
        Figure("water until steady", last.passed_l, "L"),
        Figure("what the pipes hold", holds_l, "L"),
        Figure("steady pressure", found.value, "kPa", least=site.main.min_pressure_kpa, most=site.main.max_pressure_kpa,
               source="min_pressure_kpa and max_pressure_kpa of the site"),
    ]  # fmt: skip
    told = []
    if flow:
        figures.append(flow_figure(site, work.subject, flow_at.value))
        if not figures[-1].is_in_band:
            more = flow_at.value > block.flow_m3_h
            told.append(
                "It takes more than its emitters do. Test the main meter first, then look for a leak, an open end, "
                "another valve that stands open."
                if more
                else "It takes less than its emitters do. Test the main meter first, then look for a valve that is "
                "part shut, a blocked filter, emitters of another rate."
            )
    told += list(_wash(work, figures))
    told += list(_quiet(work, figures))
    return Result(tuple(figures), verdict_of(figures), tuple(told))


def _watched(work: Work, reading: str) -> list[Watched]:
    """Return a reading over fill and settling, with seconds and litres from when pump and valve were on."""
    on_at_s = values_of(work.entries, "fill").get("on_at_s")
    found: list[Watched] = []
    zero_l: float | None = None
    for stage in ("fill", "settle"):
        values = values_of(work.entries, stage)
        litres = dict(column(values, "water_l"))
        for at_s, value in column(values, reading):
            if on_at_s is None or at_s < on_at_s or at_s not in litres:
                continue
            zero_l = litres[at_s] if zero_l is None else zero_l
            found.append(Watched(at_s - on_at_s, value, litres[at_s] - zero_l))
    return found


def _wash(work: Work, figures: list[Figure]) -> list[str]:
    """Add what the backwash did. It is told by the flow and pressure that it takes, where they fall."""
    values, strainer = values_of(work.entries, "wash"), work.site.filter
    kpa = [value for _, value in column(values, "pressure_kpa")]
    if not kpa or strainer is None:
        return []
    steady = median(kpa)
    figures.append(Figure("pressure lost in a backwash", steady - min(kpa), "kPa"))
    flows = [value for _, value in column(values, "flow_m3_h")]
    if flows:
        steady = median(flows)
        figures.append(
            Figure("change of flow in a backwash", max(flows, key=lambda v: abs(v - steady)) - steady, "m3/h")
        )
    figures.append(
        Figure("a backwash, from its begin to its end", values.get("washed_s", 0.0), "s",
               most=_LONGER * strainer.backwash_s, source="backwash_s of the site")
    )  # fmt: skip
    return []


def _quiet(work: Work, figures: list[Figure]) -> list[str]:
    """Add what passed the main meter with everything off. Raises ValueError where it was not counted."""
    passed_l, most_l = _at_rest_l(work.entries), _most_at_rest_l(work.site)
    if passed_l is None:
        raise ValueError("got no count of the main meter at rest; expected some: look at its signal, and repeat quiet")
    figures.append(
        Figure("water with everything off", passed_l, "L", least=-most_l, most=most_l,
               source="two counts either way (arithmetic): one may be due at each end")
    )  # fmt: skip
    if abs(passed_l) <= most_l:
        return []
    wet = values_of(work.entries, "look")["wet"]
    if wet != _NOBODY:
        return [f"Water came with everything off and {wet} is wet: its valve does not shut. See to it first."]
    if passed_l < 0.0 or "backflow" in values_of(work.entries, "quiet")["caused"]:
        return ["Water ran back with everything off: the check valve leaks, or dirt holds it open. See to it first."]
    return [
        "The main meter counts with everything off and no block is wet: the check valve leaks and water runs back, or "
        "a pipe leaks before the valves. Shut the main valve by hand: if it goes on counting, look before it."
    ]


def _at_rest_l(entries: Entries) -> float | None:
    """Return the litres counted with everything off, once pump and valves have come to rest; None for no count."""
    counted = column(values_of(entries, "quiet"), "water_l")
    late = [litres for at_s, litres in counted if at_s >= counted[0][0] + _RUN_DOWN_S]
    return late[-1] - late[0] if late else None


def _most_at_rest_l(site: Site) -> float:
    return _QUIET_COUNTS * (site.main.water.per_count or 1.0)


def _parts(site: Site, block: str) -> tuple[Part, ...]:
    found = site.block[block]
    return (found.submain, found.lateral, *found.pipes, *((site.filter,) if site.filter is not None else ()))


FILL: Final = Step(
    name="fill",
    title="Filter and fill",
    subjects=lambda site: tuple(site.block),
    needs=("somebody who walks the block", "the filter's own start of a backwash, by hand"),
    cautions=("Open ends spray hard as the air leaves them: stand aside.",),
    then=_then,
    result=_result,
    parts=_parts,
)

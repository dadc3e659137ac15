"""A displacement tank as a step: the volume that it acts with, from how its stock thins out in the line."""

import math
from statistics import fmean
from typing import Final

from daemon.commissioning.stages import block_asked, fill, flow_of, rinse, water_to
from daemon.commissioning.step import (
    Ask,
    Entries,
    Figure,
    Form,
    Result,
    Stage,
    Step,
    Work,
    column,
    figure,
    is_entered,
    values_of,
    verdict_of,
)
from daemon.commissioning.tank_test import Thinned, tank_result
from daemon.equipment import DisplacementTank, Part
from daemon.site import Site

_VOLUMES: Final = 2.5
"""Tank volumes of water to watch: by then 8 % of the stock is left (row T1 of the domain sheet)."""
_LEAST_S, _MOST_S = 120.0, 7200.0
_MIXED: Final = (0.5, 1.1)
"""Of the plate's volume: a tank acts with all of it at most (engineering judgement)."""
_EC: Final = "line_ec_ms_cm"


def _subjects(site: Site) -> tuple[str, ...]:
    if site.main.line_ec is None:
        return ()
    return tuple(name for name, injector in site.injector.items() if isinstance(injector, DisplacementTank))


def _volume_l(site: Site, name: str) -> float:
    return site.tank[site.injector[name].tank].volume_l


def _then(site: Site, name: str, entries: Entries) -> Stage | None:
    if not is_entered(entries, "way"):
        text = "Shut the water, fill the tank with stock in which all is dissolved, and close it."
        return Stage("way", text, (block_asked(site), Ask("instrument", "What is in it, and how much", form=Form.TEXT)))
    block = values_of(entries, "way")["block"]
    water, watch = water_to(site, block), (f"injector.{name}.stock_l", _EC, *flow_of(site))
    if not is_entered(entries, "fill"):
        return fill(site, block, watch=(_EC,))
    if not is_entered(entries, "open"):
        through_s = _VOLUMES * _volume_l(site, name) / site.injector[name].highest_l_h * 3600.0
        lasts_s = min(_MOST_S, max(_LEAST_S, through_s))
        text = f"The daemon opens the tank for {lasts_s / 60.0:.0f} minutes and watches the line's EC fall."
        hold = {**water, f"injector.{name}": 1.0}
        return Stage("open", text, hold=hold, watch=watch, lasts_s=lasts_s, back_to="fill")
    return None if is_entered(entries, "rinse") else rinse()


def _result(work: Work) -> Result:
    name = work.subject
    before = [value for _, value in column(values_of(work.entries, "fill"), _EC)]
    if not before:
        raise ValueError("got no reading of the line's EC before the tank was opened; expected the water's own")
    readings = _readings(work)
    strongest = max(range(len(readings)), key=lambda n: readings[n].ms_cm, default=0)
    found = tank_result(readings[strongest:], fmean(before[len(before) // 2 :]))
    plate_l, litres = _volume_l(work.site, name), found.volume_l
    least, most = _MIXED[0] * plate_l - litres.u, _MIXED[1] * plate_l + litres.u
    figures = (
        figure("effective volume", litres, "L", least=least, most=most,
               source="half to all of the plate's volume (engineering judgement)"),
        Figure("tank volumes that passed", found.volumes, ""),
        Figure("left in the tank", 100.0 * math.exp(-found.volumes), "%"),
    )  # fmt: skip
    told = [f"Write volume_l = {litres.value:.0f} for its tank into the site file: doses of it are planned by that."]
    if not figures[0].is_in_band:
        told.append("Look for salt that is not dissolved, for air in the tank, and whether its flow is as written.")
    curve = tuple((one.through_l, one.ms_cm) for one in readings[:: max(1, len(readings) // 150)])
    return Result(figures, verdict_of(figures), tuple(told), curve=curve)


def _readings(work: Work) -> list[Thinned]:
    """Return the line's EC along the water that has passed the tank: by its meter, or by its rate where it has none."""
    opened, injector = values_of(work.entries, "open"), work.site.injector[work.subject]
    counted, on_at_s = dict(column(opened, f"injector.{work.subject}.stock_l")), opened.get("on_at_s")
    if on_at_s is None:
        raise ValueError("got a tank that was never open; expected it open: repeat the stage")
    first_l = opened["first"].get(f"injector.{work.subject}.stock_l")
    found = []
    for at_s, ms_cm in column(opened, _EC):
        if at_s < on_at_s:
            continue
        by_rate_l = injector.highest_l_h * (at_s - on_at_s) / 3600.0
        through_l = counted[at_s] - first_l if first_l is not None and at_s in counted else by_rate_l
        found.append(Thinned(through_l, ms_cm))
    return found


def _parts(site: Site, name: str) -> tuple[Part, ...]:
    injector = site.injector[name]
    return (injector, site.tank[injector.tank])


TANK: Final = Step(
    name="tank",
    title="Displacement tank",
    subjects=_subjects,
    needs=("stock of one salt, all dissolved", "the line's EC probe, in order (see its step)"),
    cautions=(
        "The tank is under the line's pressure: relieve it before the lid is opened.",
        "Nobody drinks from the lines until the flush at the end is done.",
    ),
    then=_then,
    result=_result,
    parts=_parts,
    water_tonight="Water may run tonight once the flush at the end of this step is done.",
)

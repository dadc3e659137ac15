"""What to say of a displacement tank's charge before it is washed out: solids in it, and who else counts on it."""

from collections.abc import Iterator, Mapping, Sequence

from daemon.agronomy.contents import Contents
from daemon.agronomy.products import substance_of
from daemon.agronomy.substance import Substance
from daemon.decisions.base import Decisions
from daemon.decisions.tanks import Product, Stock
from daemon.decisions.watering import Program
from daemon.equipment import DisplacementTank
from daemon.planning.channels import ChannelDose
from daemon.planning.checks import Check, warning
from daemon.planning.displacement import (
    WASHED_OUT,
    dissolving_l,
    left_g,
    saturated_g_l,
    through_l_with_solids,
    washed_out,
)
from daemon.planning.lookup import find
from daemon.site import Site

_MISS = 0.02
"""Of the load: more than this left behind for solids that had not dissolved is refused (common practice, no source)."""


def check_charges(
    site: Site, decisions: Decisions, program_key: str, doses: Sequence[ChannelDose], flow_m3_h: float
) -> Iterator[Check]:
    """Yield what there is to say of each displacement tank of a run."""
    products = {key: found for (_, key), found in decisions.items() if isinstance(found, Product)}
    programs = {key: found for (_, key), found in decisions.items() if isinstance(found, Program)}
    for dose in doses:
        injector = site.injector[dose.channel]
        if isinstance(injector, DisplacementTank):
            substances = {name: substance_of(name, products) for name in dose.contents.products_g_l}
            coldest_c = find(decisions, Stock, dose.contents.stock).coldest_c
            through_l = dose.inject_l / 1000.0 / flow_m3_h * injector.rate_l_h
            tank_l = site.tank[dose.contents.tank].volume_l
            yield from _check_solids(dose.contents, substances, coldest_c, tank_l, through_l)
            yield from _check_charge(dose.contents, program_key, programs)


def _check_solids(
    contents: Contents, products: Mapping[str, Substance], coldest_c: float, tank_l: float, through_l: float
) -> tuple[Check, ...]:
    """Return what to say of a load that is not all dissolved: `through_l` is the water that washes the tank out."""
    checks: list[Check] = []
    for name, g_l in contents.products_g_l.items():
        most_g_l = saturated_g_l(products[name], coldest_c)
        if most_g_l is None or g_l <= most_g_l:
            continue
        load_g = g_l * tank_l
        lies_l = dissolving_l(load_g, most_g_l, tank_l)
        needs_l = through_l_with_solids(WASHED_OUT, load_g, most_g_l, tank_l)
        left = left_g(load_g, most_g_l, tank_l, through_l) / load_g
        reason = (
            f"tank {contents.tank} holds {g_l:.0f} g/L of {products[name].title}, and {most_g_l:.0f} dissolve at "
            f"{coldest_c:g} °C: it stays as strong until {lies_l:.0f} L have passed, and needs {needs_l:.0f} L for "
            f"{100.0 * WASHED_OUT:.0f} %. After the {through_l:.0f} L that are planned {100.0 * left:.1f} % stay behind"
        )
        is_well = left <= 1.0 - WASHED_OUT + _MISS
        mend = "" if is_well else ". Load less, or dissolve it first"
        checks.append(Check("undissolved", is_well, reason + mend, warns=is_well))
    return tuple(checks)


def _check_charge(contents: Contents, program_key: str, programs: Mapping[str, Program]) -> tuple[Check, ...]:
    """Return a warning where other programs go by the same charge of a tank: each shift needs its own."""
    others = sorted(
        key
        for key, program in programs.items()
        if key != program_key and any(injection.stock == contents.stock for injection in program.injections)
    )
    if not others:
        return ()
    parts = " / ".join(f"{100.0 * (washed_out(n) - washed_out(n - 1)):.2g}" for n in (1, 2, 3))
    reason = (
        f"charge {contents.batch} of tank {contents.tank} is for this shift alone, and so is one for each of "
        f"{', '.join(others)}: shifts of one tank volume each that share a charge get {parts} % of it"
    )
    return (warning("one charge", reason),)

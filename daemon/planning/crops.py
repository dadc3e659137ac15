"""What the agronomy says of a planned run: the line, the crop's own limits, and the caps."""

from collections.abc import Iterator, Sequence

from daemon.agronomy.caps import (
    ROUNDING_KG,
    CapCheck,
    Masses,
    Room,
    check_caps,
    first_at_cap,
    most_times_planned,
    over_text,
)
from daemon.agronomy.line import check_line
from daemon.agronomy.products import substance_of
from daemon.agronomy.supply import nitrate_kg, supply, zone_of
from daemon.agronomy.verdict import Finding, Verdict
from daemon.decisions.base import Decisions, of_kind
from daemon.decisions.tanks import Product, Water
from daemon.decisions.watering import Program
from daemon.planning.channels import ChannelDose
from daemon.planning.checks import Check, warning
from daemon.planning.field import Field
from daemon.planning.lookup import cycle_on, find

_TOO_LITTLE = 0.05
"""Of the plan: where a cap leaves less, nothing is injected (common practice, no source)."""
_FIGURES = 3
"""Of the line's grams in a litre: a tank's strength is not known better, and lines as good as equal are judged once."""
_SAME = 1e-9
"""A cap that cuts less than this of the plan cuts nothing: rounding."""


def brought_kg(
    decisions: Decisions, program: Program, doses: Sequence[ChannelDose], field: Field, water_m3: float
) -> Masses:
    """Return what a run brings each block by block and nutrient: its stocks', and the nitrogen of its water."""
    found: dict[str, dict[str, float]] = {block: {} for block in field.shares}
    for block, masses in (item for dose in doses for item in _stock_kg(dose, field).items()):
        for nutrient, kg in masses.items():
            found[block][nutrient] = found[block].get(nutrient, 0.0) + kg
    for block, share in field.shares.items():
        water_kg = nitrate_kg(decisions, program.source or "", water_m3 * share)
        if water_kg:
            found[block]["N"] = found[block].get("N", 0.0) + water_kg
    return found


def most_of_plan(
    decisions: Decisions, program: Program, doses: Sequence[ChannelDose], field: Field, water_m3: float
) -> dict[str, float]:
    """Return by channel how many times its plan it may inject until a block is at a hard cap, where there is one."""
    return most_times_planned(
        _hard(decisions, field),
        {dose.channel: _stock_kg(dose, field) for dose in doses},
        brought_kg(decisions, program, doses, field, water_m3),
    )


def limit_to_caps(
    decisions: Decisions, program: Program, doses: Sequence[ChannelDose], field: Field, water_m3: float
) -> tuple[float, tuple[Check, ...]]:
    """Return the factor, 0 to 1, by which all stock is cut so that no block passes a hard cap, and what to say of it.

    The nitrate that the water brings is not cut.
    """
    planned_kg = brought_kg(decisions, program, doses, field, water_m3)
    stocks_kg = {dose.channel: _stock_kg(dose, field) for dose in doses}
    first = first_at_cap(_hard(decisions, field), stocks_kg, planned_kg)
    if first is None or first[0] >= 1.0 - _SAME:
        return 1.0, ()
    times, room = first
    factor = times if times >= _TOO_LITTLE else 0.0
    wanted_kg = sum(planned_kg.get(block, {}).get(room.cap.nutrient, 0.0) for block in room.blocks)
    wanted, allowed = wanted_kg / room.area_ha, room.left_kg / room.area_ha
    where = f"block {room.blocks[0]}" if room.cap.basis == "each_hectare" else f"the mean of {len(room.blocks)} blocks"
    reason = (
        f"cap {room.key} ({room.cap.why}): {room.cap.kg_ha:g} kg {room.cap.nutrient}/ha in {over_text(room.cap)}; "
        f"{where} had {room.used_kg / room.area_ha:.4g} so far, {wanted:.4g} is wanted and {allowed:.4g} is allowed: "
    )
    reason += f"all stock is cut to {100.0 * factor:.3g} %" if factor else "nothing is injected"
    return factor, (warning("cap", reason),)


def _hard(decisions: Decisions, field: Field) -> tuple[Room, ...]:
    """Return what those caps leave that refuse a plan and stop the injector."""
    return tuple(room for room in field.rooms(decisions) if room.cap.strict == "hard")


def _stock_kg(dose: ChannelDose, field: Field) -> Masses:
    """Return what one channel brings."""
    return {
        block: {nutrient: share * g_l * dose.stock_l / 1000.0 for nutrient, g_l in dose.contents.nutrients_g_l.items()}
        for block, share in field.shares.items()
    }


def check_crops(
    decisions: Decisions, program: Program, doses: Sequence[ChannelDose], field: Field, water_m3: float
) -> tuple[Check, ...]:
    """Return what speaks for and against a run. Raises PlanError when the program's source is not known."""
    planned_kg = brought_kg(decisions, program, doses, field, water_m3)
    stocks_kg = [_stock_kg(dose, field) for dose in doses]
    caps = check_caps(decisions, planned_kg, field.farm_ha, field.past, field.now, field.rooms(decisions))
    return (
        *_check_lines(decisions, program, doses),
        *_check_limits(decisions, doses, planned_kg, field),
        *(_capped(cap, stocks_kg) for cap in caps),
    )


def _capped(cap: CapCheck, stocks_kg: Sequence[Masses]) -> Check:
    """Return a cap's check. What the water alone brings warns: a cap on fertiliser takes no block its water."""
    traces = all(
        sum(masses.get(block, {}).get(cap.nutrient, 0.0) for block in cap.blocks) <= ROUNDING_KG for masses in stocks_kg
    )
    if not cap.passed and traces:
        return warning("cap", f"{cap.reason}: it is the water's own, which is not refused")
    return Check("cap", cap.passed, cap.reason, cap.warns)


def _check_lines(decisions: Decisions, program: Program, doses: Sequence[ChannelDose]) -> Iterator[Check]:
    """Yield what may fall out on the way: stocks that are injected together are one line."""
    water = find(decisions, Water, program.source) if program.source is not None else None
    products = of_kind(decisions, Product)
    lines = [doses] if program.order == "together" else [[dose] for dose in doses]
    findings: dict[Finding, None] = {}  # of lines in turn some say the same
    for line in lines:
        parts = [
            (substance_of(name, products), float(f"{g_l * dose.peak_ratio:.{_FIGURES}g}"))
            for dose in line
            for name, g_l in dose.contents.products_g_l.items()
        ]
        findings |= dict.fromkeys(check_line(parts, water))
    for finding in findings:
        reason = f"{finding.reason}: {finding.mend}" if finding.mend else finding.reason
        yield Check("line", finding.verdict is not Verdict.DO_NOT, reason, finding.verdict is Verdict.WITH_CARE)


def _check_limits(
    decisions: Decisions, doses: Sequence[ChannelDose], planned_kg: Masses, field: Field
) -> Iterator[Check]:
    """Yield where a run goes past what the crop of a block bears."""
    nitrogen_g = sum(dose.contents.nutrients_g_l.get("N", 0.0) * dose.stock_l for dose in doses)
    ammonium_g = sum(dose.contents.nitrogen_g_l.get("ammonium", 0.0) * dose.stock_l for dose in doses)
    for block, masses in planned_kg.items():
        cycle = cycle_on(decisions, block, field.today)
        if cycle is None:
            continue
        until, most = cycle.nitrogen_until, cycle.ammonium_most_share
        if nitrogen_g and until is not None and field.today > until:
            kg_ha = field.shares[block] * nitrogen_g / 1000.0 / field.areas_ha[block]
            reason = f"the stocks bring block {block} {kg_ha:.3g} kg N/ha, and its crop, "
            yield warning("late nitrogen", f"{reason}{cycle.crop}, is given nitrogen until {until}")
        if nitrogen_g and most is not None and ammonium_g > most * nitrogen_g:
            reason = (
                f"{100.0 * ammonium_g / nitrogen_g:.0f} % of the stocks' nitrogen is ammonium; {cycle.crop} on block "
            )
            yield warning("ammonium", f"{reason}{block} may have {100.0 * most:.0f} %")
        if masses.get("Cl") and cycle.chloride_most_kg_ha is not None:
            area_ha = field.areas_ha[block]
            had = supply(decisions, field.past, block, area_ha, "Cl", zone_of(field.now))
            had_kg_ha = had.between(cycle.starts, cycle.ends).total_kg_ha
            whole_kg_ha = had_kg_ha + masses["Cl"] / area_ha
            reason = f"block {block} had {had_kg_ha:.3g} kg Cl/ha in its crop cycle and would have {whole_kg_ha:.3g}; "
            reason += f"{cycle.crop} may have {cycle.chloride_most_kg_ha:g}"
            yield Check("chloride", whole_kg_ha <= cycle.chloride_most_kg_ha, reason)

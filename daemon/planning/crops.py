"""What the agronomy says of a planned run: the line, the crop's own limits, and the caps."""

from collections.abc import Iterator, Sequence

from daemon.agronomy.caps import Masses, check_caps, hard_rooms, most_times_planned
from daemon.agronomy.line import check_line
from daemon.agronomy.products import substance_of
from daemon.agronomy.supply import nitrate_kg, supply, zone_of
from daemon.agronomy.verdict import Finding, Verdict
from daemon.decisions.base import Decisions
from daemon.decisions.tanks import Product, Water
from daemon.decisions.watering import Program
from daemon.planning.channels import ChannelDose
from daemon.planning.checks import Check, warning
from daemon.planning.field import Field
from daemon.planning.lookup import cycle_on, find


def brought_kg(decisions: Decisions, program: Program, doses: Sequence[ChannelDose], field: Field) -> Masses:
    """Return what a run brings each block by block and nutrient: its stocks', and the nitrogen of its water."""
    found: dict[str, dict[str, float]] = {block: {} for block in field.shares}
    for block, masses in (item for dose in doses for item in _stock_kg(dose, field).items()):
        for nutrient, kg in masses.items():
            found[block][nutrient] = found[block].get(nutrient, 0.0) + kg
    for block, share in field.shares.items():
        water_kg = nitrate_kg(decisions, program.source or "", program.water_m3 * share)
        if water_kg:
            found[block]["N"] = found[block].get("N", 0.0) + water_kg
    return found


def most_of_plan(
    decisions: Decisions, program: Program, doses: Sequence[ChannelDose], field: Field
) -> dict[str, float]:
    """Return by channel how many times its plan it may inject until a block is at a hard cap, where there is one."""
    return most_times_planned(
        hard_rooms(decisions, field.farm_ha, field.past, field.now),
        {dose.channel: _stock_kg(dose, field) for dose in doses},
        brought_kg(decisions, program, doses, field),
    )


def _stock_kg(dose: ChannelDose, field: Field) -> Masses:
    """Return what one channel brings."""
    return {
        block: {nutrient: share * g_l * dose.stock_l / 1000.0 for nutrient, g_l in dose.contents.nutrients_g_l.items()}
        for block, share in field.shares.items()
    }


def check_crops(
    decisions: Decisions, program: Program, doses: Sequence[ChannelDose], field: Field
) -> tuple[Check, ...]:
    """Return what speaks for and against a run. Raises PlanError when the program's source is not known."""
    planned_kg = brought_kg(decisions, program, doses, field)
    caps = check_caps(decisions, planned_kg, field.farm_ha, field.past, field.now)
    return (
        *_check_lines(decisions, program, doses),
        *_check_limits(decisions, doses, planned_kg, field),
        *(Check("cap", cap.passed, cap.reason, cap.warns) for cap in caps),
    )


def _check_lines(decisions: Decisions, program: Program, doses: Sequence[ChannelDose]) -> Iterator[Check]:
    """Yield what may fall out on the way: stocks that are injected together are one line."""
    water = find(decisions, Water, program.source) if program.source is not None else None
    products = {key: found for (_, key), found in decisions.items() if isinstance(found, Product)}
    lines = [doses] if program.order == "together" else [[dose] for dose in doses]
    findings: dict[Finding, None] = {}  # of lines in turn some say the same
    for line in lines:
        parts = [
            (substance_of(name, products), g_l * dose.peak_ratio)
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
            had = supply(decisions, field.past, block, area_ha, "Cl")
            had_kg_ha = had.between(cycle.starts, cycle.ends, zone_of(field.now)).total_kg_ha
            whole_kg_ha = had_kg_ha + masses["Cl"] / area_ha
            reason = f"block {block} had {had_kg_ha:.3g} kg Cl/ha in its crop cycle and would have {whole_kg_ha:.3g}; "
            reason += f"{cycle.crop} may have {cycle.chloride_most_kg_ha:g}"
            yield Check("chloride", whole_kg_ha <= cycle.chloride_most_kg_ha, reason)

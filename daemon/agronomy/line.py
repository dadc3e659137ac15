"""What the diluted stock does in the irrigation water on its way to the emitters.

The line is judged at the water's own pH: what a phosphate takes off it comes back as carbon dioxide leaves at the
emitters (common practice, no source). Acids and alkalis alone move it, with that carbon dioxide held. What the water
would drop without any fertiliser is its own doing and not judged here.
"""

import math
from collections.abc import Sequence

from daemon.agronomy.compatibility import refused_by_nature
from daemon.agronomy.minerals import MINERALS, Mineral, saturation_indices
from daemon.agronomy.speciation import Speciation, speciate
from daemon.agronomy.substance import Substance
from daemon.agronomy.verdict import Finding, Verdict
from daemon.agronomy.waters import WaterIons, balanced, water_ions
from daemon.decisions.tanks import Water

_REFUSED_SI = 0.25
"""Above it a mineral is taken to fall out on the way (common practice, no source); 0.3 less what we miss of PHREEQC."""
_LIME_SI = 1.0
_LIME_RISE = 0.3
"""Lime forms slowly, and waters past it by half a unit are in daily use: it is refused past this index, and where the
fertiliser doubled it (common practice, no source)."""
_OWN_DOING = 0.05
"""Rise of SI up to which the water, and not the fertiliser, is to blame."""
_LESS = (0.75, 0.5, 0.25, 0.1)
"""Parts of the strength that are tried for a mend."""
_IRON_MG_L = 0.2
"""Above it iron clogs emitters (common practice, no source)."""


def check_line(
    parts: Sequence[tuple[Substance, float]], water: Water | None, temperature_c: float = 20.0
) -> tuple[Finding, ...]:
    """Return what speaks against these grams of each product in a litre of line water; nothing for no products.

    Stocks injected together are one line: hand in all of them. In turn, each is a line of its own.
    """
    parts = [(substance, g_l) for substance, g_l in parts if g_l > 0.0]
    if not parts:
        return ()
    findings = list(refused_by_nature([substance for substance, _ in parts]))
    if water is None:
        return (
            *findings,
            Finding(
                Verdict.WITH_CARE,
                "water",
                "the line was not checked: there is no analysis of its water",
                "enter a water analysis and name it as the source",
            ),
        )
    ions = water_ions(water, temperature_c)
    own = saturation_indices(ions.solution, temperature_c)
    indices = saturation_indices(line_solution(parts, ions, temperature_c), temperature_c)
    for mineral in MINERALS:
        index, before = (found.get(mineral.name, -math.inf) for found in (indices, own))
        if index > max(0.0, before + _OWN_DOING):
            findings.append(_finding(mineral, index, before, parts, ions, temperature_c))
    return (*findings, *_iron(parts, water))


def line_solution(
    parts: Sequence[tuple[Substance, float]], ions: WaterIons, temperature_c: float, share: float = 1.0
) -> Speciation:
    """Return the line's water with `share` of these grams in each litre."""
    steady = {**ions.mol_kg}
    moving = dict[str, float]()
    for substance, g_l in parts:
        amounts = steady if substance.nature == "neutral" else moving
        for ion, mol_g in substance.ions_mol_g.items():
            amounts[ion] = amounts.get(ion, 0.0) + share * g_l * mol_g
    ph = -ions.solution.ph
    solution = speciate(steady, temperature_c, {"H": ph, **ions.co2})
    if not moving:
        return solution
    kept = balanced(steady, solution)
    total = {ion: kept.get(ion, 0.0) + moving.get(ion, 0.0) for ion in kept | moving}
    return speciate(total, temperature_c, ions.co2)


def _finding(
    mineral: Mineral,
    index: float,
    own: float,
    parts: Sequence[tuple[Substance, float]],
    ions: WaterIons,
    temperature_c: float,
) -> Finding:
    if mineral.name == "calcite":
        refused = index > _LIME_SI and index > own + _LIME_RISE
    else:
        refused = index > _REFUSED_SI
    alone = f", the water alone {_times(own)}" if own > 0.0 else ""
    acid = "" if mineral.name == "gypsum" else "acidify the water first"
    less = "" if own > 0.0 else _less(mineral, parts, ions, temperature_c)
    return Finding(
        Verdict.DO_NOT if refused else Verdict.WITH_CARE,
        "mineral",
        f"{mineral.title} falls out in this water: it holds {_times(index)} times what stays dissolved{alone}",
        ", or ".join(filter(None, (acid, less))),
    )


def _times(index: float) -> str:
    """Return the ion product over the mineral's own, to two digits."""
    return f"{float(f'{10.0**index:.2g}'):g}"


def _less(mineral: Mineral, parts: Sequence[tuple[Substance, float]], ions: WaterIons, temperature_c: float) -> str:
    """Return how much of it would stay dissolved."""
    for share in _LESS:
        indices = saturation_indices(line_solution(parts, ions, temperature_c, share), temperature_c)
        if indices.get(mineral.name, -math.inf) <= 0.0:
            return f"inject {100.0 * share:.0f} % of this in each litre"
    return "use another product"


def _iron(parts: Sequence[tuple[Substance, float]], water: Water) -> tuple[Finding, ...]:
    if water.fe_mg_l <= _IRON_MG_L:
        return ()
    phosphate = any(substance.ions_mol_g.get("PO4") for substance, _ in parts)
    return (
        Finding(
            Verdict.WITH_CARE,
            "water",
            f"iron {water.fe_mg_l:g} mg/L, over {_IRON_MG_L:g}: "
            + ("with phosphate it falls out as iron phosphate" if phosphate else "it rusts out and clogs emitters"),
            "let the iron settle out in air and filter before injecting",
        ),
    )

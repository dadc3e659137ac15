"""The sparingly soluble minerals that clog tanks, screens and emitters, and how far a solution is past each.

The saturation index SI is log10 of the ion product over the mineral's own: above nought it may fall out. Apatite is
left out on purpose: it is past saturation in most waters and forms slowly; brushite is what falls out first.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from daemon.agronomy.speciation import Speciation
from daemon.agronomy.species import Constant


@dataclass(frozen=True, slots=True)
class Mineral:
    """One solid and what it falls apart into."""

    name: str
    title: str
    parts: Mapping[str, int]
    """Species, crystal water (H2O) included."""
    constant: Constant


MINERALS: Final = (
    Mineral(
        "gypsum",
        "gypsum (calcium sulphate)",
        {"Ca": 1, "SO4": 1, "H2O": 2},
        Constant(-4.58, fitted=(68.2401, 0.0, -3221.51, -25.0627, 0.0, 0.0)),  # phreeqc.dat (see species)
    ),
    Mineral(
        "brushite",
        "brushite (calcium phosphate)",
        {"Ca": 1, "HPO4": 1, "H2O": 2},
        # As public inputs of PHREEQC have it; that it is of Gregory, Moreno and Brown (J. Res. Natl. Bur. Stand.
        # 74A:461, 1970), and its heat: from memory, not confirmed.
        Constant(-6.59, heat_kj=-4.184),
    ),
    Mineral(
        "struvite",
        "struvite (magnesium ammonium phosphate)",
        {"Mg": 1, "NH4": 1, "PO4": 1, "H2O": 6},
        # Ohlinger, Young and Schroeder (Water Res. 32:3607, 1998), as public inputs of PHREEQC quote it
        Constant(-13.26),
    ),
    Mineral(
        "k_struvite",
        "potassium struvite (magnesium potassium phosphate)",
        {"Mg": 1, "K": 1, "PO4": 1, "H2O": 6},
        Constant(-10.6),  # from memory, not confirmed
    ),
    Mineral(
        "calcite",
        "lime (calcium carbonate)",
        {"Ca": 1, "CO3": 1},
        # Plummer and Busenberg (Geochim. Cosmochim. Acta 46:1011, 1982)
        Constant(-8.48, fitted=(-171.9065, -0.077993, 2839.319, 71.595, 0.0, 0.0)),
    ),
)


def saturation_indices(solution: Speciation, temperature_c: float) -> dict[str, float]:
    """Return SI by mineral, for those alone whose parts are all there."""
    logs = solution.log_activity
    return {
        mineral.name: sum(n * logs[part] for part, n in mineral.parts.items()) - mineral.constant.at(temperature_c)
        for mineral in MINERALS
        if all(part in logs for part in mineral.parts)
    }

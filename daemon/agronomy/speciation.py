"""How the ions of a solution share themselves out: free, paired, with or without their protons, at what pH.

Ion association with the activity coefficients of WATEQ, as PHREEQC has it by default; fit for line water, and a sign
rather than a number in a stock tank (ionic strength above 1 mol/kg). Everything is in moles to a kilogram of water.

With the logarithms of the masters' free amounts as unknowns, the balances of mass are the gradient of a convex
function, and so is the balance of charge, written as one of protons: Newton's method in bounded steps finds the one
solution there is.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

from daemon.agronomy.species import COEFFICIENTS, KELVIN, LN10, MASTERS, SPECIES, Coefficient

_LONGEST_STEP = 2.5
"""In the natural logarithm of an amount."""
_CLOSE = 1e-7
_MOST_STEPS = 200
_MOST_STRENGTHS = 60
_SLIGHT = 0.01
"""mol/kg. Ionic strength that protons, or what is held, may bring beyond the salts' own."""
_WATER_PER_SOLUTE = 0.017
"""Fall of the activity of water with each mole of solutes (Garrels and Christ, Solutions, Minerals and Equilibria,
1965; so in PHREEQC)."""
_DRIEST = 0.3
"""The activity of water over a liquid fertiliser, about; it falls no further."""
_NOTHING_HELD: Mapping[str, float] = MappingProxyType({})


class SpeciationError(Exception):
    """Amounts that no solution has."""

    code = "agronomy.speciation"


@dataclass(frozen=True, slots=True)
class Speciation:
    """One solution at rest."""

    ph: float
    ionic_strength: float
    """mol/kg."""
    log_activity: Mapping[str, float]
    """log10 for every species that is there, and for H2O."""
    molality: Mapping[str, float]
    """mol/kg, by species."""

    @property
    def charge(self) -> float:
        """Charge left over, mol/kg: nought unless the pH was held."""
        return math.fsum(CHARGES[name] * amount for name, amount in self.molality.items())


@dataclass(frozen=True, slots=True)
class _Row:
    """A species with its masters, however they were named."""

    name: str
    charge: int
    parts: Mapping[str, int]
    coefficient: Coefficient | None


def _rows() -> dict[str, _Row]:
    rows = {name: _Row(name, z, {name: 1}, COEFFICIENTS.get(name)) for name, z in MASTERS.items()}
    for species in SPECIES:
        parts: dict[str, int] = {}
        for part, n in species.parts.items():
            for master, k in rows[part].parts.items():
                parts[master] = parts.get(master, 0) + n * k
        parts = {master: n for master, n in parts.items() if n}
        charge = sum(n * MASTERS[master] for master, n in parts.items())
        rows[species.name] = _Row(species.name, charge, parts, species.coefficient)
    return rows


_ROWS = _rows()
CHARGES: Mapping[str, int] = {name: row.charge for name, row in _ROWS.items()}
"""Of every species."""


@lru_cache(maxsize=64)
def _log_k(temperature_c: float) -> Mapping[str, float]:
    """Return log10 K of every species from its masters."""
    log_k = dict.fromkeys(MASTERS, 0.0)
    for species in SPECIES:
        log_k[species.name] = species.constant.at(temperature_c) + sum(n * log_k[p] for p, n in species.parts.items())
    return log_k


def speciate(
    totals: Mapping[str, float], temperature_c: float, held: Mapping[str, float] = _NOTHING_HELD
) -> Speciation:
    """Return the species of `totals`, in mol/kg by master, at 0 to 60 °C.

    `held` has the log10 activities that are kept from outside: of H (minus the pH), of CO2 (by the air above). Unless H
    is held, the pH is the one at which the charges balance. Raises SpeciationError for amounts without a solution.
    """
    amounts = {name: totals[name] for name in MASTERS if totals.get(name, 0.0) > 0.0 and name not in held}
    if "H" not in held:
        amounts["H"] = -math.fsum(MASTERS[name] * amount for name, amount in amounts.items())
    try:
        return _known(tuple(amounts.items()), temperature_c, tuple(held.items()))
    except ArithmeticError as error:
        raise SpeciationError(
            f"got {dict(totals)} mol/kg at {temperature_c:g} °C; expected amounts that a solution can have"
        ) from error


@lru_cache(maxsize=256)
def _known(
    amounts: tuple[tuple[str, float], ...], temperature_c: float, held: tuple[tuple[str, float], ...]
) -> Speciation:
    """Return the species of amounts; shifts and nights that are given the same line ask for it again and again."""
    return _balanced(dict(amounts), temperature_c, dict(held))


def _balanced(amounts: Mapping[str, float], temperature_c: float, held: Mapping[str, float]) -> Speciation:
    """Return the species, by Newton's method at one ionic strength after another until it is their own.

    Raises ArithmeticError where it does not come to rest.
    """
    rows = [row for row in _ROWS.values() if all(part in amounts or part in held for part in row.parts)]
    place = {name: i for i, name in enumerate(amounts)}
    log_k = _log_k(temperature_c)
    constants = [
        LN10 * (log_k[row.name] + sum(n * held[part] for part, n in row.parts.items() if part in held)) for row in rows
    ]
    exponents = [tuple((place[part], n) for part, n in row.parts.items() if part in place) for row in rows]
    wanted = list(amounts.values())
    own = [next(k for k, row in enumerate(rows) if row.name == name) for name in amounts]
    debye = _debye_huckel(temperature_c)
    logs = [_first_guess(name, amount) for name, amount in amounts.items()]
    low = 0.0
    high = _SLIGHT + 0.5 * math.fsum(MASTERS[name] ** 2 * abs(amount) for name, amount in amounts.items())
    strength, before, short_before = 0.3 * high, 0.0, 0.0
    for _ in range(_MOST_STRENGTHS):
        gammas = [LN10 * _log_gamma(row, strength, debye) for row in rows]
        offsets = [
            constant + sum(n * gammas[own[i]] for i, n in powers) - gamma
            for constant, powers, gamma in zip(constants, exponents, gammas, strict=True)
        ]
        logs, molal = _at_rest(logs, offsets, exponents, wanted)
        short = 0.5 * math.fsum(row.charge**2 * m for row, m in zip(rows, molal, strict=True)) - strength
        if abs(short) <= _CLOSE * strength or high - low <= _CLOSE * high:
            return _result(rows, molal, gammas, strength)
        low, high = (strength, high) if short > 0.0 else (low, strength)
        slope = (short - short_before) / (strength - before) if before else -1.0
        before, short_before = strength, short
        strength -= short / slope if slope else 0.0
        if not low < strength < high:
            strength = 0.5 * (low + high)
    raise ArithmeticError("no ionic strength is the solution's own")


def _at_rest(
    logs: Sequence[float],
    offsets: Sequence[float],
    exponents: Sequence[tuple[tuple[int, int], ...]],
    wanted: Sequence[float],
) -> tuple[list[float], list[float]]:
    """Return the masters' free amounts, as logarithms, and the amounts of all species, at given coefficients."""
    found = list(logs)
    for _ in range(_MOST_STEPS):
        molal = [
            math.exp(offset + sum(n * found[i] for i, n in powers))
            for offset, powers in zip(offsets, exponents, strict=True)
        ]
        moves = _newton(exponents, molal, wanted)
        longest = max(map(abs, moves), default=0.0)
        if longest < _CLOSE:
            return found, molal
        bound = _LONGEST_STEP / max(longest, _LONGEST_STEP)
        found = [log + bound * move for log, move in zip(found, moves, strict=True)]
    raise ArithmeticError("no balance of the amounts")


def _first_guess(master: str, amount: float) -> float:
    """Return a natural logarithm of the molality to start from: pH 6, and the phosphate free that is so there."""
    if master == "H":
        return -6.0 * LN10
    return math.log(amount) - (8.0 * LN10 if master == "PO4" else 0.0)


def _log_gamma(row: _Row, strength: float, debye: tuple[float, float]) -> float:
    """Return log10 of the activity coefficient: WATEQ's for a known size, else Davies's, 0.1 I without charge."""
    if row.charge == 0:
        return 0.1 * strength
    a, b = debye
    root = math.sqrt(strength)
    if row.coefficient is None:
        return -a * row.charge**2 * (root / (1.0 + root) - 0.3 * strength)
    size = row.coefficient.size_angstrom
    return -a * row.charge**2 * root / (1.0 + b * size * root) + row.coefficient.b * strength


@lru_cache(maxsize=64)
def _debye_huckel(temperature_c: float) -> tuple[float, float]:
    """Return A (kg/mol)^0.5 and B (kg/mol)^0.5 per ångström of water (Truesdell and Jones, 1974).

    Density of water after Kell (J. Chem. Eng. Data 20:97, 1975, shortened), permittivity after Malmberg and Maryott
    (J. Res. Natl. Bur. Stand. 56:1, 1956).
    """
    t = temperature_c
    density = 1.0 - (t - 3.9863) ** 2 * (t + 288.9414) / (508929.2 * (t + 68.12963))
    permittivity = 87.740 - 0.40008 * t + 9.398e-4 * t**2 - 1.410e-6 * t**3
    warmth = permittivity * (t + KELVIN)
    return 1.82483e6 * math.sqrt(density) / warmth**1.5, 50.2916 * math.sqrt(density / warmth)


def _newton(
    exponents: Sequence[tuple[tuple[int, int], ...]], molal: Sequence[float], wanted: Sequence[float]
) -> list[float]:
    """Return the step of the logarithms that Newton's method asks for."""
    size = len(wanted)
    slope = [[0.0] * size for _ in range(size)]
    missing = list(wanted)
    for powers, amount in zip(exponents, molal, strict=True):
        for i, n in powers:
            missing[i] -= n * amount
            row = slope[i]
            for j, k in powers:
                row[j] += n * k * amount
    return _solved(slope, missing)


def _solved(matrix: list[list[float]], right: list[float]) -> list[float]:
    """Return x of matrix · x = right for a positive definite matrix, both used up on the way."""
    size = len(right)
    for i in range(size):
        pivot = matrix[i]
        for j in range(i + 1, size):
            factor = matrix[j][i] / pivot[i]
            if factor:
                row = matrix[j]
                for k in range(i, size):
                    row[k] -= factor * pivot[k]
                right[j] -= factor * right[i]
    for i in reversed(range(size)):
        row = matrix[i]
        right[i] = (right[i] - sum(row[k] * right[k] for k in range(i + 1, size))) / row[i]
    return right


def _result(rows: Sequence[_Row], molal: Sequence[float], gammas: Sequence[float], strength: float) -> Speciation:
    molality = {row.name: amount for row, amount in zip(rows, molal, strict=True)}
    log_activity = {
        row.name: (math.log(amount) + gamma) / LN10
        for row, amount, gamma in zip(rows, molal, gammas, strict=True)
        if amount > 0.0
    }
    log_activity["H2O"] = math.log10(max(_DRIEST, 1.0 - _WATER_PER_SOLUTE * math.fsum(molal)))
    return Speciation(-log_activity["H"], strength, log_activity, molality)

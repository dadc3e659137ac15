"""What a filled tank teaches the next attempt: which salt or mineral would fall out of it, as rows of a linear problem.

How near a solid is to falling out follows from the product of its ions and not from a sum; it is not linear. Where a
tank passes a limit, the next attempt gets the plane that touches the limit where this tank would, diluted. By the means
of its ions, arithmetic and geometric, everything under that plane is under the limit too, so a solid that was cut off
stays off in whatever proportions. Moving the plane along, attempt by attempt, finds more of what the limit leaves: the
inner approximation of Marks and Wright (Oper. Res. 26:681, 1978; from memory, not confirmed).

What counts is what the products do by themselves. What they do with the ions of the water that a tank is filled with,
the assessment tells; less of them would not mend it.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from daemon.agronomy.margins import MARGIN
from daemon.agronomy.minerals import MINERALS
from daemon.agronomy.shed import Question, Tank, usable
from daemon.agronomy.stock import Assessment
from daemon.agronomy.verdict import Verdict

_CLEAR_SI = -0.3
"""Saturation index that a mineral is kept below: half of what it takes to fall out (common practice, no source)."""
_BELOW, _FURTHER_BELOW = 0.995, 0.975
"""Of a limit, what is aimed at: at first, and where that did not do since the pH moved too."""
_LEAST = 0.05
"""Of an ion's amount where a plane touched, what is assumed where a tank has none: no plane touches at nought."""
_MASTERS = {"H3PO4": "PO4", "H2PO4": "PO4", "HPO4": "PO4", "CO3": "CO2"}
"""What the amounts of a species rise and fall with."""


@dataclass(frozen=True, slots=True)
class Filling:
    """One tank as an attempt fills it."""

    tank: Tank
    kg: Mapping[str, float]
    """By product; only what there is of it."""
    water_kg: float
    """All water in it as the linear problem reckons it."""
    assessment: Assessment
    alone: Assessment
    """The same in pure water."""


@dataclass(frozen=True, slots=True)
class Cut:
    """Each ion's amount over its amount at `touch`, times how often the solid has it, sum to no more than its ions."""

    tank: str
    solid: str
    title: str
    ions: Mapping[str, int]
    """How often the solid has each, by the name of its master."""
    touch: Mapping[str, float]
    """A point on the solid's limit, mol in a kilogram of all water."""


@dataclass(frozen=True, slots=True)
class Apart:
    """These products never all together in one tank."""

    tank: str
    products: frozenset[str]
    why: str


Cuts = Sequence[Cut | Apart]


@dataclass(frozen=True, slots=True)
class _Solid:
    """What may fall out of a tank."""

    name: str
    title: str
    ions: Mapping[str, int]
    room: float
    """By how much its ions may all rise until it is at its limit; below 1 they must fall."""

    @property
    def is_over(self) -> bool:
        return self.room <= 1.0


def fits(filling: Filling) -> bool:
    """Return whether the products of a tank stay dissolved with the working margin, and nothing forbids them."""
    is_refused = Verdict.DO_NOT in (filling.assessment.verdict, filling.alone.verdict)
    return not is_refused and not any(solid.is_over for solid in _solids(filling.alone))


def cuts_after(question: Question, fillings: Sequence[Filling], cuts: Cuts) -> Cuts:
    """Return the cuts for the next attempt, after the one that filled the tanks like this under `cuts`.

    What one tank drops is cut off in every tank that gets as cold, or the next attempt would only swap them.
    """
    old = {(cut.tank, cut.solid): cut for cut in cuts if isinstance(cut, Cut)}
    apart = [cut for cut in cuts if isinstance(cut, Apart)]
    own: dict[tuple[str, str], Cut] = {}
    others: dict[tuple[str, str], Cut] = {}
    for filling in fillings:
        alike = [tank.name for tank in question.tanks if tank.coldest_c == filling.tank.coldest_c]
        solids = {solid.name: solid for solid in _solids(filling.alone)}
        amounts = _mol_kg(question, filling)
        for solid in solids.values():
            place = filling.tank.name, solid.name
            if solid.is_over or place in old:
                aim = solid.room * (_FURTHER_BELOW if solid.is_over and place in old else _BELOW)
                touch = {ion: amounts[ion] * aim for ion in solid.ions}
                own[place] = Cut(*place, solid.title, solid.ions, touch)
            if solid.is_over:
                others |= {(name, solid.name): replace(own[place], tank=name) for name in alike}
        for place, cut in old.items():
            if place[0] == filling.tank.name and place[1] not in solids:
                own[place] = _moved(cut, amounts)
        if not fits(filling) and not any(solid.is_over for solid in solids.values()):
            why = (*filling.assessment.findings, *filling.alone.findings)[0].reason
            apart += [Apart(name, frozenset(filling.kg), why) for name in alike]
    return [*(others | old | own).values(), *apart]


def _solids(alone: Assessment) -> list[_Solid]:
    """Return whatever the ions of the products could form."""
    solids = [
        _Solid(salt.solid.name, salt.solid.title, _by_master(salt.solid.ions), MARGIN / salt.fraction)
        for salt in alone.salts
    ]
    for mineral in MINERALS:
        if mineral.name in alone.indices:
            ions = _by_master(mineral.parts)
            room = 10.0 ** ((_CLEAR_SI - alone.indices[mineral.name]) / sum(ions.values()))
            solids.append(_Solid(mineral.name, mineral.title, ions, room))
    return solids


def _by_master(parts: Mapping[str, int]) -> dict[str, int]:
    return {_MASTERS.get(name, name): n for name, n in parts.items() if name != "H2O"}


def _mol_kg(question: Question, filling: Filling) -> dict[str, float]:
    """Return the moles of each ion that the products bring to a kilogram of a tank's water, by master."""
    mol: dict[str, float] = {}
    for name, bag in usable(question).items():
        for ion, mol_g in bag.product.ions_mol_g.items():
            mol[ion] = mol.get(ion, 0.0) + 1000.0 * filling.kg.get(name, 0.0) * mol_g
    return {ion: amount / filling.water_kg for ion, amount in mol.items()}


def _moved(cut: Cut, amounts: Mapping[str, float]) -> Cut:
    """Return the plane that touches the same limit as near as it can to a tank that lacks an ion of the solid."""
    near = {ion: max(amounts.get(ion, 0.0), _LEAST * touch) for ion, touch in cut.touch.items()}
    rise = math.prod((cut.touch[ion] / near[ion]) ** n for ion, n in cut.ions.items()) ** (1.0 / sum(cut.ions.values()))
    return replace(cut, touch={ion: amount * rise for ion, amount in near.items()})

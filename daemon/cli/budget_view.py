"""How a budget is shown: as tables, and as JSON."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from daemon.agronomy.budget import Account
from daemon.agronomy.caps import Room
from daemon.agronomy.recommend import DueDose
from daemon.agronomy.stages import StageAccount
from daemon.cli.source import Source
from daemon.cli.tables import table
from daemon.decisions.crops import Cap, Cycle
from daemon.site import Plant

_BLOCK = ("block", "nutrient")
_HEADS = (*_BLOCK, "recommended", "delivered (k = 2)", "in lines", "other sources", "water's nitrate", "left", "")
_STAGE_HEADS = (*_BLOCK, "stage", "target", "due so far", "injected", "short: offered", "accepted", "next event")
_MARKS = {
    "disputed": "disputed: a run's figures are in doubt; towards doses and caps it had at least what was planned.",
    "revised": "revised: a corrected mix restated a run's figures.",
}


@dataclass(frozen=True, slots=True)
class Row:
    """One block and nutrient."""

    account: Account
    due: DueDose | None
    """As if its next event were now; None without a recommendation."""

    @property
    def marks(self) -> tuple[str, ...]:
        """Return the words that mark its figures."""
        stands = {"disputed": self.account.is_disputed, "revised": self.account.is_revised}
        return tuple(mark for mark, is_so in stands.items() if is_so)


@dataclass(frozen=True, slots=True)
class Budget:
    """One crop cycle."""

    key: str
    cycle: Cycle
    rows: tuple[Row, ...]
    mean_kg_ha: Mapping[str, float]
    """What all blocks of the cycle had towards the recommendation, by nutrient."""
    offered: Cap | None
    """The nitrogen cap that the setup would offer; None where one is stated, or nothing recommended."""


def _rooms(budgets: Iterable[Budget]) -> list[Room]:
    """Return what each cap leaves, once: a farm average stands in the account of every block."""
    found = [room for budget in budgets for row in budget.rows for room in row.account.caps]
    return sorted(dict.fromkeys(found), key=lambda room: (room.key, room.blocks))


def budget_lines(plant: Plant, known: Source, now: datetime, budgets: Sequence[Budget]) -> list[str]:
    """Return the tables, as somebody reads them; `now` is in the site's zone."""
    lines = [f"{plant.site.site.name}, {now:%a %d %b %Y}: kg/ha of the element, over the area in use.", *known.notes]
    for budget in budgets:
        lines += ["", *_cycle_lines(plant, budget)]
    rooms = _rooms(budgets)
    if rooms:
        heads = ("cap", "nutrient", "holds for", "over", "most", "used", "left", "kind")
        lines += ["", "Caps, kg/ha; every source counts:", *_indented(table(heads, [*map(_cap_cells, rooms)]))]
    marks = {mark for budget in budgets for row in budget.rows for mark in row.marks}
    if marks:
        lines += ["", *(meaning for mark, meaning in _MARKS.items() if mark in marks)]
    return lines


def _cycle_lines(plant: Plant, budget: Budget) -> Iterator[str]:
    cycle = budget.cycle
    yield f"Cycle {budget.key}: {cycle.crop}, {cycle.starts} to {cycle.ends}"
    lacking = [block for block in cycle.blocks if block not in plant.site.block]
    if lacking:
        yield f"  Left out, for the site has no such block: {', '.join(lacking)}. Mend the cycle or the site file."
    if not any(row.account.recommendation for row in budget.rows):
        yield "  Nothing is recommended for it. Next: shiftwright import recommendations FILE SITE"
    if budget.rows:
        yield from _indented(table(_HEADS, [*map(_account_cells, budget.rows)]))
        means = ", ".join(f"{nutrient} {kg_ha:.2f}" for nutrient, kg_ha in budget.mean_kg_ha.items())
        yield f"  Mean over the whole cycle's area, had from all that counts: {means}."
    staged = [
        _stage_cells(row.account, row.account.stage, row.due)
        for row in budget.rows
        if row.account.stage is not None and row.due is not None
    ]
    if staged:
        yield from _indented(table(_STAGE_HEADS, staged))
    # What holds for every block of a cycle is said once.
    yield from dict.fromkeys(
        f"  {row.account.nutrient}: {text}."
        for row in budget.rows
        if row.due is not None
        for text in (*row.due.reasons, *(f"mind, {warning}" for warning in row.due.warnings))
    )
    if budget.offered is not None:
        yield (
            f"  No cap stated for N on cycle {budget.key}: setup would offer plan x 1.1 = {budget.offered.kg_ha:g} "
            f"kg/ha as {budget.offered.strict}."
        )


def _account_cells(row: Row) -> tuple[str, ...]:
    account = row.account
    other = f"{account.available_kg_ha:.2f}"
    if account.other_kg_ha != account.available_kg_ha:
        other += f" of {account.other_kg_ha:.2f}"
    return (
        account.block,
        account.nutrient,
        f"{account.recommended_kg_ha:.2f}" if account.recommendation else "-",
        f"{account.delivered_kg_ha:.2f} ± {account.u_kg_ha:.2f}",
        f"{account.in_lines_kg_ha:.2f}",
        other,
        f"{account.nitrate_kg_ha:.2f}",
        f"{account.left_kg_ha:.2f}" if account.recommendation else "-",
        ", ".join(row.marks),
    )


def _stage_cells(account: Account, stage: StageAccount, due: DueDose) -> tuple[str, ...]:
    return (
        account.block,
        account.nutrient,
        f"{stage.stage.name} to {stage.last}",
        f"{stage.target_kg_ha:.2f}",
        f"{stage.due_kg_ha:.2f}",
        f"{stage.had_kg_ha:.2f}",
        f"{account.offered_kg_ha:.2f}",
        f"{account.accepted_kg_ha:.2f}",
        f"{due.kg_ha:.2f}",
    )


def _cap_cells(room: Room) -> tuple[str, ...]:
    cap, per_ha = room.cap, 1.0 / room.area_ha
    holds_for = f"mean of {', '.join(room.blocks)}" if cap.basis == "farm_average" else room.blocks[0]
    over = {"event": "one run", "day": "24 hours", "cycle": "the cycle", "year": f"the year from {cap.year_starts}"}
    used, left = f"{room.used_kg * per_ha:.2f}", f"{room.left_kg * per_ha:.2f}"
    return room.key, cap.nutrient, holds_for, over[cap.over], f"{cap.kg_ha:g}", used, left, cap.strict


def _indented(lines: Iterable[str]) -> Iterator[str]:
    return (f"  {line}" for line in lines)


def budget_figures(plant: Plant, known: Source, now: datetime, budgets: Sequence[Budget]) -> dict[str, Any]:
    """Return the same for programs: unrounded, null for what nobody recommended."""
    return {
        "schema": 1,
        "site": plant.site.site.name,
        "at": now.isoformat(timespec="seconds"),
        "notes": list(known.notes),
        "cycles": [
            {
                "cycle": budget.key,
                "crop": budget.cycle.crop,
                "starts": budget.cycle.starts.isoformat(),
                "ends": budget.cycle.ends.isoformat(),
                "accounts": [_row_figures(row) for row in budget.rows],
                "mean_had_kg_ha": dict(budget.mean_kg_ha),
                "offered_cap": budget.offered.model_dump(mode="json") if budget.offered is not None else None,
            }
            for budget in budgets
        ],
        "caps": [
            {
                "cap": room.key,
                **room.cap.model_dump(mode="json"),
                "blocks": list(room.blocks),
                "used_kg_ha": room.used_kg / room.area_ha,
                "left_kg_ha": room.left_kg / room.area_ha,
            }
            for room in _rooms(budgets)
        ],
    }


def _row_figures(row: Row) -> dict[str, Any]:
    account, stage, due = row.account, row.account.stage, row.due
    return {
        "block": account.block,
        "nutrient": account.nutrient,
        "recommendation": account.recommendation or None,
        "recommended_kg_ha": account.recommended_kg_ha if account.recommendation else None,
        "delivered_kg_ha": account.delivered_kg_ha,
        "u_k2_kg_ha": account.u_kg_ha,
        "in_lines_kg_ha": account.in_lines_kg_ha,
        "other_kg_ha": account.other_kg_ha,
        "other_available_kg_ha": account.available_kg_ha,
        "nitrate_kg_ha": account.nitrate_kg_ha,
        "left_kg_ha": account.left_kg_ha if account.recommendation else None,
        "is_disputed": account.is_disputed,
        "is_revised": account.is_revised,
        "stage": None
        if stage is None
        else {
            "name": stage.stage.name,
            "last": stage.last.isoformat(),
            "target_kg_ha": stage.target_kg_ha,
            "due_kg_ha": stage.due_kg_ha,
            "injected_kg_ha": stage.had_kg_ha,
            "short_offered_kg_ha": account.offered_kg_ha,
            "short_accepted_kg_ha": account.accepted_kg_ha,
        },
        "next_event": None
        if due is None
        else {
            "kg_ha": due.kg_ha,
            "made_up_kg_ha": due.made_up_kg_ha,
            "due_from": due.due_from.isoformat() if due.due_from is not None else None,
            "reasons": list(due.reasons),
            "warnings": list(due.warnings),
        },
    }

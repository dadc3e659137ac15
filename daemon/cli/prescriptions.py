"""The CSV file of recommendations: a row for each nutrient, the shares of the crop cycle's stages beside it."""

from collections.abc import Iterator, Sequence
from typing import Any

from daemon.agronomy.nutrients import OXIDES, from_label
from daemon.cli.drafts import Draft, Form
from daemon.cli.sheet import Column, Row
from daemon.decisions.base import NUTRIENTS
from daemon.decisions.crops import Recommendation
from drivers.profile import Problem

_ON = "on_yyyy_mm_dd"
_COMMON = {
    "cycle": "cycle",
    "by": "by",
    "on": _ON,
    "basis": "basis",
    "every_days": "every_days",
    "make_up_pct": "make_up_pct",
}
_STAGES = (("stage 2 (%)", "20"), ("stage 3 (%)", "35"), ("stage 4 (%)", "35"), ("stage 5 (%)", "0"))


def _recommendations(rows: Sequence[Row]) -> tuple[list[Draft], list[Problem]]:
    problems: list[Problem] = []
    by_name: dict[str, list[Row]] = {}
    for row in rows:
        by_name.setdefault(row.values.get("recommendation", ""), []).append(row)
    by_name.pop("", None)  # told already
    drafts = []
    for name, own in by_name.items():
        problems += _differing(own)
        body = {path: own[0].values[key] for path, key in _COMMON.items() if key in own[0].values}
        if isinstance(days := body.get("every_days"), float) and days.is_integer():
            body["every_days"] = int(days)
        places = {"": own[0].place("recommendation")} | {path: own[0].place(key) for path, key in _COMMON.items()}
        events = _stages(own[0], "events")
        if events:
            body["events"] = [int(count) if count.is_integer() else count for count in events.values()]
            places |= {f"events.{i}": own[0].place(key) for i, key in enumerate(events)}
        body["needs"] = {}
        seen: dict[str, Row] = {}
        for row in own:
            nutrient, wrong = _nutrient(row)
            problems += wrong
            if nutrient in seen:
                got = f"{nutrient} of {name} again, after row {seen[nutrient].number}"
                problems.append(Problem(row.place("nutrient"), got, "each nutrient once"))
            elif nutrient:
                seen[nutrient] = row
                body["needs"][nutrient] = _need(row, nutrient)
                places |= _need_places(row, nutrient)
                problems += _gaps(row)
        places["needs"] = own[0].place("nutrient")
        drafts.append(Draft(Recommendation.kind, name, body, places))
    return drafts, problems


def _differing(rows: Sequence[Row]) -> Iterator[Problem]:
    """Yield where rows of one recommendation do not agree on what is common to them."""
    first = rows[0]
    stages = _stages(first, "events")
    for row in rows[1:]:
        for key in (*_COMMON.values(), *stages):
            if key not in row.wrong | first.wrong and row.values.get(key) != first.values.get(key):
                got, expected = row.values.get(key, "nothing"), first.values.get(key, "nothing")
                hint = "What is not of one nutrient is the same in all rows of a recommendation"
                yield Problem(row.place(key), f"{got}", f"{expected}, as in row {first.number}", hint)


def _stages(row: Row, ends: str) -> dict[str, float]:
    """Return the figures of stage after stage, by key."""
    return {key: row.values[key] for n in range(1, 10) if (key := f"stage_{n}_{ends}") in row.values}


def _gaps(row: Row) -> Iterator[Problem]:
    """Yield the first stage without a share before one that has one."""
    given = {int(key.split("_")[1]) for key in _stages(row, "pct")}
    missing = next((n for n in range(1, max(given, default=0)) if n not in given), None)
    if missing is not None and f"stage_{missing}_pct" not in row.wrong:
        hint = "A stage without a share has 0; only those that the cycle has not stay empty"
        yield Problem(row.place(f"stage_{missing}_pct"), "nothing", "the share of the stage", hint)


def _nutrient(row: Row) -> tuple[str, list[Problem]]:
    """Return the element that a row is about; empty when it cannot be told."""
    named, figures = row.values.get("nutrient"), row.values.get("figures")
    elements = {oxide: element for element, oxide in OXIDES.items()}
    if named is None:
        return "", []
    if named not in NUTRIENTS and named not in elements:
        known = ", ".join((*NUTRIENTS, *elements))
        return "", [Problem(row.place("nutrient"), repr(named), f"one of {known}")]
    if figures is not None and figures not in ("elemental", "oxide"):
        return "", [Problem(row.place("figures"), repr(figures), "elemental or oxide")]
    if named in elements and figures == "elemental":
        hint = f"Write oxide, or {elements[named]} with the kg of the element"
        return "", [Problem(row.place("figures"), f"elemental with {named}", "figures that fit the nutrient", hint)]
    return elements.get(named, named), []


def _need(row: Row, nutrient: str) -> dict[str, Any]:
    need: dict[str, Any] = {"shares": [pct / 100.0 for pct in _stages(row, "pct").values()]}
    if "amount_kg_ha" in row.values:
        _, need["kg_ha"] = from_label(nutrient, 100.0 * row.values["amount_kg_ha"], row.values.get("figures", ""))
    return need


def _need_places(row: Row, nutrient: str) -> dict[str, str]:
    path = f"needs.{nutrient}"
    stages = list(_stages(row, "pct"))
    wrong = sorted(key for key in row.wrong if key.startswith("stage_"))
    shares = row.place(wrong[0]) if wrong else f"row {row.number}, columns stage 1 (%) to stage {len(stages)} (%)"
    return {
        path: shares,  # all that a need checks as a whole
        f"{path}.kg_ha": row.place("amount_kg_ha"),
        f"{path}.shares": shares,
        **{f"{path}.shares.{i}": row.place(key) for i, key in enumerate(stages)},
    }


RECOMMENDATIONS = Form(
    Recommendation,
    (
        Column("recommendation", "mandarins_2026", "a name such as mandarins_2026"),
        Column("cycle", "mandarins", "the name of a crop cycle"),
        Column("by", "R. Okafor, agronomist of Kestrel Bend (both invented)", "who wrote it"),
        Column("on (YYYY-MM-DD)", "2026-06-18", "a day as YYYY-MM-DD", "day"),
        Column("basis", "leaf test of March 2026", "what it rests on: soil test, leaf test, yield, with its date"),
        Column("every (days)", "7", "one event in so many days", "number", needed=False),
        Column("nutrient", "N", "a nutrient such as N, P or P2O5"),
        Column("figures", "elemental", "elemental or oxide: kg of P or of P2O5, of K or of K2O"),
        Column("amount (kg/ha)", "110", "kg/ha in the whole cycle, from all sources", "number"),
        Column("stage 1 (%)", "10", "the share of each stage", "number", pattern=r"stage_[1-9]_pct", more=_STAGES),
        Column(
            "stage 1 events",
            "",
            "how many events each stage has",
            "number",
            needed=False,
            pattern=r"stage_[1-9]_events",
        ),
        Column("make up (%)", "25", "the most of an event's dose by which the next is raised", "number", needed=False),
    ),
    {
        "amount": "Say the unit: amount (kg/ha)",
        "amount_lb_ac": "1 lb/ac is 1.1209 kg/ha: convert it, and head it amount (kg/ha)",
        "block": "A recommendation is for a crop cycle, and the cycle names its blocks",
    },
    _recommendations,
    {
        "nutrient": "K2O",
        "figures": "oxide",
        "amount (kg/ha)": "144.6",
        "stage 1 (%)": "0",
        "stage 2 (%)": "15",
        "stage 3 (%)": "27.5",
        "stage 4 (%)": "32.5",
        "stage 5 (%)": "25",
    },
)

"""Uniformity as a step: catch cans or emitter flows over a block, of the water and of the dose."""

from typing import Final

from daemon.commissioning.stages import fill, flow_of, water_to
from daemon.commissioning.step import (
    Ask,
    Entries,
    Figure,
    Form,
    Result,
    Stage,
    Step,
    Work,
    is_entered,
    values_of,
    verdict_of,
)
from daemon.commissioning.uniformity import LEAST, Likely, Uniformity, doses, likely, uniformity, worst_quarter_kg_ha
from daemon.equipment import Part
from daemon.site import Site

_BY_ITSELF, _NOW = "over a shift that runs by itself", "with water alone, now"
_GOOD_PCT: Final = 80.0
_BAND: Final = "Merriam and Keller 1978 (from memory): 90 or more very good, 80 to 90 good, 70 to 80 fair, less is poor"
_SAMPLE: Final = "four laterals by four places: Keller and Karmeli (from memory)"
_LIKELY: Final = {
    Likely.EVEN: "The block is even.",
    Likely.BLOCKAGE: "A few emitters give far less than the rest, and without them it is even: they are "
    "blocked. Flush the "
    "laterals, clean or replace them, look at the filter.",
    Likely.PRESSURE: "Most of the spread goes with pressure: look at pressure regulators, laterals that are too "
    "long or too "
    "thin, and heights.",
    Likely.EMITTERS: "The spread does not go with pressure: emitters of different kind or age, worn nozzles, or "
    "blockage "
    "all over.",
}


def _then(site: Site, block: str, entries: Entries) -> Stage | None:
    if not is_entered(entries, "way"):
        text = (
            "Put a can under each of 16 emitters or more: on the first lateral, the last, and two between, at "
            "four places "
            "along each. Enter them later in that order, lateral by lateral."
        )
        return Stage(
            "way",
            text,
            (
                Ask("instrument", "With which cans and cylinder", form=Form.TEXT),
                Ask("over", "When they stand", form=Form.CHOICE, choices=(_NOW, _BY_ITSELF), default=_NOW),
                Ask("minutes", "For how long the water runs now", "min", least=1.0, most=180.0, default=15.0),
            ),
        )
    way = values_of(entries, "way")
    if way["over"] == _NOW:
        if not is_entered(entries, "fill"):
            return fill(site, block)
        if not is_entered(entries, "ready"):
            return Stage(
                "ready", "Empty the cans and put them under. Say so.", hold=water_to(site, block), back_to="fill"
            )
        if not is_entered(entries, "catch"):
            text, lasts_s = "The cans fill. The daemon shuts the water at the end.", 60.0 * way["minutes"]
            hold = water_to(site, block)
            return Stage("catch", text, hold=hold, watch=flow_of(site), lasts_s=lasts_s, back_to="ready")
    if not is_entered(entries, "cans"):
        text = "Enter what each can caught, in order. For the dose, its EC as well, and the water's own."
        return Stage(
            "cans",
            text,
            (
                Ask("ml", "Volumes", "mL", form=Form.NUMBERS, most=1e6),
                Ask("ms_cm", "ECs of the cans", "mS/cm", form=Form.NUMBERS, most=50.0, is_optional=True),
                Ask("background_ms_cm", "The water's own EC", "mS/cm", most=50.0, is_optional=True),
                Ask("kpa", "Pressures at the emitters", "kPa", form=Form.NUMBERS, most=2000.0, is_optional=True),
                Ask("rows", "Laterals", form=Form.NUMBER, least=1.0, most=40.0, default=4.0),
                Ask("mean_kg_ha", "Dose of the shift", "kg/ha", most=1000.0, is_optional=True),
            ),
        )
    return None


def _result(work: Work) -> Result:
    cans = values_of(work.entries, "cans")
    found = uniformity(cans["ml"])
    figures = _figures(found, "water")
    dose = None
    if "ms_cm" in cans:
        if "background_ms_cm" not in cans:
            raise ValueError(
                "got ECs of the cans and none of the water itself; expected both: enter the cans once more"
            )
        parts = doses([ml / 1000.0 for ml in cans["ml"]], cans["ms_cm"], cans["background_ms_cm"])
        dose = uniformity(parts)
        figures += _figures(dose, "dose")
    if "mean_kg_ha" in cans:
        least = worst_quarter_kg_ha(cans["mean_kg_ha"], dose or found)
        figures.append(Figure("the worst quarter receives", least, "kg/ha"))
    cause = likely(cans["ml"], cans.get("kpa", ()))
    told = [_LIKELY[cause], *_map(cans["ml"], int(cans["rows"]))]
    verdict = verdict_of(figures, is_doubtful=found.n < LEAST)
    return Result(tuple(figures), verdict, tuple(told))


def _figures(found: Uniformity, of: str) -> list[Figure]:
    low = _GOOD_PCT - found.du_u_pct
    return [
        Figure(f"DU of the low quarter, {of}", found.du_lq_pct, "%", found.du_u_pct, least=low, source=_BAND),
        Figure(f"CU, {of}", found.cu_pct, "%"),
        Figure(f"statistical uniformity, {of}", found.us_pct, "%"),
        Figure(f"sample, {of}", float(found.n), "cans", source=_SAMPLE),
    ]


def _map(ml: list[float], rows: int) -> list[str]:
    """Return a map of the block in words: each can in percent of the mean, lateral by lateral."""
    if rows < 1 or len(ml) % rows:
        return []
    mean, width = sum(ml) / len(ml), len(ml) // rows
    laterals = [ml[place : place + width] for place in range(0, len(ml), width)]
    return [
        f"Lateral {number}: {' '.join(f'{100.0 * one / mean:.0f}' for one in lateral)} % of the mean."
        for number, lateral in enumerate(laterals, 1)
    ]


def _parts(site: Site, block: str) -> tuple[Part, ...]:
    found = site.block[block]
    return (found.submain, found.lateral)


UNIFORMITY: Final = Step(
    name="uniformity",
    title="Uniformity",
    subjects=lambda site: tuple(site.block),
    needs=("16 cans or more of one size", "a measuring cylinder, a pressure gauge", "for the dose: an EC meter"),
    cautions=(
        "Cans stand over the whole shift where the dose is measured, from the first water to the end of the flush.",
    ),
    then=_then,
    result=_result,
    parts=_parts,
)

"""What the blocks will have had once a run that is still to come has gone as planned."""

from datetime import datetime

from daemon.agronomy.past import Past, PastDose, PastWater
from daemon.recipe import Recipe
from daemon.units import kilograms


def foreseen(past: Past, recipe: Recipe, at: datetime) -> Past:
    """Return the past with a run that is still to come, and begins at `at`, as if it had gone as planned."""
    doses: list[PastDose] = []
    for block in recipe.blocks:
        planned_mg: dict[str, int] = {}
        for masses_mg in block.planned_mg.values():
            for nutrient, mass_mg in masses_mg.items():
                planned_mg[nutrient] = planned_mg.get(nutrient, 0) + mass_mg
        for nutrient, mass_mg in planned_mg.items():
            mass_kg = kilograms(mass_mg)
            doses.append(
                PastDose(
                    run=recipe.run,
                    block=block.block,
                    nutrient=nutrient,
                    at=at,
                    planned_kg=mass_kg,
                    delivered_kg=mass_kg,
                    committed_kg=mass_kg,
                    u_kg=0.0,
                    is_disputed=False,
                    is_revised=False,
                )
            )
    water = (
        PastWater(recipe.run, block.block, at, recipe.water_l * block.share / 1000.0, recipe.source)
        for block in recipe.blocks
    )
    return past.also(doses, water)

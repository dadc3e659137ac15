"""Rain and wind: contacts that keep a shift from beginning, and pause it while it injects. They only ever remove."""

from daemon.control.sense import Facts
from daemon.recipe import Recipe

_WORDS = {"rain": "it rains", "wind": "the wind is too strong"}


def against(recipe: Recipe, facts: Facts) -> str:
    """Return why the weather keeps a recipe from beginning, or nothing.

    A contact that cannot be read inhibits nothing: without its advice the shift runs as it was planned, for a dry crop
    costs more than a wet night. Nothing safe depends on it (invariant 4 speaks of what does).
    """
    return " and ".join(_WORDS[name] for name in recipe.inhibited_by if facts.weather.get(name))


def is_against(recipe: Recipe, facts: Facts) -> bool:
    """Return whether a contact that the recipe goes by is on."""
    return any(facts.weather.get(name) for name in recipe.inhibited_by)


def unread(recipe: Recipe, facts: Facts) -> list[str]:
    """Return the contacts that a recipe goes by and that cannot be read."""
    return [name for name in recipe.inhibited_by if facts.weather.get(name) is None]


def kept(recipes: tuple[Recipe, ...], facts: Facts) -> tuple[tuple[tuple[Recipe, str], ...], tuple[Recipe, ...]]:
    """Return the first of `recipes` that may not begin now, each with why, and those left from the first that may."""
    dropped: list[tuple[Recipe, str]] = []
    for number, recipe in enumerate(recipes):
        why = against(recipe, facts)
        if not why:
            return tuple(dropped), recipes[number:]
        dropped.append((recipe, why))
    return tuple(dropped), ()

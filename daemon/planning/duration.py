"""How long a run takes."""

from daemon.hydraulics.pipes import fill_l
from daemon.recipe import Recipe
from daemon.site import Site
from daemon.units import litres_per_second


def duration_s(site: Site, recipe: Recipe) -> float:
    """Return the seconds from a run's begin to the end of its water, the filter's backwashes among them.

    A recipe counts litres that displace: while pipes fill and the filter washes, none does.
    """
    filling_l = sum(fill_l(site.block[block.block]) for block in recipe.blocks if block.drains)
    moving_s = (filling_l + recipe.water_l) / litres_per_second(recipe.flow_m3_h)
    return site.limits.settle_s + moving_s + _washing_s(site, recipe.water_l)


def _washing_s(site: Site, water_l: float) -> float:
    """Return what backwashes by the water that has passed take; those by the pressure cannot be foreseen."""
    if site.filter is None or site.filter.wash_every_m3 is None:
        return 0.0
    times = water_l / 1000.0 // site.filter.wash_every_m3
    return times * (site.filter.backwash_s + site.filter.recover_s)

"""The site as it was measured: the newest accepted test replaces a value of the site file, until that is rewritten."""

from dataclasses import replace

from daemon.decisions.base import Decisions, of_kind
from daemon.decisions.measured import Curve, Transit
from daemon.equipment import Injector, MeteringPump, Part
from daemon.site import Plant, Site, section_digest


def transit_parts(site: Site, block: str) -> tuple[Part, ...]:
    """Return the parts of a site that a block's transit was measured of: the pipes on its way."""
    found = site.block[block]
    return (*site.main.pipes, *found.pipes, found.submain, found.lateral)


def measured_transit(site: Site, decisions: Decisions, block: str) -> Transit | None:
    """Return the transit that was measured of a block, unless its pipes were written anew since; None for none."""
    found = decisions.get((Transit.kind, block))
    return found if isinstance(found, Transit) and _holds(found.section, transit_parts(site, block)) else None


def as_measured(plant: Plant, decisions: Decisions) -> Plant:
    """Return the plant with each injector's curve as it was measured; the plant's own digest stays the file's."""
    injectors: dict[str, Injector] = {}
    for name, curve in of_kind(decisions, Curve).items():
        injector = plant.site.injector.get(name)
        if isinstance(injector, MeteringPump) and _holds(curve.section, (injector,)):
            measured = {"curve": curve.points, "curve_accuracy_pct": curve.accuracy_pct}
            injectors[name] = injector.model_copy(update=measured)
    if not injectors:
        return plant
    return replace(plant, site=plant.site.model_copy(update={"injector": {**plant.site.injector, **injectors}}))


def _holds(section: str, parts: tuple[Part, ...]) -> bool:
    return section in ("", section_digest(parts))

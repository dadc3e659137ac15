"""What is bolted down, as far as others need to know it, and the shifts that people made of its blocks."""

from fastapi import APIRouter

from api.access.guard import VIEW
from api.farm import TheFarm
from api.shapes import CubicMetresPerHour, Hectares, Litres, Seconds, Shape
from daemon.decisions.base import of_kind
from daemon.decisions.watering import Shift

router = APIRouter(tags=["site"])


class OneTank(Shape):
    """A tank for stock."""

    volume_l: Litres


class OneBlock(Shape):
    """A block with its valve."""

    name: str
    area_ha: Hectares
    flow_m3_h: CubicMetresPerHour


class OneShift(Shape):
    """Blocks that run together."""

    name: str
    blocks: list[str]


class TheSite(Shape):
    """The plant."""

    name: str
    zone: str
    """Of the IANA list: nights and days are this zone's."""
    scan_s: Seconds
    digest: str
    """SHA-256 of the site file's content: a run says on which plant it ran."""
    blocks: list[OneBlock]
    channels: list[str]
    """Injection channels."""
    tanks: dict[str, OneTank]


@router.get("/site", **VIEW)
def site(farm: TheFarm) -> TheSite:
    """Return the plant."""
    found = farm.plant.site
    return TheSite(
        name=found.site.name,
        zone=found.site.zone,
        scan_s=found.site.scan_s,
        digest=farm.plant.digest,
        blocks=blocks(farm),
        channels=list(found.injector),
        tanks={name: OneTank(volume_l=tank.volume_l) for name, tank in found.tank.items()},
    )


@router.get("/blocks", **VIEW)
def blocks(farm: TheFarm) -> list[OneBlock]:
    """Return the blocks."""
    return [
        OneBlock(name=name, area_ha=block.area_ha, flow_m3_h=block.flow_m3_h)
        for name, block in farm.plant.site.block.items()
    ]


@router.get("/shifts", **VIEW)
def shifts(farm: TheFarm) -> list[OneShift]:
    """Return the shifts in force. They are decisions of the kind `shift`, and changed as such."""
    found = of_kind(farm.in_force().decisions, Shift)
    return [OneShift(name=name, blocks=list(shift.blocks)) for name, shift in found.items()]

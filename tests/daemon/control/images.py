"""Raw images and outputs as the specification reads them: by name, by age, and what a row of them proves."""

import math
from collections import deque
from typing import Any

from daemon.control.image import Image, Now, Outputs
from daemon.equipment import Filter, MainLine
from daemon.recipe import Recipe
from daemon.site import Plant
from drivers.reading import Quality, Reading
from tests.daemon.control.plant import changed

FLOW_SCANS = 2
SWITCH_STALE_S = 5.0
_HAIR = 1e-9


def on(outputs: Outputs) -> frozenset[str]:
    """Return the names of all outputs that are on."""
    names = {f"valve.{block}" for block in outputs.blocks} | ({"pump"} if outputs.pump else set())
    names |= {"backwash"} if outputs.backwash else set()
    for name, channel in outputs.channels.items():
        names |= {f"injection_valve.{name}"} if channel.valve else set()
        names |= {f"injector.{name}"} if channel.run else set()
    return frozenset(names)


def injectors(outputs: Outputs) -> frozenset[str]:
    """Return the channels whose injector is energised."""
    return frozenset(name for name, channel in outputs.channels.items() if channel.run or channel.drive > 0.0)


def usable(reading: Reading, now: Now, stale_s: float = SWITCH_STALE_S) -> bool:
    """Return whether a reading may prove anything: GOOD, a number, and not stale."""
    return (
        reading.quality is Quality.GOOD and not math.isnan(reading.value) and now.at_s - reading.at_s <= stale_s + _HAIR
    )


def is_on(reading: Reading, now: Now) -> bool:
    """Return whether a switch is proven on."""
    return usable(reading, now) and reading.value == 1.0


def named(image: Image) -> dict[str, Reading]:
    """Return an image's readings by name."""
    found = {name: getattr(image, name) for name in Image.__annotations__ if isinstance(getattr(image, name), Reading)}
    for name, channel in image.channels.items():
        found |= {f"stock.{name}": channel.stock_l, f"content.{name}": channel.content_l}
    found |= {f"weather.{name}": reading for name, reading in image.weather.items()}
    return found | {f"output.{role}": reading for role, reading in image.outputs.items()}


def exchanged(image: Image, readings: dict[str, Reading]) -> Image:
    """Return the image with some readings exchanged, by their names."""
    plain: dict[str, Any] = {name: reading for name, reading in readings.items() if "." not in name}
    channels = {
        name: changed(
            channel,
            stock_l=readings.get(f"stock.{name}", channel.stock_l),
            content_l=readings.get(f"content.{name}", channel.content_l),
        )
        for name, channel in image.channels.items()
    }
    outputs = {role: readings.get(f"output.{role}", reading) for role, reading in image.outputs.items()}
    weather = {name: readings.get(f"weather.{name}", reading) for name, reading in image.weather.items()}
    return changed(image, channels=channels, outputs=outputs, weather=weather, **plain)


def is_kept_out(recipe: Recipe, image: Image, now: Now) -> bool:
    """Return whether a contact of the weather that the recipe goes by is proven on."""
    return any(name in image.weather and is_on(image.weather[name], now) for name in recipe.inhibited_by)


class Seen:
    """What the images up to now prove of flow and filter. It keeps times and no more of `decide`'s own memory."""

    def __init__(self) -> None:
        self.images: deque[tuple[Image, Now]] = deque(maxlen=FLOW_SCANS)
        self._proofs: deque[bool] = deque(maxlen=FLOW_SCANS)
        self._count_l = math.nan
        self._pulse_at_s = -math.inf
        self._washed_at_s = -math.inf
        self.is_washing = False
        """A backwash is under way, or nothing proves that it is not."""
        self.is_quiet = True
        """No backwash, nor one so short ago that flow and pressure have not recovered."""
        self.displaces = True
        """What the meter counts goes to the field."""

    def look(self, plant: Plant, image: Image, held: Outputs, now: Now) -> None:
        """Take in one scan's image; `held` is what the output module holds while it was read."""
        main, washer = plant.site.main, plant.site.filter
        self.images.append((image, now))
        self._proofs.append(self._proves_flow(main, image, now))
        if washer is not None:
            self._look_at_filter(washer, image, held, now)
        self.displaces = self.is_quiet or main.comes_before("filter", "meter")

    @property
    def has_flow(self) -> bool:
        """Whether the main flow was proven in each of the last scans."""
        return len(self._proofs) == FLOW_SCANS and all(self._proofs)

    def _look_at_filter(self, washer: Filter, image: Image, held: Outputs, now: Now) -> None:
        contact = image.backwashing
        is_shut = contact is None or (usable(contact, now) and contact.value == 0.0)
        self.is_washing = held.backwash or not is_shut
        if self.is_washing:
            self._washed_at_s = now.at_s
        self.is_quiet = not self.is_washing and now.at_s - self._washed_at_s >= washer.recover_s - _HAIR

    def _proves_flow(self, main: MainLine, image: Image, now: Now) -> bool:
        """Return whether this image shows a flow: by its meter, or by a pulse within the least flow's interval."""
        count, flow = image.water_l, image.flow_m3_h
        if main.flow is not None:
            return flow is not None and usable(flow, now, main.flow.stale_s) and flow.value >= main.min_flow_m3_h
        if not usable(count, now, main.water.stale_s):
            return False
        if count.value != self._count_l:
            self._pulse_at_s = now.at_s if not math.isnan(self._count_l) else -math.inf
            self._count_l = count.value
        longest_s = (main.water.per_count or 1.0) * 3.6 / main.min_flow_m3_h
        return now.at_s - self._pulse_at_s <= longest_s + _HAIR


def may_inject(plant: Plant, recipe: Recipe, seen: Seen, held: Outputs, channel: str) -> str:
    """Return what invariant 1 finds against an open injector in this scan, or nothing.

    `held` is what the output module holds while the last image was read.
    """
    site = plant.site
    (image, now) = seen.images[-1]
    blocks = frozenset(block.block for block in recipe.blocks)
    open_valves = {name for name in site.block if is_on(image.outputs[f"valve.{name}"], now)}
    wanted = on(held)
    content = site.tank[site.injector[channel].tank].content
    tank_l = image.channels[channel].content_l
    rules = {
        "main flow proven": seen.has_flow,
        "selector in Auto": is_on(image.selector_auto, now),
        "emergency stop healthy": is_on(image.emergency_stop_healthy, now),
        "pressure above minimum": usable(image.pressure_kpa, now, site.main.pressure.stale_s)
        and image.pressure_kpa.value >= site.main.min_pressure_kpa,
        "the shift's valves open and no other": open_valves == blocks == held.blocks,
        "output module as written": all(
            usable(reading, now) and (reading.value == 1.0) == (role in wanted)
            for role, reading in image.outputs.items()
        ),
        "last commit young": image.ledger.writable and image.ledger.pending_s <= site.limits.commit_age_s,
        "pump running": held.pump
        and (site.pump is None or (image.pump_running is not None and is_on(image.pump_running, now))),
        "watchdog armed": usable(image.output_watchdog_s, now)
        and 0.0 < image.output_watchdog_s.value <= site.safety.max_watchdog_s,
        "totaliser read": usable(image.water_l, now, site.main.water.stale_s),
        "injector meter read": usable(image.channels[channel].stock_l, now, site.injector[channel].meter.stale_s),
        "tank above low level": content is None
        or (usable(tank_l, now, content.stale_s) and tank_l.value >= site.tank[site.injector[channel].tank].low_l),
        "filter neither washing nor recovering": seen.is_quiet,
    }
    return ", ".join(rule for rule, holds in rules.items() if not holds)

"""From the site to the wire and back: links, the fewest block reads of a scan, the image, and the outputs."""

import asyncio
import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from daemon.control.image import SAFE, ChannelImage, Image, LedgerHealth, Outputs
from daemon.site import Device, Plant, Signal, Way, point_refs, signals_of
from drivers.codec import DeviceReader, DeviceWriter
from drivers.link import DeviceIdentity, Health, Link, ReadFailed
from drivers.profile import BIT_TABLES, Point, Profile, WriteBlock
from drivers.reading import Quality, Reading, WriteResult

SIMULATOR = "SIMULATOR"
"""Product code by which the simulator names itself."""


@dataclass(frozen=True, slots=True)
class _Station:
    """One device on its link."""

    name: str
    device: Device
    reader: DeviceReader
    writes: frozenset[str]
    writer: DeviceWriter | None


class Field:
    """Every link of a site. One scan reads through it once and writes through it once."""

    def __init__(self, plant: Plant, profiles: Mapping[str, Profile], now: Callable[[], float]) -> None:
        """Prepare the links; nothing is opened before the first read or write. `now` stamps the readings."""
        self._plant = plant
        self._now = now
        site = plant.site
        self.links = {name: Link(name, bus.host, bus.port, bus.timeout_s, now) for name, bus in site.bus.items()}
        self._stations: dict[str, list[_Station]] = {name: [] for name in site.bus}
        self._outputs = _output_points(plant)
        self._shown = {
            role: self._read_back(ref) for role, ref in self._outputs.items() if not role.startswith("drive.")
        }
        signals = {signal.point: signal for _, signal in signals_of(site)}
        for name, device in site.device.items():
            reads, writes = _points_of(name, plant)
            profile = _as_wired(profiles[device.profile], name, signals)
            writer = DeviceWriter(profile, device.unit, writes) if writes else None
            self._stations[device.bus].append(
                _Station(name, device, DeviceReader(profile, device.unit, reads), frozenset(writes), writer)
            )
        self._readings: dict[str, Reading] = {}

    async def identities(self) -> dict[str, DeviceIdentity | None]:
        """Return what the first device of each connected bus says it is; buses without a connection are missing."""
        found = {}
        for bus, stations in self._stations.items():
            identity = await self.links[bus].identify(stations[0].device.unit)
            if self.links[bus].health.connected:
                found[bus] = identity
        return found

    async def read(self) -> dict[str, Reading]:
        """Return a reading for every point of the site; a block that fails makes all of its points BAD."""
        buses = [self._read_bus(bus) for bus in self._stations]
        self._readings = {}
        for readings in await asyncio.gather(*buses):
            self._readings.update(readings)
        return self._readings

    async def _read_bus(self, bus: str) -> dict[str, Reading]:
        link, readings = self.links[bus], {}
        for station in self._stations[bus]:
            for index, block in enumerate(station.reader.blocks):
                reply = await link.read(station.device.unit, block)
                if isinstance(reply, ReadFailed):
                    bad = Reading(math.nan, Quality.BAD, self._now())
                    readings.update({f"{station.name}.{name}": bad for name in station.reader.names(index)})
                else:
                    decoded = station.reader.decode(index, reply.values, reply.at_s)
                    readings.update({f"{station.name}.{name}": reading for name, reading in decoded.items()})
        return readings

    def image(self, readings: Mapping[str, Reading], ledger: LedgerHealth) -> Image:
        """Return the input image: each reading under what it means, in its engineering unit."""
        site, main, safety = self._plant.site, self._plant.site.main, self._plant.site.safety
        return Image(
            flow_m3_h=readings[main.flow.point],
            water_l=readings[main.water.point],
            pressure_kpa=readings[main.pressure.point],
            background_ec_ms_cm=readings[main.background_ec.point],
            line_ec_ms_cm=readings[main.line_ec.point],
            pump_running=readings[site.pump.running],
            emergency_stop_healthy=readings[safety.emergency_stop_healthy],
            selector_auto=readings[safety.selector_auto],
            reset_button=readings[safety.reset_button],
            output_watchdog_s=readings[safety.output_watchdog_s],
            channels={
                name: ChannelImage(readings[injector.meter.point], readings[site.tank[injector.tank].content.point])
                for name, injector in site.injector.items()
            },
            outputs={role: readings[ref] for role, ref in self._shown.items()},
            ledger=ledger,
        )

    def _read_back(self, ref: str) -> str:
        device, point = ref.split(".")[0], self._plant.points[ref]
        return f"{device}.{point.read_back}" if point.read_back else ref

    async def write(self, outputs: Outputs, *, urgent: bool = False) -> bool:
        """Write the outputs; return whether every device confirmed.

        Relays are written every scan, which also tells the module that its master lives. A set value is written when
        the device does not already show it. `urgent` writes all of it, even on a link that is backing off.
        """
        values = self._values(outputs)
        due = {bus: tuple(self._due(stations, values, urgent)) for bus, stations in self._stations.items()}
        buses = [self._write_bus(bus, blocks, urgent) for bus, blocks in due.items() if blocks]
        # Most scans write on one bus alone, and a task for it would cost as much as the decision.
        return all(await asyncio.gather(*buses)) if len(buses) > 1 else all([await bus for bus in buses])

    def _due(
        self, stations: Iterable[_Station], values: Mapping[str, float], urgent: bool
    ) -> Iterator[tuple[int, WriteBlock, list[int]]]:
        for station in stations:
            if station.writer is None:
                continue
            wanted = {name: values[f"{station.name}.{name}"] for name in station.writes}
            for index, block in enumerate(station.writer.blocks):
                if block.table in BIT_TABLES or urgent or not self._shows(station, block.points, wanted):
                    yield station.device.unit, block, station.writer.encode(index, wanted)

    async def _write_bus(self, bus: str, blocks: Iterable[tuple[int, WriteBlock, list[int]]], urgent: bool) -> bool:
        link, confirmed = self.links[bus], True
        for unit, block, sent in blocks:
            write = link.write_bits if block.table in BIT_TABLES else link.write_registers
            confirmed &= await write(unit, block.address, sent, urgent=urgent) is WriteResult.CONFIRMED
        return confirmed

    def _shows(self, station: _Station, points: tuple[Point, ...], wanted: Mapping[str, float]) -> bool:
        """Return whether this scan's read-back already shows the wanted set values, to the register's resolution."""
        for point in points:
            seen = self._readings.get(f"{station.name}.{point.read_back}") if point.read_back else None
            if seen is None or seen.quality is not Quality.GOOD:
                return False
            if abs(seen.value - wanted[point.name]) > 0.5 * abs(point.scale):
                return False
        return True

    def _values(self, outputs: Outputs) -> dict[str, float]:
        values = {}
        for role, ref in self._outputs.items():
            kind, _, name = role.partition(".")
            channel = outputs.channels.get(name)
            if kind == "pump":
                value = float(outputs.pump)
            elif kind == "valve":
                value = float(name in outputs.blocks)
            elif channel is None:
                value = 0.0
            else:
                value = {"injection_valve": channel.valve, "injector": channel.run, "drive": channel.drive}[kind]
            values[ref] = float(value)
        return values

    async def safe(self) -> bool:
        """Write everything off, whatever the links' state; return whether every device confirmed."""
        return await self.write(SAFE, urgent=True)

    def health(self) -> dict[str, Health]:
        """Return each link's counters."""
        return {name: link.health for name, link in self.links.items()}

    async def close(self) -> None:
        """Close every link."""
        for link in self.links.values():
            await link.close()


def _as_wired(profile: Profile, device: str, signals: Mapping[str, Signal]) -> Profile:
    """Return a device's profile with its signals and counters scaled to what the site says that they mean."""
    points = {name: _scaled(point, signals.get(f"{device}.{name}")) for name, point in profile.points.items()}
    return replace(profile, points=points)


def _scaled(point: Point, signal: Signal | None) -> Point:
    """Return `point` so that it decodes to the signal's own unit: one linear scale instead of two."""
    if signal is None:
        return point
    if signal.per_count is not None:
        return replace(point, scale=point.scale * signal.per_count, offset=point.offset * signal.per_count)
    if signal.at_low is None or signal.at_high is None or point.signal is None:
        return point
    low, high = point.signal
    slope = (signal.at_high - signal.at_low) / (high - low)
    start = signal.at_low - low * slope
    outside = point.fault_outside and sorted(end * slope + start for end in point.fault_outside)
    return replace(
        point,
        scale=point.scale * slope,
        offset=point.offset * slope + start,
        fault_outside=(outside[0], outside[1]) if outside else None,
    )


def _output_points(plant: Plant) -> dict[str, str]:
    """Return each output's point by role: pump, valve.<block>; injection_valve, injector and drive.<channel>."""
    site = plant.site
    points = {"pump": site.pump.run}
    points |= {f"valve.{name}": block.valve for name, block in site.block.items()}
    for name, injector in site.injector.items():
        points[f"injection_valve.{name}"] = injector.valve
        points[f"injector.{name}"] = injector.run
        points[f"drive.{name}"] = injector.drive
    return points


def _points_of(device: str, plant: Plant) -> tuple[set[str], set[str]]:
    """Return the names of a device's points that the site reads, read-backs of its outputs included, and writes."""
    reads, writes = set(), set()
    for _, ref, way in point_refs(plant.site):
        owner, _, name = ref.partition(".")
        if owner != device:
            continue
        if way is Way.OUT:
            writes.add(name)
            reads.add(plant.points[ref].read_back or name)
        else:
            reads.add(name)
    return reads, writes

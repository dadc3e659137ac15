"""From the site to the wire and back: links, the fewest block reads of a scan, the image, and the outputs."""

import asyncio
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace

from daemon.control.image import SAFE, ChannelImage, ChannelOutput, Image, LedgerHealth, Outputs
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

    device: Device
    reader: DeviceReader
    writer: DeviceWriter | None


@dataclass(frozen=True, slots=True)
class _Write:
    """One write request of a scan."""

    bus: str
    unit: int
    block: WriteBlock
    sent: list[int]
    values: Mapping[str, float]
    """What the outputs want of each point."""


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
        main, safety = site.main, site.safety
        self._single = (
            main.flow.point,
            main.water.point,
            main.pressure.point,
            main.background_ec.point,
            main.line_ec.point,
            site.pump.running,
            safety.emergency_stop_healthy,
            safety.selector_auto,
            safety.reset_button,
            safety.output_watchdog_s,
        )
        """The points of the image's single readings, in its order."""
        self._channels = tuple(
            (name, injector.meter.point, site.tank[injector.tank].content.point)
            for name, injector in site.injector.items()
        )
        signals = {signal.point: signal for _, signal in signals_of(site)}
        for name, device in site.device.items():
            reads, writes = _points_of(name, plant)
            profile = _as_wired(profiles[device.profile], name, signals)
            writer = DeviceWriter(profile, device.unit, writes) if writes else None
            self._stations[device.bus].append(_Station(device, DeviceReader(profile, device.unit, reads), writer))
        self._readings: dict[str, Reading] = {}
        self._encoded: tuple[Outputs | None, tuple[_Write, ...]] = (None, ())

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
        link = self.links[bus]
        readings: dict[str, Reading] = {}
        for station in self._stations[bus]:
            for index, block in enumerate(station.reader.blocks):
                reply = await link.read(station.device.unit, block)
                if isinstance(reply, ReadFailed):
                    readings.update(dict.fromkeys(station.reader.names(index), self._bad()))
                else:
                    readings.update(station.reader.decode(index, reply.values, reply.at_s))
        return readings

    def _bad(self) -> Reading:
        return Reading(math.nan, Quality.BAD, self._now())

    def image(self, readings: Mapping[str, Reading], ledger: LedgerHealth) -> Image:
        """Return the input image: each reading under what it means, in its engineering unit."""
        flow, water, pressure, background, line, running, healthy, auto, reset, watchdog = self._single
        return Image(
            flow_m3_h=readings[flow],
            water_l=readings[water],
            pressure_kpa=readings[pressure],
            background_ec_ms_cm=readings[background],
            line_ec_ms_cm=readings[line],
            pump_running=readings[running],
            emergency_stop_healthy=readings[healthy],
            selector_auto=readings[auto],
            reset_button=readings[reset],
            output_watchdog_s=readings[watchdog],
            channels={
                name: ChannelImage(readings[meter], readings[content]) for name, meter, content in self._channels
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
        if outputs != self._encoded[0]:
            self._encoded = (outputs, self._encode(outputs))
        due: dict[str, list[_Write]] = {}
        for write in self._encoded[1]:
            if write.block.table in BIT_TABLES or urgent or not self._shows(write):
                due.setdefault(write.bus, []).append(write)
        buses = [self._write_bus(bus, writes, urgent) for bus, writes in due.items()]
        # Most scans write on one bus alone, and a task for it would cost as much as the decision.
        return all(await asyncio.gather(*buses)) if len(buses) > 1 else all([await bus for bus in buses])

    def _encode(self, outputs: Outputs) -> tuple[_Write, ...]:
        """Return every write request that the outputs make."""
        values = self._values(outputs)
        return tuple(
            _Write(bus, station.device.unit, block, station.writer.encode(index, values), values)
            for bus, stations in self._stations.items()
            for station in stations
            if station.writer is not None
            for index, block in enumerate(station.writer.blocks)
        )

    def _values(self, outputs: Outputs) -> dict[str, float]:
        """Return the value of each output's point."""
        values = {}
        for role, ref in self._outputs.items():
            kind, _, name = role.partition(".")
            channel = outputs.channels.get(name, ChannelOutput())
            values[ref] = float(
                outputs.pump
                if kind == "pump"
                else name in outputs.blocks
                if kind == "valve"
                else {"injection_valve": channel.valve, "injector": channel.run, "drive": channel.drive}[kind]
            )
        return values

    def _shows(self, write: _Write) -> bool:
        """Return whether this scan's read-back already shows the wanted set values, to the register's resolution."""
        for point in write.block.points:
            seen = self._readings.get(point.read_back) if point.read_back else None
            if seen is None or seen.quality is not Quality.GOOD:
                return False
            if abs(seen.value - write.values[point.name]) > 0.5 * abs(point.scale):
                return False
        return True

    async def _write_bus(self, bus: str, writes: Iterable[_Write], urgent: bool) -> bool:
        link, confirmed = self.links[bus], True
        for write in writes:
            send = link.write_bits if write.block.table in BIT_TABLES else link.write_registers
            confirmed &= await send(write.unit, write.block.address, write.sent, urgent=urgent) is WriteResult.CONFIRMED
        return confirmed

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
    """Return a device's profile as the site wires it: points by "device.point", scaled to what the site says."""
    points = {
        name: replace(
            _scaled(point, signals.get(f"{device}.{name}")),
            name=f"{device}.{name}",
            read_back=f"{device}.{point.read_back}" if point.read_back else None,
        )
        for name, point in profile.points.items()
    }
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

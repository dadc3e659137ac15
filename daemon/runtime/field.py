"""From the site to the wire and back: links, the fewest block reads of a scan, the image, and the outputs."""

import asyncio
import itertools
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from daemon.control.image import SAFE, ChannelImage, ChannelOutput, Image, LedgerHealth, Outputs
from daemon.equipment import Device, Weather
from daemon.runtime.doubt import Doubts
from daemon.runtime.wiring import as_wired, content_point, make_link, output_points, points_of
from daemon.site import Plant, signals_of
from drivers.codec import DeviceReader, DeviceWriter
from drivers.health import DeviceHealth, Health
from drivers.link import DeviceIdentity, ReadFailed, ReadOk
from drivers.profile import BIT_TABLES, Form, Profile, WriteBlock
from drivers.reading import Quality, Reading, WriteResult

SIMULATOR = "SIMULATOR"
"""Product code by which the simulator names itself."""
_NONE = Reading(math.nan, Quality.BAD, -math.inf)
"""Of what the site does not have."""
_OFF = ChannelOutput()
_FLOAT_STEP = 2.0**-11
"""A float register has no step of its own. What it sets goes from 0 to 1, and a converter behind it has some 12 bits
(engineering judgement): a smaller difference need not be written again."""


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
    switches: bool
    """Whether it switches something, and does not only set a value."""


class Field:
    """Every link of a site. One scan reads through it once and writes through it once."""

    def __init__(self, plant: Plant, profiles: Mapping[str, Profile], now: Callable[[], float]) -> None:
        """Prepare the links; nothing is opened before the first read or write. `now` stamps the readings."""
        self._plant = plant
        self._now = now
        site = plant.site
        self.links = {name: make_link(name, bus, now) for name, bus in site.bus.items()}
        self._stations: dict[str, list[_Station]] = {name: [] for name in site.bus}
        self._outputs = output_points(plant)
        self._shown = {
            role: self._read_back(ref)
            for role, ref in self._outputs.items()
            if not role.startswith(("drive.", "speed"))
        }
        main, safety = site.main, site.safety
        self._needed = (
            main.water.point,
            main.pressure.point,
            safety.emergency_stop_healthy,
            safety.selector_auto,
            safety.reset_button,
            safety.output_watchdog_s,
        )
        """The points of the readings that every image has, in the order in which `image` takes them."""
        self._optional = (
            main.flow and main.flow.point,
            main.background_ec and main.background_ec.point,
            main.line_ec and main.line_ec.point,
            site.pump and site.pump.running,
            site.filter and site.filter.backwashing,
            site.filter and site.filter.pressure_difference and site.filter.pressure_difference.point,
            safety.output_uptime_s,
            safety.watchdog_self_clears,
            main.reverse_flow,
        )
        """The points of those that a site may lack."""
        contacts = site.weather or Weather()
        self._weather = {name: ref for name, ref in contacts if ref is not None}
        self._channels = tuple(
            (name, injector.meter.point, content_point(site, injector.tank)) for name, injector in site.injector.items()
        )
        self._far = {name: block.far_ec.point for name, block in site.block.items() if block.far_ec is not None}
        signals = {signal.point: signal for _, signal in signals_of(site)}
        for name, device in site.device.items():
            reads, writes = points_of(name, plant)
            profile = as_wired(profiles[device.profile], name, signals)
            writer = DeviceWriter(profile, device.unit, writes) if writes else None
            self._stations[device.bus].append(_Station(device, DeviceReader(profile, device.unit, reads), writer))
        self._readings: dict[str, Reading] = {}
        self._replies: list[list[tuple[_Station, int, ReadOk | ReadFailed | None]]] = []
        self._doubts = Doubts(site.site.scan_s, site.safety.max_watchdog_s, now)
        self._encoded: tuple[Outputs | None, tuple[_Write, ...]] = (None, ())

    async def identities(self) -> dict[str, DeviceIdentity | None]:
        """Return what each connected bus says it is, by its first device that does; the others are missing."""
        found = {}
        for bus, stations in self._stations.items():
            identity = None
            for station in stations:  # the first of them may be the one that is off or dead
                identity = identity or await self.links[bus].identify(station.device.unit)
            if self.links[bus].health.connected:
                found[bus] = identity
        return found

    async def read(self) -> dict[str, Reading]:
        """Return a reading for every point of the site; a block that fails makes all of its points BAD."""
        replies = await asyncio.gather(*map(self._read_bus, self._stations))
        readings: dict[str, Reading] = {}
        for station, index, reply in itertools.chain.from_iterable(replies):
            if isinstance(reply, ReadOk):
                station.reader.decode_into(readings, index, reply.values, reply.at_s)
            else:
                readings.update(dict.fromkeys(station.reader.names(index), self._bad()))
        self._readings, self._replies = readings, replies
        return readings

    def raw(self, refs: Iterable[str]) -> dict[str, str]:
        """Return the registers of points as the last scan had them, in hexadecimal; none of a silent device."""
        wanted = set(refs)
        found: dict[str, str] = {}
        for station, index, reply in itertools.chain.from_iterable(self._replies):
            if isinstance(reply, ReadOk):
                found |= {name: data.hex() for name, data in station.reader.raw(index, reply.values, wanted).items()}
        return found

    def be_silent(self, seconds: float) -> None:
        """Say nothing to the output modules for so long, to see that they drop their outputs by themselves."""
        for bus, stations in self._stations.items():
            for station in stations:
                if station.writer is not None and any(map(_switches, station.writer.blocks)):
                    self._doubts.be_silent((bus, station.device.unit), seconds)

    async def _read_bus(self, bus: str) -> list[tuple[_Station, int, ReadOk | ReadFailed | None]]:
        """Ask for every block of a bus, one after the other; None stands for one that was not to be asked for."""
        link = self.links[bus]
        return [
            (station, index, None if is_silenced else await link.read(station.device.unit, block))
            for station in self._stations[bus]
            for is_silenced in (self._doubts.is_silenced((bus, station.device.unit)),)
            for index, block in enumerate(station.reader.blocks)
        ]

    def _bad(self) -> Reading:
        return Reading(math.nan, Quality.BAD, self._now())

    def image(self, readings: Mapping[str, Reading], ledger: LedgerHealth, *, is_clock_trusted: bool = True) -> Image:
        """Return the input image: each reading under what it means, in its engineering unit."""
        water, pressure, healthy, auto, reset, watchdog = self._needed
        flow, background, line, running, backwashing, difference, uptime, self_clears, reverse = [
            readings[ref] if ref else None for ref in self._optional
        ]
        return Image(
            flow_m3_h=flow,
            water_l=readings[water],
            pressure_kpa=readings[pressure],
            background_ec_ms_cm=background,
            line_ec_ms_cm=line,
            pump_running=running,
            emergency_stop_healthy=readings[healthy],
            selector_auto=readings[auto],
            reset_button=readings[reset],
            output_watchdog_s=readings[watchdog],
            backwashing=backwashing,
            filter_difference_kpa=difference,
            channels={
                name: ChannelImage(readings[meter], readings[content] if content else _NONE)
                for name, meter, content in self._channels
            },
            outputs={role: readings[ref] for role, ref in self._shown.items()},
            ledger=ledger,
            weather={name: readings[ref] for name, ref in self._weather.items()},
            output_uptime_s=uptime,
            watchdog_self_clears=self_clears,
            reverse_flow=reverse,
            is_clock_trusted=is_clock_trusted,
            far_ec_ms_cm={name: readings[ref] for name, ref in self._far.items()},
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
            _Write(bus, station.device.unit, block, station.writer.encode(index, values), values, _switches(block))
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
            channel = outputs.channels.get(name, _OFF)
            values[ref] = float(
                {
                    "pump": outputs.pump,
                    "speed": outputs.pump_speed,
                    "backwash": outputs.backwash,
                    "valve": name in outputs.blocks,
                    "injection_valve": channel.valve,
                    "injector": channel.run,
                    "drive": channel.drive,
                }[kind]
            )
        return values

    def _shows(self, write: _Write) -> bool:
        """Return whether this scan's read-back already shows the wanted set values, to the point's resolution."""
        for point in write.block.points:
            seen = self._readings.get(point.read_back) if point.read_back else None
            if seen is None or seen.quality is not Quality.GOOD:
                return False
            step = abs(point.scale) if point.form not in (Form.F32, Form.F64) else _FLOAT_STEP
            if abs(seen.value - write.values[point.name]) > 0.5 * step:
                return False
        return True

    def _holds_on(self, write: _Write) -> bool:
        """Return whether the module shows something on that is to be off."""
        shown = ((point, self._readings.get(point.read_back or point.name)) for point in write.block.points)
        return any(
            seen is not None and seen.quality is Quality.GOOD and seen.value >= 0.5 and not write.values[point.name]
            for point, seen in shown
            if point.form is Form.BOOL
        )

    async def _write_bus(self, bus: str, writes: Iterable[_Write], urgent: bool) -> bool:
        link, confirmed = self.links[bus], True
        for write in writes:
            module, address, sent = (bus, write.unit), write.block.address, write.sent
            if not urgent and self._doubts.is_silenced(module):
                confirmed = False
                continue
            # A switching that nobody has confirmed waits for no resting link: it may be the injector's.
            is_due = write.switches and self._doubts.is_due(module, address, sent)
            is_deaf = write.switches and not is_due and self._holds_on(write)
            send = link.write_bits if write.block.table in BIT_TABLES else link.write_registers
            result = await send(write.unit, address, sent, urgent=urgent or is_due, single=write.block.single)
            if result is WriteResult.CONFIRMED and not is_deaf:
                self._doubts.confirmed(module, address, sent)
                continue
            confirmed = False
            if is_due or is_deaf:
                self._doubts.unconfirmed(module, address)
        return confirmed

    async def safe(self) -> bool:
        """Write everything off, whatever the links' state; return whether every device confirmed."""
        return await self.write(SAFE, urgent=True)

    def health(self) -> dict[str, Health]:
        """Return each link's counters."""
        return {name: link.health for name, link in self.links.items()}

    def device_health(self) -> dict[str, DeviceHealth]:
        """Return each device's counters."""
        devices = self._plant.site.device.items()
        return {name: self.links[device.bus].device_health(device.unit) for name, device in devices}

    async def close(self) -> None:
        """Close every link."""
        for link in self.links.values():
            await link.close()


def _switches(block: WriteBlock) -> bool:
    return any(point.form is Form.BOOL for point in block.points)

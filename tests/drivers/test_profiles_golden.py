"""What each packaged device says and is told on the wire, in bytes worked out by hand from its register list.

Floats are IEEE 754's: 12.34 = 4145 70A4, 50.0 = 4248 0000, 123456.0 = 47F1 2000, 5.0 = 40A0 0000, 123.456 = 42F6 E979,
100.0 = 42C8 0000. Integers are two's complement. Unit and checksum are added around these PDUs.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import pytest

from drivers.codec import DeviceReader, DeviceWriter
from drivers.link import Link, ReadOk
from drivers.profile import BIT_TABLES, load_profiles
from drivers.reading import Quality, Reading, WriteResult
from tests.drivers.rtu import behind_gateway, sealed

_UNIT = 7


@dataclass(frozen=True)
class _Golden:
    """What one device says and is told."""

    reads: tuple[tuple[str, str], ...]
    """(request, reply) of each block, in hexadecimal."""
    meant: Mapping[str, float]
    """The reading of each point; NaN for one that is BAD."""
    values: Mapping[str, float] = field(default_factory=dict)
    writes: tuple[str, ...] = ()
    """The requests that set `values`."""


_GOLDEN: list[tuple[str, _Golden]] = [
    (
        "magnetic_flow_meter",
        _Golden(
            reads=(("04 0000 0005", "04 0A  4145 70A4  0001 E240  0001"),),
            meant={"flow_m3_h": 12.34, "total": 123456.0, "empty_pipe": 1.0},
        ),
    ),
    (
        "relay_block",
        _Golden(
            reads=(("04 0000 0006", "04 0C  0085  0042  0000 0E10  0032  0001"),),
            meant={"in1": 1.0, "in2": 0.0, "in3": 1.0, "in4": 0.0, "in5": 0.0, "in6": 0.0, "in7": 0.0, "in8": 1.0}
            | {f"out{n}_state": 1.0 if n in (2, 7) else 0.0 for n in range(1, 9)}
            | {"uptime_s": 3600.0, "watchdog_s": 5.0, "watchdog_tripped": 1.0},
            values={f"out{n}": 1.0 if n in (1, 3, 6, 8) else 0.0 for n in range(1, 9)} | {"watchdog_setting_s": 5.0},
            writes=("0F 0000 0008 01 A5", "10 0000 0001 02 0032"),
        ),
    ),
    (
        "signal_block",
        _Golden(
            reads=(
                (
                    "04 0000 0012",
                    "04 24  0FA0 2EE0 4E20 0E10 5208 0E0F 5209 0000"
                    "  FFFF FFFA  0000 0005  0000 0000  0001 0000  1388 2710",
                ),
            ),
            meant={"ai1": 4.0, "ai2": 12.0, "ai3": 20.0, "ai4": 3.6, "ai5": 21.0}
            | {"ai6": math.nan, "ai7": math.nan, "ai8": math.nan}
            | {"count1": 4294967290.0, "count2": 5.0, "count3": 0.0, "count4": 65536.0}
            | {"ao1_state": 0.5, "ao2_state": 1.0},
            values={"ao1": 0.25, "ao2": 1.0},
            writes=("10 0000 0002 04 09C4 2710",),
        ),
    ),
    (
        "io_station",
        _Golden(
            reads=(
                (
                    "04 0000 0018",
                    "04 30  0081  0004  0001 5180  0064  0000  0FA0 2EE0 4E20 0E10 5208 0E0F 5209 2EE0"
                    "  0000 000A  FFFF FFFF  0000 0000  0001 E240  0000 2710",
                ),
            ),
            meant={"in1": 1.0, "in2": 0.0, "in8": 1.0, "out1_state": 0.0, "out3_state": 1.0, "uptime_s": 86400.0}
            | {"watchdog_s": 10.0, "watchdog_tripped": 0.0, "ai1": 4.0, "ai5": 21.0, "ai6": math.nan, "ai8": 12.0}
            | {"count1": 10.0, "count2": 4294967295.0, "count4": 123456.0, "ao1_state": 0.0, "ao2_state": 1.0},
            values={f"out{n}": 1.0 if n == 8 else 0.0 for n in range(1, 9)} | {"ao1": 0.0001, "ao2": 0.5},
            writes=("0F 0000 0008 01 80", "10 0001 0002 04 0001 1388"),
        ),
    ),
    (
        "pulse_counter_block",
        _Golden(
            reads=(
                ("02 0000 0008", "02 01 85"),
                (
                    "04 0000 000E",
                    "04 1C  E240 0001  FFFA FFFF  0005 0000  0000 0001  FFFA 000C 0000 FFFF  0E10 0000",
                ),
            ),
            meant={f"in{n}": 1.0 if n in (1, 3, 8) else 0.0 for n in range(1, 9)}
            | {"count1": 123456.0, "count2": 4294967290.0, "count3": 5.0, "count4": 65536.0}
            | {"count5": 65530.0, "count6": 12.0, "count7": 0.0, "count8": 65535.0, "uptime_s": 3600.0},
        ),
    ),
    (
        "ec_transmitter",
        _Golden(
            reads=(("04 0000 0004", "04 08  00B9 FFFB 00FA 0001"),),
            meant={"ec_ms_cm": 1.85, "temperature_c": -0.5, "reference_c": 25.0, "compensated": 1.0, "fault": 0.0},
        ),
    ),
    (
        "ec_transmitter",
        _Golden(
            reads=(("04 0000 0004", "04 08  7FFF 8000 00FA 0002"),),
            meant={"ec_ms_cm": math.nan, "temperature_c": math.nan, "reference_c": 25.0}
            | {"compensated": 0.0, "fault": 1.0},
        ),
    ),
    (
        "pressure_transmitter",
        _Golden(
            reads=(("04 0000 0005", "04 0A  0000 4248  70A4 4145  0000"),),
            meant={"pressure_kpa": 50.0, "temperature_c": 12.34, "out_of_range": 0.0},
        ),
    ),
    (
        "pressure_transmitter",
        _Golden(
            reads=(("04 0000 0005", "04 0A  0000 7FC0  0000 C000  0001"),),
            meant={"pressure_kpa": math.nan, "temperature_c": -2.0, "out_of_range": 1.0},
        ),
    ),
    (
        "level_transmitter",
        _Golden(
            reads=(("04 0000 0007", "04 0E  0000 04D2  42F6 E979  AAAA AAAA  0000"),),
            meant={"level_m": 1.234, "content_l": 123.456, "no_echo": 0.0},
        ),
    ),
    (
        "level_transmitter",
        _Golden(
            reads=(("04 0000 0007", "04 0E  8000 0000  7F80 0000  AAAA AAAA  0001"),),
            meant={"level_m": math.nan, "content_l": math.nan, "no_echo": 1.0},
        ),
    ),
    (
        "analogue_output",
        _Golden(
            reads=(("04 0000 000A", "04 14  4248 0000  40A0 0000  0000 0000  42C8 0000  0004  0014"),),
            meant={"ao1_state": 0.5, "ao2_state": 0.05, "ao3_state": 0.0, "ao4_state": 1.0, "watchdog_s": 2.0}
            | {"ao1_open": 0.0, "ao2_open": 0.0, "ao3_open": 1.0, "ao4_open": 0.0},
            values={"ao1": 0.5, "ao2": 0.05, "ao3": 0.0, "ao4": 1.0, "watchdog_setting_s": 2.0},
            writes=("10 0000 0009 12  4248 0000  40A0 0000  0000 0000  42C8 0000  0014",),
        ),
    ),
    (
        "variable_speed_drive",
        _Golden(
            reads=(("04 0000 0006", "04 0C  0103  FC18  1D4C  007B  0EB2  0014"),),
            meant={"ready": 1.0, "running": 1.0, "fault": 0.0, "comms_lost": 0.0, "run_state": 1.0}
            | {"actual_speed_fraction": -0.1, "speed_fraction_state": 0.75, "motor_current_a": 12.3}
            | {"motor_frequency_hz": 37.62, "comms_loss_s": 2.0},
            values={"run": 1.0, "fault_reset": 0.0, "speed_fraction": 0.75, "comms_loss_setting_s": 2.0},
            writes=("06 0000 0001", "06 0001 1D4C", "06 0002 0014"),
        ),
    ),
    (
        "variable_speed_drive",
        _Golden(
            reads=(("04 0000 0006", "04 0C  0018  8000  0000  0000  0000  000A"),),
            meant={"ready": 0.0, "running": 0.0, "fault": 1.0, "comms_lost": 1.0, "run_state": 0.0}
            | {"actual_speed_fraction": math.nan, "speed_fraction_state": 0.0, "motor_current_a": 0.0}
            | {"motor_frequency_hz": 0.0, "comms_loss_s": 1.0},
            values={"fault_reset": 1.0},
            writes=("06 0000 0080",),
        ),
    ),
]


def _on_wire(pdus: Iterable[str]) -> list[bytes]:
    return [sealed(bytes((_UNIT,)) + bytes.fromhex(pdu)) for pdu in pdus]


@pytest.mark.parametrize(("name", "golden"), _GOLDEN, ids=[name for name, _ in _GOLDEN])
async def test_golden_frames(name: str, golden: _Golden) -> None:
    """The fewest requests go out, their replies mean what the register list says, and set values arrive as bytes."""
    profile = load_profiles()[name]
    replies = dict(zip(_on_wire(q for q, _ in golden.reads), _on_wire(r for _, r in golden.reads), strict=True))
    async with behind_gateway(lambda request: [(0.0, replies.get(request, sealed(request[:6])))]) as devices:
        link = Link("line", devices.line, 3.0, lambda: 3.25)
        reader = DeviceReader(profile, _UNIT, golden.meant)
        readings: dict[str, Reading] = {}
        for index, block in enumerate(reader.blocks):
            reply = await link.read(_UNIT, block)
            assert isinstance(reply, ReadOk)
            reader.decode_into(readings, index, reply.values, reply.at_s)
        assert devices.requests == list(replies)
        writer = DeviceWriter(profile, _UNIT, golden.values)
        for index, write in enumerate(writer.blocks):
            send = link.write_bits if write.table in BIT_TABLES else link.write_registers
            named = {point.name: golden.values[point.name] for point in write.points}
            written = await send(_UNIT, write.address, writer.encode(index, named), single=write.single)
            assert written is WriteResult.CONFIRMED
        assert devices.requests[len(replies) :] == _on_wire(golden.writes)
        await link.close()
    assert {key: reading.value for key, reading in readings.items()} == pytest.approx(
        dict(golden.meant), rel=1e-7, nan_ok=True
    )
    bad = {key for key, reading in readings.items() if reading.quality is Quality.BAD}
    assert bad == {key for key, value in golden.meant.items() if math.isnan(value)}


def test_every_packaged_profile_has_its_golden_frames() -> None:
    """No device ships whose bytes nobody wrote down; of every one but the largest each point is among them."""
    profiles = load_profiles()
    assert {name for name, _ in _GOLDEN} == profiles.keys()
    for name in profiles.keys() - {"io_station"}:
        named = {
            point for golden_of, golden in _GOLDEN if golden_of == name for point in (*golden.meant, *golden.values)
        }
        assert named == profiles[name].points.keys(), name


def test_signals_in_milliamperes_and_in_their_own_unit() -> None:
    """A transmitter that speaks its engineering unit has no loop: only inputs for loops carry a signal."""
    with_signal = {
        name
        for name, profile in load_profiles().items()
        if any(point.signal is not None for point in profile.points.values())
    }
    assert with_signal == {"io_station", "signal_block"}

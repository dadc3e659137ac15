"""Registers to readings and back, on bytes written by hand, never on our own encoder.

Float bytes are IEEE 754's and stand in the Modbus literature as well (5.0 and 123456.0 in the documentation of two
Modbus libraries); integers are two's complement, written out by hand.
"""

import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import replace

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from drivers.codec import (
    DeviceReader,
    DeviceWriter,
    EncodeError,
    Moved,
    Movement,
    count_moved,
    decode,
    encode,
)
from drivers.profile import RAW_RANGE, Form, Point, Profile, Table, load_profiles
from drivers.reading import Quality, Reading


def _point(form: Form, *, scale: float = 1.0, offset: float = 0.0, word: str = "big", byte: str = "big") -> Point:
    return Point("p", Table.HOLDING, 0, form, scale=scale, offset=offset, word_order=word, byte_order=byte)


def _data(registers: Sequence[int]) -> bytes:
    return b"".join(register.to_bytes(2, "big") for register in registers)


def _decoded(point: Point, registers: Sequence[int], at_s: float) -> Reading:
    """Return what a point reads from its registers, written as numbers."""
    return decode(point, _data(registers), at_s)


_BIG: list[tuple[Form, float, list[int]]] = [
    (Form.F32, 123.456, [0x42F6, 0xE979]),
    (Form.F32, 50.0, [0x4248, 0x0000]),
    (Form.F32, 123456.0, [0x47F1, 0x2000]),
    (Form.F32, 5.0, [0x40A0, 0x0000]),
    (Form.F32, 12.34, [0x4145, 0x70A4]),
    (Form.F32, -2.0, [0xC000, 0x0000]),
    (Form.F64, 1.0, [0x3FF0, 0x0000, 0x0000, 0x0000]),
    (Form.F64, -2.0, [0xC000, 0x0000, 0x0000, 0x0000]),
    (Form.F64, 0.1, [0x3FB9, 0x9999, 0x9999, 0x999A]),
    (Form.U16, 0.0, [0x0000]),
    (Form.U16, 258.0, [0x0102]),
    (Form.U16, 65535.0, [0xFFFF]),
    (Form.I16, -1.0, [0xFFFF]),
    (Form.I16, -32768.0, [0x8000]),
    (Form.I16, 32767.0, [0x7FFF]),
    (Form.U32, 16909060.0, [0x0102, 0x0304]),
    (Form.U32, 4294967295.0, [0xFFFF, 0xFFFF]),
    (Form.I32, -2.0, [0xFFFF, 0xFFFE]),
    (Form.I32, -2147483648.0, [0x8000, 0x0000]),
    (Form.U64, 72623859790382856.0, [0x0102, 0x0304, 0x0506, 0x0708]),
    (Form.U64, 4294967296.0, [0x0000, 0x0001, 0x0000, 0x0000]),
    (Form.I64, -3.0, [0xFFFF, 0xFFFF, 0xFFFF, 0xFFFD]),
]


def _swapped(word: int) -> int:
    return (word & 0xFF) << 8 | word >> 8


@pytest.mark.parametrize(("form", "value", "registers"), _BIG)
@pytest.mark.parametrize("word", ["big", "little"])
@pytest.mark.parametrize("byte", ["big", "little"])
def test_golden_registers(form: Form, value: float, registers: list[int], word: str, byte: str) -> None:
    """Every form, in all four orders of words and bytes, reads and writes the registers written by hand."""
    laid = registers if word == "big" else registers[::-1]
    laid = laid if byte == "big" else [_swapped(register) for register in laid]
    point = _point(form, word=word, byte=byte)
    reading = _decoded(point, laid, 7.5)
    assert reading.value == pytest.approx(value, rel=1e-7)
    assert (reading.quality, reading.at_s) == (Quality.GOOD, 7.5)
    assert encode(point, value) == laid or value > 2.0**53


@pytest.mark.parametrize(
    ("word", "byte", "registers"),
    [
        ("big", "big", [0x42F6, 0xE979]),
        ("little", "big", [0xE979, 0x42F6]),
        ("big", "little", [0xF642, 0x79E9]),
        ("little", "little", [0x79E9, 0xF642]),
    ],
)
def test_the_four_orders_of_123_456_in_full(word: str, byte: str, registers: list[int]) -> None:
    """The four layouts of one float, each written out by hand, so that no helper of the test can be wrong with us."""
    assert _decoded(_point(Form.F32, word=word, byte=byte), registers, 0.0).value == pytest.approx(123.456, rel=1e-7)


def test_a_wrong_order_is_not_hidden() -> None:
    """50.0 reads 2.38e-41 with its words swapped and 198656 with its bytes swapped: nothing is put right in secret."""
    fifty = [0x4248, 0x0000]
    assert _decoded(_point(Form.F32, word="little"), fifty, 0.0).value == pytest.approx(2.38e-41, rel=0.01)
    assert _decoded(_point(Form.F32, byte="little"), fifty, 0.0).value == 198656.0


def test_scale_and_offset() -> None:
    """Value = raw x scale + offset: 12 000 uA is 12 mA; 0x00FA tenths less 40 is -15."""
    assert _decoded(_point(Form.U16, scale=0.001), [12000], 0.0).value == pytest.approx(12.0)
    assert _decoded(_point(Form.I16, scale=0.1, offset=-40.0), [0x00FA], 0.0).value == pytest.approx(-15.0)
    assert encode(_point(Form.U16, scale=0.0001), 0.5) == [5000]
    assert encode(_point(Form.I16, scale=0.1, offset=-40.0), -15.0) == [0x00FA]


def test_bools() -> None:
    """A bool is one bit: of a bit table, or of a register, bit 0 the least significant."""
    coil = Point("p", Table.COIL, 0, Form.BOOL)
    assert decode(coil, b"\x01", 0.0) == Reading(1.0, Quality.GOOD, 0.0)
    assert decode(coil, b"\xfe", 0.0) == Reading(0.0, Quality.GOOD, 0.0)
    assert decode(replace(coil, byte_order="little"), b"\x01", 0.0).value == 1.0
    third = Point("p", Table.HOLDING, 0, Form.BOOL, bit=2)
    assert [_decoded(third, [word], 0.0).value for word in (0x0004, 0xFFFB, 0xFFFF)] == [1.0, 0.0, 1.0]
    swapped = Point("p", Table.HOLDING, 0, Form.BOOL, bit=2, byte_order="little")
    assert [_decoded(swapped, [word], 0.0).value for word in (0x0004, 0x0400)] == [0.0, 1.0]
    assert (encode(coil, 1.0), encode(coil, False), encode(third, 1.0), encode(swapped, 1.0)) == (
        [1],
        [0],
        [4],
        [0x400],
    )


def _is_bad(reading: Reading) -> bool:
    return reading.quality is Quality.BAD and math.isnan(reading.value)


@pytest.mark.parametrize(
    ("form", "registers"),
    [
        (Form.F32, [0x7FC0, 0x0000]),
        (Form.F32, [0xFFC0, 0x0001]),
        (Form.F32, [0x7F80, 0x0000]),
        (Form.F32, [0xFF80, 0x0000]),
        (Form.F64, [0x7FF8, 0x0000, 0x0000, 0x0000]),
        (Form.F64, [0x7FF0, 0x0000, 0x0000, 0x0000]),
    ],
)
def test_nan_and_inf_are_bad(form: Form, registers: list[int]) -> None:
    """IEEE 754's NaN and infinities never travel on as a value."""
    assert _is_bad(_decoded(_point(form), registers, 0.0))


def test_minus_zero_and_the_smallest_float_are_numbers() -> None:
    """IEEE 754's -0 and subnormals are values that a filter on its way to zero really gives."""
    assert _decoded(_point(Form.F32), [0x8000, 0x0000], 0.0) == Reading(0.0, Quality.GOOD, 0.0)
    assert _decoded(_point(Form.F32), [0x0000, 0x0001], 0.0) == Reading(2.0**-149, Quality.GOOD, 0.0)


@pytest.mark.parametrize("byte", ["big", "little"])
def test_a_sentinel_is_bad(byte: str) -> None:
    """A raw value by which the device says that it has none is BAD, before any scale."""
    unsigned = Point("p", Table.INPUT, 0, Form.U16, scale=0.1, sentinels=(0x7FFF, 0xFF00), byte_order=byte)
    told = 0xFF00 if byte == "big" else 0x00FF
    assert _is_bad(_decoded(unsigned, [told], 0.0))
    assert _decoded(unsigned, [0x0101], 0.0).value == pytest.approx(25.7)
    signed = Point("p", Table.INPUT, 0, Form.I16, sentinels=(-32768,))
    assert _is_bad(_decoded(signed, [0x8000], 0.0))
    assert _decoded(signed, [0x8001], 0.0).quality is Quality.GOOD


@pytest.mark.parametrize(
    ("microamperes", "good"),
    [
        (0, False),
        (3599, False),
        (3600, True),
        (4000, True),
        (12000, True),
        (20000, True),
        (21000, True),
        (21001, False),
    ],
)
def test_a_broken_loop_is_bad(microamperes: int, good: bool) -> None:
    """Below 3.6 mA and above 21 mA the loop is broken (NAMUR NE 43, value from memory)."""
    reading = _decoded(load_profiles()["signal_block"].points["ai1"], [microamperes], 0.0)
    assert reading.quality is Quality.GOOD if good else _is_bad(reading)


@pytest.mark.parametrize(
    ("point", "value"),
    [
        (_point(Form.U16), -1.0),
        (_point(Form.U16), 65536.0),
        (_point(Form.I16), 32768.0),
        (_point(Form.I16), -32769.0),
        (_point(Form.U32), 2.0**32),
        (_point(Form.I32), -(2.0**31) - 1.0),
        (_point(Form.U64), 2.0**64),
        (_point(Form.I64), 2.0**63),
        (_point(Form.U16, scale=0.0001), 6.5536),
        (_point(Form.F32), 1e39),
        (_point(Form.F32), math.nan),
        (_point(Form.F64), math.inf),
        (_point(Form.U16), math.nan),
        (_point(Form.U16), -math.inf),
        (_point(Form.F64, scale=1e-300), 1e300),
        (Point("p", Table.COIL, 0, Form.BOOL), 2.0),
        (Point("p", Table.COIL, 0, Form.BOOL), 0.5),
        (Point("p", Table.COIL, 0, Form.BOOL), math.nan),
    ],
)
def test_what_does_not_fit_is_refused(point: Point, value: float) -> None:
    """A value that the point cannot carry is refused, never wrapped: 65536 must not become 0."""
    with pytest.raises(EncodeError, match=r"^p: got .*; expected ") as caught:
        encode(point, value)
    assert caught.value.code == "codec.range"


@given(st.sampled_from(list(RAW_RANGE)), st.floats(), st.sampled_from([1.0, -1.0, 0.1, 1e-3, 250.0]))
@example(Form.U16, 65535.5, 1.0)
@example(Form.U16, -0.5, 1.0)
def test_a_written_value_is_carried_or_refused(form: Form, value: float, scale: float) -> None:
    """Whatever is asked for, the registers mean it within half a step, or nothing is sent."""
    point = _point(form, scale=scale)
    try:
        registers = encode(point, value)
    except EncodeError:
        return
    meant = _decoded(point, registers, 0.0).value
    assert meant == pytest.approx(value, abs=0.51 * abs(scale), rel=1e-12)


def _by_hand(point: Point, block: list[int]) -> Reading:
    """Return a point's reading from the registers of address 0 on, taken one point and one step at a time."""
    registers = block[point.address : point.address + point.width]
    if point.byte_order == "little":
        registers = [_swapped(register) for register in registers]
    if point.form is Form.BOOL:
        return Reading(float(registers[0] >> (point.bit or 0) & 1), Quality.GOOD, 0.0)
    if point.word_order == "little":
        registers.reverse()
    raw = _data(registers)
    if point.form in RAW_RANGE:
        number: float = int.from_bytes(raw, "big", signed=point.form.value.startswith("i"))
    else:
        (number,) = struct.unpack(">f" if point.form is Form.F32 else ">d", raw)
    value = number * point.scale + point.offset
    low, high = point.fault_outside or (-math.inf, math.inf)
    good = math.isfinite(value) and low <= value <= high and number not in point.sentinels
    return Reading(value, Quality.GOOD, 0.0) if good else Reading(math.nan, Quality.BAD, 0.0)


_REGISTERS = 12
_ANY_POINT = st.builds(
    Point,
    st.just(""),
    st.just(Table.HOLDING),
    st.integers(0, _REGISTERS - 4),
    st.sampled_from(Form),
    st.integers(0, 15),
    st.sampled_from(["big", "little"]),
    st.sampled_from(["big", "little"]),
    st.sampled_from([1.0, 0.001, -2.0]),
    st.sampled_from([0.0, -40.0]),
    fault_outside=st.sampled_from([None, (-100.0, 100.0)]),
    sentinels=st.sampled_from([(), (0x7FFF, -32768, 0xFFFF)]),
)


@given(
    st.lists(_ANY_POINT, min_size=1, max_size=12),
    st.lists(st.sampled_from([0, 1, 0x7FFF, 0x8000, 0xFFFF, 0x7FC0, 0x4248]) | st.integers(0, 65535), min_size=12),
)
def test_a_block_is_read_as_its_points_are_one_by_one(points: list[Point], values: list[int]) -> None:
    """Points of every form, order and limit, in any mixture, side by side or upon one another, in one block."""
    named = {f"p{n}": replace(point, name=f"p{n}") for n, point in enumerate(points)}
    reader = DeviceReader(Profile("any", "anything", named, 125, 2000, 124), 1, named)
    (block,) = reader.blocks
    seen: dict[str, Reading] = {}
    reader.decode_into(seen, 0, _data(values[block.address : block.address + block.count]), 0.0)
    assert seen.keys() == set(reader.names(0)) == named.keys()
    for name, reading in seen.items():
        meant = _by_hand(named[name], values)
        assert reading == meant or (_is_bad(reading) and _is_bad(meant)), named[name]


# Golden frames: what each packaged device answers, byte for byte after the byte count, and what it means.
_GOLDEN: list[tuple[str, str, Mapping[str, float]]] = [
    (
        "magnetic_flow_meter",
        "41 45 70 A4  00 01 E2 40  00 01",
        {"flow_m3_h": 12.34, "total": 123456.0, "empty_pipe": 1.0},
    ),
    (
        "signal_block",
        "0F A0 2E E0 4E 20 0E 10 52 08 0F A0 0F A0 0F A0  FF FF FF FA 00 00 00 05 00 00 00 00 00 01 00 00  13 88 27 10",
        {
            "ai1": 4.0,
            "ai2": 12.0,
            "ai3": 20.0,
            "ai4": 3.6,
            "ai5": 21.0,
            "count1": 4294967290.0,
            "count2": 5.0,
            "count4": 65536.0,
            "ao1_state": 0.5,
            "ao2_state": 1.0,
        },
    ),
    (
        "relay_block",
        "00 85 00 02  00 00 0E 10  00 32  00 01",
        {
            "in1": 1.0,
            "in2": 0.0,
            "in3": 1.0,
            "in8": 1.0,
            "out1_state": 0.0,
            "out2_state": 1.0,
            "uptime_s": 3600.0,
            "watchdog_s": 5.0,
            "watchdog_tripped": 1.0,
        },
    ),
]


@pytest.mark.parametrize(("name", "frame", "meant"), _GOLDEN)
def test_golden_frames_of_the_packaged_profiles(name: str, frame: str, meant: Mapping[str, float]) -> None:
    """One hand-written reply of each packaged device, read in one request, means what its data sheet says."""
    profile = load_profiles()[name]
    inputs = [point.name for point in profile.points.values() if point.table is Table.INPUT]
    reader = DeviceReader(profile, 1, inputs)
    raw = bytes.fromhex(frame)
    assert [block.count for block in reader.blocks] == [len(raw) // 2]
    readings: dict[str, Reading] = {}
    reader.decode_into(readings, 0, raw, 3.25)
    assert set(readings) == set(reader.names(0)) == set(inputs)
    assert {key: readings[key].value for key in meant} == pytest.approx(dict(meant), rel=1e-7)
    assert all(reading.quality is Quality.GOOD and reading.at_s == 3.25 for reading in readings.values())


def test_bits_of_a_bit_table() -> None:
    """Eight to a byte, the first in the lowest bit (Modbus Application Protocol V1.1b3, 6.1: CD 6B is 20 to 35)."""
    coils = {f"coil{n}": Point(f"coil{n}", Table.COIL, n, Form.BOOL) for n in range(20, 36)}
    readings: dict[str, Reading] = {}
    DeviceReader(Profile("any", "anything", coils, 125, 2000, 0), 1, coils).decode_into(readings, 0, b"\xcd\x6b", 0.0)
    assert [readings[name].value for name in coils] == [float(bit) for bit in "1011001111010110"]


def test_a_reader_keeps_blocks_apart() -> None:
    """Each block decodes the points that it brings, and no others."""
    profile = load_profiles()["signal_block"]
    reader = DeviceReader(profile, 2, ["ao1", "ai1", "ai3"])
    assert [(b.table, b.address, b.count) for b in reader.blocks] == [(Table.INPUT, 0, 3), (Table.HOLDING, 0, 1)]
    assert (reader.unit, reader.names(0), reader.names(1)) == (2, ("ai1", "ai3"), ("ao1",))
    assert reader.decode(1, [2500], 0.0)["ao1"].value == pytest.approx(0.25)
    with pytest.raises(KeyError):
        DeviceReader(profile, 2, ["ai9"])


def test_a_writer_sends_what_each_output_is_to_be() -> None:
    """Outputs that lie together go out in one request, each at its own place."""
    profiles = load_profiles()
    relays = DeviceWriter(profiles["relay_block"], 1, ["out3", "out1", "out2"])
    assert [(b.table, b.address, b.count) for b in relays.blocks] == [(Table.COIL, 0, 3)]
    assert relays.encode(0, {"out1": 1.0, "out2": 0.0, "out3": 1.0}) == [1, 0, 1]
    signals = DeviceWriter(profiles["signal_block"], 2, ["ao2", "ao1"])
    assert signals.encode(0, {"ao1": 0.0, "ao2": 1.0}) == [0, 10000]
    with pytest.raises(EncodeError):
        signals.encode(0, {"ao1": 7.0, "ao2": 1.0})


def test_bools_that_share_a_register_are_written_together() -> None:
    """Two bits of one control word go out as one register."""
    profile = load_profiles()["relay_block"]
    word = {f"bit{n}": Point(f"bit{n}", Table.HOLDING, 4, Form.BOOL, bit=n) for n in (0, 3)}
    control = type(profile)("drive", "a drive", word, 125, 2000, 0)
    writer = DeviceWriter(control, 1, word)
    assert [(b.address, b.count) for b in writer.blocks] == [(4, 1)]
    assert writer.encode(0, {"bit0": 1.0, "bit3": 1.0}) == [0x0009]


@pytest.mark.parametrize(
    ("previous", "current", "bits", "most", "moved"),
    [
        # 65530 -> 12 and 4294967290 -> 5: modulo arithmetic done by hand.
        (65530, 12, 16, 50.0, Moved(18, Movement.ROLLED_OVER)),
        (4294967290, 5, 32, 50.0, Moved(11, Movement.ROLLED_OVER)),
        (100, 118, 16, 50.0, Moved(18, Movement.NORMAL)),
        (100, 100, 16, 0.0, Moved(0, Movement.NORMAL)),
        (100, 150, 16, 50.0, Moved(50, Movement.NORMAL)),
        (100, 151, 16, 50.0, Moved(0, Movement.IMPLAUSIBLE)),
        (40000, 0, 16, 50.0, Moved(0, Movement.RESET)),
        (40000, 3, 32, 50.0, Moved(0, Movement.RESET)),
        (1000, 990, 32, 50.0, Moved(0, Movement.RESET)),
        # So long a silence that the counter may have gone round once more: 18 and 65554 are both possible.
        (65530, 12, 16, 65553.9, Moved(18, Movement.ROLLED_OVER)),
        (65530, 12, 16, 65554.0, Moved(0, Movement.IMPLAUSIBLE)),
        # Not a value of a 16-bit counter at all.
        (65530, 65536, 16, 50.0, Moved(0, Movement.IMPLAUSIBLE)),
        (100, 118, 16, math.nan, Moved(0, Movement.IMPLAUSIBLE)),
    ],
)
def test_a_totaliser_moves(previous: int, current: int, bits: int, most: float, moved: Moved) -> None:
    """Rollover, reset and nonsense are told apart; nothing is counted that is not proven."""
    assert count_moved(previous, current, bits, most) == moved


@given(st.sampled_from([16, 32]), st.data())
def test_what_could_have_moved_is_counted_over_any_rollover(bits: int, data: st.DataObject) -> None:
    """From any place of the counter, as long as it cannot have gone round unseen, the count is exact."""
    start = data.draw(st.integers(0, 2**bits - 1))
    counts = data.draw(st.integers(0, 2**bits - 1))
    moved = count_moved(start, (start + counts) % 2**bits, bits, float(counts))
    assert moved.counts == counts
    assert moved.kind in (Movement.NORMAL, Movement.ROLLED_OVER)


def test_a_float32_total_stands_still_at_16_777_216() -> None:
    """IEEE 754 single precision has no 2**24 + 1, so a counter of that form is refused in profiles."""
    point = _point(Form.F32)
    assert _decoded(point, encode(point, 16_777_216.0), 0.0) == _decoded(point, encode(point, 16_777_217.0), 0.0)

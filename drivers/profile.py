"""Device profiles: a data sheet as data, its points, and the fewest block requests that move them."""

import difflib
import tomllib
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Final, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError


class Table(Enum):
    """Modbus's four tables. Addresses are zero-based, as on the wire."""

    __hash__ = object.__hash__  # identity, as equality is; every request looks its table up

    COIL = "coil"
    DISCRETE = "discrete"
    INPUT = "input"
    HOLDING = "holding"


class Form(Enum):
    """How a value lies in its registers. A bool in a register table is one bit of a register."""

    BOOL = "bool"
    U16 = "u16"
    I16 = "i16"
    U32 = "u32"
    I32 = "i32"
    U64 = "u64"
    I64 = "i64"
    F32 = "f32"
    F64 = "f64"


BIT_TABLES: Final = frozenset({Table.COIL, Table.DISCRETE})

RAW_RANGE: Final[Mapping[Form, tuple[int, int]]] = MappingProxyType(
    {
        Form.U16: (0, 2**16 - 1),
        Form.I16: (-(2**15), 2**15 - 1),
        Form.U32: (0, 2**32 - 1),
        Form.I32: (-(2**31), 2**31 - 1),
        Form.U64: (0, 2**64 - 1),
        Form.I64: (-(2**63), 2**63 - 1),
    }
)
"""The lowest and highest raw value of each integer form."""


@dataclass(frozen=True, slots=True)
class Point:
    """One value of a device."""

    name: str
    table: Table
    address: int
    form: Form
    bit: int | None = None
    word_order: str = "big"
    """"big": the most significant register first."""
    byte_order: str = "big"
    """"big": the most significant byte of each register first, as Modbus has it; "little" for devices that swap."""
    scale: float = 1.0
    offset: float = 0.0
    """Value = raw x scale + offset, in `unit`."""
    unit: str = ""
    signal: tuple[float, float] | None = None
    """A transmitter's signal: its two ends, in `unit` (4 and 20 mA). The site says what they mean."""
    fault_outside: tuple[float, float] | None = None
    """Outside this the loop is broken: BAD."""
    sentinels: tuple[int, ...] = ()
    """Raw values by which the device says that it has no value: BAD."""
    counter_bits: int | None = None
    """A totaliser that starts again from zero after this many bits."""
    read_back: str | None = None
    """The point of the same device that shows what was written here."""

    @property
    def writable(self) -> bool:
        """Whether a master may write it."""
        return self.table in (Table.COIL, Table.HOLDING)

    @property
    def width(self) -> int:
        """Registers (or bits, in the bit tables) that it takes."""
        return {Form.U32: 2, Form.I32: 2, Form.F32: 2, Form.U64: 4, Form.I64: 4, Form.F64: 4}.get(self.form, 1)


@dataclass(frozen=True, slots=True)
class Profile:
    """One kind of device, by its data sheet."""

    name: str
    title: str
    points: Mapping[str, Point]
    max_read_registers: int
    max_read_bits: int
    max_gap: int
    """Registers nobody asked for that may be read to save a request; 0 where a gap answers with an exception."""
    single_writes: bool = False
    """Whether the device takes one coil or register a write and no more (FC05 and FC06)."""


@dataclass(frozen=True, slots=True)
class ReadBlock:
    """One read request: `count` registers (or bits, in the bit tables) from `address`."""

    table: Table
    address: int
    count: int


@dataclass(frozen=True, slots=True)
class WriteBlock:
    """One write request: the `count` registers or coils from `address` that `points` fill without a gap."""

    table: Table
    address: int
    count: int
    points: tuple[Point, ...]
    single: bool = False
    """To be sent as a single write (FC05 or FC06)."""


_MAX_WRITE_REGISTERS = 123
_MAX_WRITE_BITS = 1968
"""The most that one FC16 and one FC15 request carry (Modbus Application Protocol V1.1b3, 6.12 and 6.11)."""


def plan_reads(points: Iterable[Point], profile: Profile) -> tuple[ReadBlock, ...]:
    """Return the fewest read requests that bring every one of `points`, by table and rising address.

    No point is split over two blocks, no block passes the profile's limits, and no run of registers that nobody asked
    for is longer than its `max_gap`.
    """
    return tuple(
        ReadBlock(first.table, first.address, end - first.address)
        for first, end, _ in _runs(points, profile.max_read_bits, profile.max_read_registers, profile.max_gap)
    )


def plan_writes(points: Iterable[Point], single: bool = False) -> tuple[WriteBlock, ...]:
    """Return the fewest write requests that set every one of `points`, by table and rising address.

    A write never covers a register that nobody asked for; with `single` it covers one coil or register. Raises
    ValueError for a point that cannot be written so.
    """
    points = tuple(points)
    for point in points:
        if not point.writable:
            raise ValueError(f"{point.name} is in a table that can only be read")
        if single and point.width > 1:
            raise ValueError(f"{point.name} takes {point.width} registers, and its device takes one at a time")
    limits = (1, 1) if single else (_MAX_WRITE_BITS, _MAX_WRITE_REGISTERS)
    return tuple(
        WriteBlock(first.table, first.address, end - first.address, members, single)
        for first, end, members in _runs(points, *limits, 0)
    )


def _runs(
    points: Iterable[Point], max_bits: int, max_registers: int, max_gap: int
) -> Iterator[tuple[Point, int, tuple[Point, ...]]]:
    """Yield (first point, end address, members) of each block, every one taken as far as it may go.

    A block must begin at the first point not yet covered, so the longest block from there can never cost a request.
    """
    for table in Table:
        limit = max_bits if table in BIT_TABLES else max_registers
        members: list[Point] = []
        end = 0
        for point in sorted((p for p in points if p.table is table), key=lambda p: (p.address, p.width)):
            reach = max(end, point.address + point.width)
            if members and (point.address - end > max_gap or reach - members[0].address > limit):
                yield members[0], end, tuple(members)
                members, reach = [], point.address + point.width
            members.append(point)
            end = reach
        if members:
            yield members[0], end, tuple(members)


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a profile: where, what was got, what was expected, what may have been meant."""

    where: str
    got: str
    expected: str
    hint: str = ""

    def __str__(self) -> str:
        text = f"{self.where}: got {self.got}; expected {self.expected}"
        return f"{text}. {self.hint}" if self.hint else text


class ProfileError(Exception):
    """A device profile cannot be used. Carries every problem found in it."""

    code = "profile.invalid"

    def __init__(self, name: str, problems: tuple[Problem, ...]) -> None:
        super().__init__("\n".join(f"profile {name}: {problem}" for problem in problems))
        self.name = name
        self.problems = problems


class _Sheet(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


_Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=24)]
_Finite = Annotated[float, Field(allow_inf_nan=False)]
_Ends = Annotated[tuple[_Finite, _Finite], Field(strict=False)]


class _Head(_Sheet):
    title: str = Field(min_length=1)
    max_read_registers: int = Field(ge=1, le=125)
    max_read_bits: int = Field(ge=1, le=2000)
    max_gap: int = Field(ge=0, le=124)
    single_writes: bool = False
    point: dict[_Name, Any] = Field(min_length=1)


class _PointKeys(_Sheet):
    table: Annotated[Table, Field(strict=False)]
    address: int = Field(ge=0, le=65535)
    type: Annotated[Form, Field(strict=False)]
    bit: int | None = Field(default=None, ge=0, le=15)
    word_order: Literal["big", "little"] = "big"
    byte_order: Literal["big", "little"] = "big"
    scale: _Finite = 1.0
    offset: _Finite = 0.0
    unit: str = ""
    signal: _Ends | None = None
    fault_outside: _Ends | None = None
    sentinels: Annotated[tuple[int, ...], Field(strict=False)] = ()
    counter_bits: int | None = Field(default=None, ge=1, le=64)
    read_back: _Name | None = None


_SheetT = TypeVar("_SheetT", bound=_Sheet)


def load_profiles() -> dict[str, Profile]:
    """Return the packaged device profiles by name. Raises ProfileError for the first that cannot be used."""
    sheets = sorted((Path(__file__).parent / "profiles").glob("*.toml"))
    return {sheet.stem: parse_profile(sheet.stem, sheet.read_text("utf-8")) for sheet in sheets}


def parse_profile(name: str, text: str) -> Profile:
    """Return the profile that the TOML `text` of a data sheet describes.

    Raises ProfileError with every problem in it at once; text that is not TOML is the only one that hides others.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProfileError(name, (Problem("profile", "text that is not TOML", "TOML 1.0", str(error)),)) from error
    problems: list[Problem] = []
    head = _validated(_Head, raw, "", problems)
    sections = raw.get("point")
    sections = sections if isinstance(sections, dict) else {}
    points: dict[str, Point] = {}
    for point_name, section in sections.items():
        keys = _validated(_PointKeys, section, f"point.{point_name}.", problems)
        if keys is not None:
            points[point_name] = Point(point_name, form=keys.type, **{k: v for k, v in keys if k != "type"})
    for point in points.values():
        problems += _contradictions(point)
        problems += _check_read_back(point, points, sections)
        if head is not None and point.table not in BIT_TABLES and point.width > head.max_read_registers:
            got = f"{point.width} registers"
            problems.append(
                Problem(f"point.{point.name}.type", got, f"at most max_read_registers = {head.max_read_registers}")
            )
    if problems or head is None:
        raise ProfileError(name, tuple(problems))
    limits = (head.max_read_registers, head.max_read_bits, head.max_gap)
    return Profile(name, head.title, MappingProxyType(points), *limits, head.single_writes)


def _validated(sheet: type[_SheetT], raw: object, where: str, problems: list[Problem]) -> _SheetT | None:
    try:
        return sheet.model_validate(raw)
    except ValidationError as error:
        for item in error.errors(include_url=False):
            key = where + ".".join(str(step) for step in item["loc"])
            if item["type"] == "extra_forbidden":
                hint = _nearest(str(item["loc"][-1]), sheet.model_fields)
                problems.append(Problem(key, "a key nobody knows", "a key of this section", hint))
            elif item["type"] == "missing":
                problems.append(Problem(key, "nothing", "a value: it has no default"))
            else:
                problems.append(Problem(key.removesuffix("."), repr(item["input"]), item["msg"]))
        return None


def _contradictions(point: Point) -> Iterator[Problem]:
    """Yield what the keys of one point say against each other."""
    where = f"point.{point.name}"
    in_bits, is_bool = point.table in BIT_TABLES, point.form is Form.BOOL
    kind = f"{point.form.value} in table {point.table.value}"
    if in_bits and not is_bool:
        yield Problem(f"{where}.type", repr(point.form.value), "'bool': this table holds bits")
    if is_bool and not in_bits and point.bit is None:
        expected = "0 to 15: a bool in a register table is one bit of a register"
        yield Problem(f"{where}.bit", "nothing", expected, "Bit 0 is the least significant")
    if point.bit is not None and (in_bits or not is_bool):
        yield Problem(f"{where}.bit", f"{point.bit} for {kind}", "no bit: only a bool in a register table has one")
    if point.address + point.width > 65536:
        yield Problem(f"{where}.address", str(point.address), f"at most {65536 - point.width}: it takes {point.width}")
    if point.word_order != "big" and point.width == 1:
        yield Problem(f"{where}.word_order", f"{point.word_order!r} for {kind}", "a value of two registers or more")
    if point.byte_order != "big" and in_bits:
        yield Problem(f"{where}.byte_order", f"{point.byte_order!r} for {kind}", "a value in registers")
    if point.scale == 0.0:
        yield Problem(f"{where}.scale", "0", "any other number: every reading would be the offset")
    if is_bool and (point.scale, point.offset) != (1.0, 0.0):
        yield Problem(f"{where}.scale", f"scale or offset for {kind}", "neither: a bool reads 0 or 1")
    yield from _check_integers(point, where)
    yield from _check_signal(point, where)


def _check_integers(point: Point, where: str) -> Iterator[Problem]:
    """Yield what is wrong with the keys that only an integer may have."""
    low, high = RAW_RANGE.get(point.form, (0, 0))
    if point.sentinels and not high:
        yield Problem(
            f"{where}.sentinels", f"sentinels for {point.form.value}", "an integer form", "NaN and Inf are BAD anyhow"
        )
    elif any(not low <= raw <= high for raw in point.sentinels):
        yield Problem(f"{where}.sentinels", repr(list(point.sentinels)), f"raw values from {low} to {high}")
    if point.counter_bits is None:
        return
    if low or not high:
        hint = "A float32 total stops counting units at 16 777 216" if point.form is Form.F32 else ""
        yield Problem(f"{where}.counter_bits", f"a counter of form {point.form.value}", "u16, u32 or u64", hint)
    elif 2**point.counter_bits - 1 > high:
        yield Problem(f"{where}.counter_bits", str(point.counter_bits), f"at most {high.bit_length()}, the bits it has")


def _check_signal(point: Point, where: str) -> Iterator[Problem]:
    """Yield what is wrong with a transmitter's signal and the limits of its loop."""
    for key, ends in (("signal", point.signal), ("fault_outside", point.fault_outside)):
        if ends is not None and ends[0] >= ends[1]:
            yield Problem(f"{where}.{key}", repr(list(ends)), "the lower end first, and two different ends")
    if point.signal is not None and point.form is Form.BOOL:
        yield Problem(f"{where}.signal", "a signal of a bool", "a number")
    if point.fault_outside is None:
        return
    if point.signal is None:
        yield Problem(f"{where}.signal", "nothing", "the signal's two ends: fault_outside is given")
    elif not point.fault_outside[0] <= point.signal[0] <= point.signal[1] <= point.fault_outside[1]:
        got = f"{list(point.fault_outside)} for a signal of {list(point.signal)}"
        yield Problem(f"{where}.fault_outside", got, "limits that hold the whole signal")


def _check_read_back(point: Point, points: Mapping[str, Point], named: Collection[str]) -> Iterator[Problem]:
    """Yield what is wrong with the point that shows what was written."""
    if point.read_back is None:
        return
    where = f"point.{point.name}.read_back"
    if not point.writable:
        yield Problem(where, f"one for a point of table {point.table.value}", "none: nothing is ever written there")
    if point.read_back not in named:
        yield Problem(where, repr(point.read_back), "a point of this profile", _nearest(point.read_back, named))
    shown = points.get(point.read_back)
    if shown is not None and ((shown.form is Form.BOOL) != (point.form is Form.BOOL) or shown.unit != point.unit):
        got = f"{point.read_back!r}, a {shown.form.value} in {shown.unit or 'no unit'}"
        yield Problem(where, got, f"a point of the same kind and unit ({point.form.value}, {point.unit or 'no unit'})")


def _nearest(word: str, known: Collection[str]) -> str:
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.5)
    return f"Nearest known: {close[0]}" if close else f"Known: {', '.join(sorted(known))}"

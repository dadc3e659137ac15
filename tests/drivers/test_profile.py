"""Device profiles: every mistake found at once, and the fewest requests."""

from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.profile import (
    BIT_TABLES,
    Form,
    Point,
    Profile,
    ProfileError,
    ReadBlock,
    Table,
    WriteBlock,
    load_profiles,
    parse_profile,
    plan_reads,
    plan_writes,
)

_HEAD = 'title = "a device"\nmax_read_registers = 20\nmax_read_bits = 100\nmax_gap = 2\n'


def _problems(points: str, head: str = _HEAD) -> dict[str, str]:
    with pytest.raises(ProfileError) as caught:
        parse_profile("device", head + points)
    assert caught.value.code == "profile.invalid"
    return {problem.where: str(problem) for problem in caught.value.problems}


def test_every_packaged_profile_can_be_used() -> None:
    """A device profile that ships is one that parses."""
    profiles = load_profiles()
    assert {"magnetic_flow_meter", "relay_block", "signal_block"} <= profiles.keys()
    assert all(name == profile.name and profile.points for name, profile in profiles.items())


def test_a_profile_is_read_as_written() -> None:
    """Each key of a data sheet lands in its own field."""
    profile = parse_profile(
        "device",
        _HEAD
        + """
        [point.level]
        table = "holding"
        address = 7
        type = "i32"
        word_order = "little"
        byte_order = "little"
        scale = 0.5
        offset = -3
        unit = "mA"
        signal = [4, 20.0]
        fault_outside = [3.6, 21.0]
        sentinels = [-1, 2147483647]
        read_back = "shown"
        [point.shown]
        table = "input"
        address = 9
        type = "f64"
        unit = "mA"
        """,
    )
    assert profile.points["level"] == Point(
        "level",
        Table.HOLDING,
        7,
        Form.I32,
        word_order="little",
        byte_order="little",
        scale=0.5,
        offset=-3.0,
        unit="mA",
        signal=(4.0, 20.0),
        fault_outside=(3.6, 21.0),
        sentinels=(-1, 2147483647),
        read_back="shown",
    )
    assert (profile.title, profile.max_read_registers, profile.max_read_bits, profile.max_gap) == (
        "a device",
        20,
        100,
        2,
    )


def test_all_problems_come_at_once_with_path_and_hint() -> None:
    """A technician mends a data sheet in one go: nothing hides behind the first mistake."""
    found = _problems(
        """
        [point.flow]
        tabel = "input"
        address = 70000
        type = "float"
        [point.ok]
        table = "holding"
        address = 1
        type = "u16"
        read_back = "okk"
        [point.alarm]
        table = "input"
        address = 1
        type = "bool"
        """,
        head='title = "a device"\nmax_read_registers = 126\nmax_gapp = 1\nmax_read_bits = 10\n',
    )
    assert set(found) == {
        "max_read_registers",
        "max_gap",
        "max_gapp",
        "point.flow.table",
        "point.flow.tabel",
        "point.flow.address",
        "point.flow.type",
        "point.ok.read_back",
        "point.alarm.bit",
    }
    assert "got 70000" in found["point.flow.address"]
    assert "'f32'" in found["point.flow.type"]
    assert found["point.flow.tabel"].endswith("Nearest known: table")
    assert found["point.ok.read_back"].endswith("Nearest known: ok")
    assert found["max_gapp"].endswith("Nearest known: max_gap")


@pytest.mark.parametrize(
    ("keys", "where"),
    [
        ('table = "coil"\naddress = 0\ntype = "u16"', "type"),
        ('table = "input"\naddress = 0\ntype = "bool"', "bit"),
        ('table = "coil"\naddress = 0\ntype = "bool"\nbit = 1', "bit"),
        ('table = "input"\naddress = 0\ntype = "u16"\nbit = 1', "bit"),
        ('table = "input"\naddress = 0\ntype = "bool"\nbit = 16', "bit"),
        ('table = "input"\naddress = -1\ntype = "u16"', "address"),
        ('table = "input"\naddress = 65535\ntype = "u32"', "address"),
        ('table = "input"\naddress = 0\ntype = "u16"\nword_order = "little"', "word_order"),
        ('table = "input"\naddress = 0\ntype = "u32"\nword_order = "middle"', "word_order"),
        ('table = "coil"\naddress = 0\ntype = "bool"\nbyte_order = "little"', "byte_order"),
        ('table = "input"\naddress = 0\ntype = "u16"\nscale = 0', "scale"),
        ('table = "input"\naddress = 0\ntype = "u16"\nscale = nan', "scale"),
        ('table = "coil"\naddress = 0\ntype = "bool"\nscale = 2', "scale"),
        ('table = "input"\naddress = 0\ntype = "f32"\nsentinels = [0]', "sentinels"),
        ('table = "input"\naddress = 0\ntype = "i16"\nsentinels = [65535]', "sentinels"),
        ('table = "input"\naddress = 0\ntype = "f32"\ncounter_bits = 32', "counter_bits"),
        ('table = "input"\naddress = 0\ntype = "u16"\ncounter_bits = 32', "counter_bits"),
        ('table = "input"\naddress = 0\ntype = "u16"\nsignal = [20, 4]', "signal"),
        ('table = "input"\naddress = 0\ntype = "u16"\nsignal = [4]', "signal.1"),
        ('table = "coil"\naddress = 0\ntype = "bool"\nsignal = [4, 20]', "signal"),
        ('table = "input"\naddress = 0\ntype = "u16"\nfault_outside = [3.6, 21]', "signal"),
        ('table = "input"\naddress = 0\ntype = "u16"\nsignal = [4, 20]\nfault_outside = [5, 21]', "fault_outside"),
        ('table = "input"\naddress = 0\ntype = "u16"\nread_back = "p"', "read_back"),
        ('table = "coil"\naddress = 0\ntype = "bool"\nread_back = "number"', "read_back"),
        ('table = "holding"\naddress = 0\ntype = "u16"\nunit = "s"\nread_back = "number"', "read_back"),
    ],
)
def test_a_contradiction_is_found(keys: str, where: str) -> None:
    """Keys that cannot both be true of a device are an error, not a guess."""
    number = '[point.number]\ntable = "input"\naddress = 1\ntype = "u16"\nunit = "mA"\n'
    assert set(_problems(f"{number}[point.p]\n{keys}\n")) == {f"point.p.{where}"}


def test_a_value_that_no_block_could_hold_is_found() -> None:
    """A multi-register value is never split, so it must fit one request."""
    head = _HEAD.replace("max_read_registers = 20", "max_read_registers = 3")
    assert set(_problems('[point.p]\ntable = "input"\naddress = 0\ntype = "f64"\n', head)) == {"point.p.type"}


@pytest.mark.parametrize(("text", "where"), [("title = ", "profile"), (_HEAD, "point"), (_HEAD + "[point]\n", "point")])
def test_a_file_that_is_no_profile_is_an_error(text: str, where: str) -> None:
    """Text that is not TOML, and a device without points, are told as plainly as a wrong key."""
    assert set(_problems("", text)) == {where}


def test_a_section_that_is_no_section_is_an_error() -> None:
    """A point given as a plain value does not break the reader."""
    assert set(_problems("point.p = 3\n")) == {"point.p"}


def _device(max_registers: int, max_bits: int, max_gap: int) -> Profile:
    return Profile("device", "a device", {}, max_registers, max_bits, max_gap)


def test_the_signal_block_takes_two_requests() -> None:
    """One request for each table: currents, counts and states are read together, so they belong together."""
    profile = load_profiles()["signal_block"]
    assert plan_reads(profile.points.values(), profile) == (
        ReadBlock(Table.INPUT, 0, 18),
        ReadBlock(Table.HOLDING, 0, 2),
    )
    assert plan_reads([], profile) == ()


def test_a_gap_is_read_over_only_as_far_as_the_device_bears() -> None:
    """A gap answers with an exception on some devices: max_gap 0 never reads a register nobody asked for."""
    points = [Point("a", Table.INPUT, 0, Form.U16), Point("b", Table.INPUT, 3, Form.F32)]
    assert plan_reads(points, _device(10, 10, 2)) == (ReadBlock(Table.INPUT, 0, 5),)
    assert plan_reads(points, _device(10, 10, 1)) == (ReadBlock(Table.INPUT, 0, 1), ReadBlock(Table.INPUT, 3, 2))
    assert plan_reads(points, _device(4, 10, 2)) == (ReadBlock(Table.INPUT, 0, 1), ReadBlock(Table.INPUT, 3, 2))


_ADDRESSES = st.integers(0, 24)
_BITS = st.builds(Point, st.just("p"), st.sampled_from([Table.COIL, Table.DISCRETE]), _ADDRESSES, st.just(Form.BOOL))
_NUMBERS = st.builds(
    Point,
    st.just("p"),
    st.sampled_from([Table.INPUT, Table.HOLDING]),
    _ADDRESSES,
    st.sampled_from([Form.U16, Form.F32, Form.I64]),
)


def _end(point: Point) -> int:
    return point.address + point.width


def _is_one_block(points: tuple[Point, ...], profile: Profile) -> bool:
    """Return whether one request may bring all of `points`, straight from the rules."""
    if len({p.table for p in points}) > 1:
        return False
    asked = {address for p in points for address in range(p.address, _end(p))}
    limit = profile.max_read_bits if points[0].table in BIT_TABLES else profile.max_read_registers
    if max(asked) - min(asked) + 1 > limit:
        return False
    run = 0
    for address in range(min(asked), max(asked)):
        run = 0 if address in asked else run + 1
        if run > profile.max_gap:
            return False
    return True


def _fewest(points: tuple[Point, ...], profile: Profile) -> int:
    """Return the fewest requests by trying every way to share the points out."""
    if not points:
        return 0
    first, others = points[0], points[1:]
    best = len(points)
    for size in range(len(others) + 1):
        for chosen in combinations(range(len(others)), size):
            if _is_one_block((first, *(others[i] for i in chosen)), profile):
                left = tuple(p for i, p in enumerate(others) if i not in chosen)
                best = min(best, 1 + _fewest(left, profile))
    return best


@settings(max_examples=300, deadline=None)
@given(
    st.lists(_BITS | _NUMBERS, max_size=6),
    st.builds(_device, st.integers(4, 12), st.integers(1, 12), st.integers(0, 4)),
)
def test_reads_are_the_fewest_that_the_device_allows(points: list[Point], profile: Profile) -> None:
    """The block reads against every possible sharing out of the points; no point is split, no limit passed."""
    blocks = plan_reads(points, profile)
    for block in blocks:
        limit = profile.max_read_bits if block.table in BIT_TABLES else profile.max_read_registers
        assert 1 <= block.count <= limit
        members = tuple(
            p
            for p in points
            if p.table is block.table and block.address <= p.address and _end(p) <= block.address + block.count
        )
        assert _is_one_block(members, profile)
    for point in points:
        assert any(
            b.table is point.table and b.address <= point.address and _end(point) <= b.address + b.count for b in blocks
        )
    assert len(blocks) == _fewest(tuple(points), profile)


@settings(max_examples=100, deadline=None)
@given(
    st.sets(st.integers(0, 300), max_size=60),
    st.builds(_device, st.integers(1, 125), st.integers(1, 60), st.integers(0, 4)),
)
def test_every_point_is_in_exactly_one_block(addresses: set[int], profile: Profile) -> None:
    """Points that do not overlap are each read once a scan."""
    points = [Point(f"p{a}", Table.DISCRETE, a, Form.BOOL) for a in addresses]
    blocks = plan_reads(points, profile)
    assert all(sum(b.address <= p.address < b.address + b.count for b in blocks) == 1 for p in points)


def test_writes_go_out_together_and_never_over_a_gap() -> None:
    """A write must not touch an output that nobody named."""
    coils = [Point(f"out{n}", Table.COIL, n, Form.BOOL) for n in (3, 1, 2, 5)]
    speed = Point("speed", Table.HOLDING, 2, Form.F32)
    assert plan_writes([*coils, speed]) == (
        WriteBlock(Table.COIL, 1, 3, (coils[1], coils[2], coils[0])),
        WriteBlock(Table.COIL, 5, 1, (coils[3],)),
        WriteBlock(Table.HOLDING, 2, 2, (speed,)),
    )


def test_a_write_carries_no_more_than_modbus_allows() -> None:
    """Modbus Application Protocol V1.1b3, 6.11 and 6.12: 1968 coils, 123 registers in one request."""
    coils = [Point("p", Table.COIL, n, Form.BOOL) for n in range(1970)]
    words = [Point("p", Table.HOLDING, n, Form.U16) for n in range(125)]
    assert [block.count for block in plan_writes([*coils, *words])] == [1968, 2, 123, 2]


def test_an_input_is_never_written() -> None:
    """A write planned to an input table is a mistake in the plan, not a request."""
    with pytest.raises(ValueError, match="only be read"):
        plan_writes([Point("p", Table.INPUT, 0, Form.U16)])

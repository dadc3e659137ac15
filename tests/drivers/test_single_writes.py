"""Devices that take one coil or register a write: relay cards and drives that know FC05 and FC06 alone."""

import pytest

from drivers.codec import DeviceWriter
from drivers.profile import Form, Point, Table, WriteBlock, parse_profile, plan_writes

_HEAD = 'title = "a card"\nmax_read_registers = 20\nmax_read_bits = 100\nmax_gap = 2\n'
_POINTS = "".join(f'[point.out{n}]\ntable = "coil"\naddress = {n}\ntype = "bool"\n' for n in range(3))


def test_a_profile_says_whether_it_takes_single_writes_alone() -> None:
    """Without the key a device takes blocks; with it every point goes out on its own."""
    card = parse_profile("card", _HEAD + "single_writes = true\n" + _POINTS)
    block = parse_profile("block", _HEAD + _POINTS)
    assert (card.single_writes, block.single_writes) == (True, False)
    singles = DeviceWriter(card, 1, card.points).blocks
    assert [(b.address, b.count, b.single) for b in singles] == [(0, 1, True), (1, 1, True), (2, 1, True)]
    assert [(b.address, b.count, b.single) for b in DeviceWriter(block, 1, block.points).blocks] == [(0, 3, False)]


def test_bits_of_one_register_still_go_out_together() -> None:
    """Two bits of one control word are one register, and so one single write."""
    run, reset = (Point(name, Table.HOLDING, 4, Form.BOOL, bit=bit) for name, bit in (("run", 0), ("reset", 7)))
    speed = Point("speed", Table.HOLDING, 5, Form.U16)
    assert plan_writes([speed, run, reset], single=True) == (
        WriteBlock(Table.HOLDING, 4, 1, (run, reset), True),
        WriteBlock(Table.HOLDING, 5, 1, (speed,), True),
    )


def test_a_value_of_two_registers_is_never_written_in_halves() -> None:
    """Between two single writes the device would hold a number that nobody meant."""
    wide = Point("speed", Table.HOLDING, 0, Form.F32)
    assert plan_writes([wide])[0].count == 2
    with pytest.raises(ValueError, match="takes 2 registers"):
        plan_writes([wide], single=True)

"""Planted mistakes are found and named: orders against the domain sheet's own registers, scales, swapped valves."""

import random
import struct

import pytest

from daemon.commissioning.wiring import Finding, Wrong, point_finding, swapped_valves
from daemon.dosing.agreement import Estimate
from drivers.profile import Form, Point, Table

_FLOW = Point("flow", Table.INPUT, 0, Form.F32, unit="m3/h")
_BYTES = {
    ("big", "big"): bytes.fromhex("42480000"),
    ("little", "big"): bytes.fromhex("00004248"),
    ("big", "little"): bytes.fromhex("48420000"),
    ("little", "little"): bytes.fromhex("00004842"),
}
"""50.0 as IEEE 754 has it, 4248 0000 (row M2 of the domain sheet), and as devices send it."""


@pytest.mark.parametrize(
    ("sent", "wrong"),
    [
        (("big", "big"), Wrong.NOTHING),
        (("little", "big"), Wrong.WORD_ORDER),
        (("big", "little"), Wrong.BYTE_ORDER),
        (("little", "little"), Wrong.BOTH_ORDERS),
    ],
)
def test_orders_are_named(sent: tuple[str, str], wrong: Wrong) -> None:
    """Read in the profile's own order, 50.0 with its words swapped is 2.4e-41: what it would be is told as well."""
    assert point_finding(_FLOW, _BYTES[sent], Estimate(49.5, 1.5)) == Finding(wrong, 50.0)


@pytest.mark.parametrize("factor", [10.0, 100.0, 1000.0, 0.1, 0.01, 0.001])
def test_a_scale_off_by_tens(factor: float) -> None:
    """And by which factor it is put right."""
    found = point_finding(_FLOW, struct.pack(">f", 50.0 / factor), Estimate(50.0, 1.0))
    assert found.wrong is Wrong.SCALE and found.factor == pytest.approx(factor)
    assert found.value == pytest.approx(50.0, rel=1e-6)


def test_integers_and_what_nothing_explains() -> None:
    """A register of its own has no word order; a meter that is 15 % off is no mistake of wiring."""
    level = Point("level", Table.INPUT, 0, Form.U16, scale=0.1)
    assert point_finding(level, (8450).to_bytes(2, "little"), Estimate(845.0, 5.0)).wrong is Wrong.BYTE_ORDER
    total = Point("total", Table.INPUT, 0, Form.U32)
    assert point_finding(total, bytes.fromhex("d4310001"), Estimate(119857.0, 1.0)).wrong is Wrong.WORD_ORDER
    assert point_finding(_FLOW, struct.pack(">f", 57.5), Estimate(50.0, 1.0)).wrong is Wrong.OTHER
    assert point_finding(_FLOW, struct.pack(">f", float("nan")), Estimate(50.0, 1.0)).wrong is Wrong.OTHER


def test_planted_mistakes_over_many_readings() -> None:
    """Of 400 flows, levels and totals each way, at least 95 of 100 are named as what they are."""
    dice = random.Random(2)
    forms = {Form.F32: ">f", Form.U32: ">I", Form.I32: ">i"}
    kinds = {Wrong.NOTHING: 0, Wrong.WORD_ORDER: 0, Wrong.SCALE: 0}
    for _ in range(400):
        form = dice.choice(list(forms))
        value = dice.uniform(5.0, 90.0) if form is Form.F32 else float(dice.randrange(1_000, 4_000_000))
        raw = struct.pack(forms[form], value if form is Form.F32 else int(value))
        truth = Estimate(value * dice.uniform(0.99, 1.01), 0.03 * value)
        sent = {Wrong.NOTHING: raw, Wrong.WORD_ORDER: raw[2:] + raw[:2], Wrong.SCALE: raw}
        for wrong, data in sent.items():
            scale = 10.0 if wrong is Wrong.SCALE else 1.0
            found = point_finding(Point("p", Table.INPUT, 0, form, scale=scale), data, truth)
            kinds[wrong] += found.wrong is wrong
    assert all(count >= 380 for count in kinds.values()), kinds


def test_swapped_valves() -> None:
    """Each gave the other's water; one that is 15 % off by itself is no swap, nor are blocks of one flow."""
    own = {"creek": Estimate(33.9, 2.0), "bridge": Estimate(46.0, 2.0), "ridge": Estimate(60.0, 3.0)}
    seen = {"creek": Estimate(45.5, 0.5), "bridge": Estimate(34.2, 0.5), "ridge": Estimate(59.0, 0.6)}
    assert swapped_valves(own, seen) == {"creek": "bridge", "bridge": "creek"}
    assert swapped_valves(own, {**own, "ridge": Estimate(51.0, 0.6)}) == {}
    alike = {"house": Estimate(30.0, 2.0), "river": Estimate(30.5, 2.0)}
    assert swapped_valves(alike, {"house": Estimate(30.5, 0.3), "river": Estimate(30.0, 0.3)}) == {}

"""Which new decisions are refused for what they do to the plant and to each other, and which are only told."""

from typing import Any

import pytest

from daemon.ledger.in_force import DecisionError, InForce
from daemon.runtime.decided import parse_request
from daemon.runtime.fitting import check_fit
from tests.daemon.control.plant import kestrel, wide
from tests.daemon.runtime.farm import START, creek, fill, item, request


def _in_force(*decisions: dict[str, Any]) -> InForce:
    asked = parse_request(request("c0", *decisions)).decisions
    return InForce(
        {one.name: one.decision for one in asked if one.decision is not None}, {one.name: 1 for one in asked}
    )


def _fit(in_force: InForce, *decisions: dict[str, Any]) -> tuple[str, ...]:
    return check_fit(kestrel(), in_force, parse_request(request("c1", *decisions)))


def _refused(in_force: InForce, *decisions: dict[str, Any]) -> list[str]:
    with pytest.raises(DecisionError) as refused:
        _fit(in_force, *decisions)
    return str(refused.value).splitlines()


_NOTHING = InForce({}, {})
_INJECTION = {"stock": "calcium", "nutrient": "N", "dose_kg_ha": 3.0, "inject_m3": 0.5}
_WRONG = item("program", "old_night", shift="creek", water_m3=1.0, injections=[_INJECTION], order="together")
"""A program that cannot run: 1 m3 does not even reach the outermost emitter."""


def test_a_whole_farm_fits() -> None:
    """What `shiftwright check` finds right is recorded without a word."""
    assert _fit(_NOTHING, *creek()) == ()


@pytest.mark.parametrize(
    ("decision", "where"),
    [
        (item("shift", "ridge", blocks=["ridge"]), "shift.ridge.blocks: got 'ridge'"),
        (item("block", "creak", why="a leak"), "block.creak: got 'creak'"),
        (item("block", "creek", area_ha=99.0, why="more"), "block.creek.area_ha: got 99"),
        (item("program", "x", shift="crek", water_m3=9.0, order="together"), "program.x.shift: got 'crek'"),
        (fill("a_2", 1.0, START, tank="z"), "mix.a_2.tank: got 'z'"),
        (
            fill("a_2", 1.0, START, portions=[{"product": "ureaa", "kg": 1.0}]),
            "mix.a_2.portions.0.product: got 'ureaa'",
        ),
        (fill("a_2", 1.0, START, stock="nitrogen"), "mix.a_2.stock: got 'nitrogen'"),
        (_WRONG, "program.old_night: got a night that fails"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_is_wrong_in_itself_is_refused(decision: dict[str, Any], where: str) -> None:
    """A typo is caught when it is entered, not at two in the morning; a right decision beside it waits for it."""
    in_force = _in_force(*creek())
    told = _refused(in_force, decision, item("block", "creek", why="pruned") if "block" not in where else creek()[0])
    assert [line for line in told if line.startswith(where)] == told


def test_what_was_wrong_before_refuses_nothing() -> None:
    """An old mistake does not lock the record: whoever enters today's filling is not asked to mend it first."""
    in_force = _in_force(*creek(), _WRONG)
    assert _fit(in_force, fill("a_2", 160.0, START), item("shift", "creek", blocks=["creek"])) == ()


def test_what_is_meant_must_leave_the_rest_possible() -> None:
    """A stock of a make-up that a program in force cannot run with is refused, unless the program comes along."""
    in_force = _in_force(*creek())
    weak = item("stock", "calcium", **{**creek()[2]["body"], "products_g_l": {"calcium_nitrate": 2.0}})
    told = _refused(in_force, weak)
    assert all(line.startswith("program.creek_night: got a night that fails for its ") for line in told)
    mended = creek(program={"injections": [{**_INJECTION, "dose_kg_ha": 0.03, "inject_m3": 42.0}]})[-1]
    assert _fit(in_force, weak, mended) == ()


def test_what_is_so_is_recorded_and_told() -> None:
    """A transit longer than thought is no mistake: the program that it stops is named. A cap stops none, it cuts."""
    in_force = _in_force(*creek())
    measured = {"litres": 90_000.0, "accuracy_pct": 5.0, "at": START.isoformat(), "by": "Mina", "how": "EC meter"}
    long = item("transit", "creek", **measured)
    (told,) = _fit(in_force, long)
    assert told.startswith("program.creek_night: got a night that fails for its ")
    assert _refused(in_force, long, _WRONG)  # what is meant beside it is judged as ever
    assert not [line for line in _refused(in_force, long, _WRONG) if "creek_night" in line]
    cap = item(
        "cap", "event", nutrient="N", kg_ha=1.0, over="event", basis="each_hectare", strict="hard", why="the consent"
    )
    assert _fit(in_force, cap) == ()


def test_a_block_in_no_shift_is_told() -> None:
    """Shifts are regrouped one after the other; between two of them a block may stand alone."""
    asked = parse_request(request("c1", item("shift", "creek", blocks=["creek"])))
    (told,) = check_fit(wide(), _NOTHING, asked)
    assert told.startswith("shift: got no shift that waters block ridge")


def test_a_mix_is_corrected_with_a_reason() -> None:
    """Runs since are restated, and an auditor asks why; the same filling entered again corrects nothing."""
    in_force = _in_force(*creek(), fill("a_2", 160.0, START))
    assert _fit(in_force, fill("a_2", 160.0, START)) == ()
    assert _fit(in_force, fill("a_2", 80.0, START, why="half the bags")) == ()
    (told,) = _refused(in_force, fill("a_2", 80.0, START))
    assert told == "mix.a_2.why: got nothing; expected why it was wrong: runs since are restated, and their rows say so"

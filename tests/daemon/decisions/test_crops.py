"""What the crop is to have and may have: a decision that contradicts itself never gets in."""

from datetime import timedelta
from typing import Any

import pytest
from pydantic import ValidationError

from daemon.decisions.crops import Cap, Cycle, Need, OtherSource, Recommendation
from tests.daemon.agronomy.seasons import STARTS, cap, cycle, day, recommendation, spread


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"starts": day(1)}, "the first with the cycle"),
        ({"ends": day(59)}, "the last within it"),
        ({"stages": cycle().stages[::-1]}, "each later than the one before"),
        ({"stages": (*cycle().stages, cycle().stages[2])}, "each later than the one before"),
        ({"stages": ()}, "at least 1 item"),
        ({"blocks": ()}, "at least 1 item"),
        ({"nitrogen_until": day(-1)}, "expected a day of the cycle"),
        ({"nitrogen_until": day(90)}, "expected a day of the cycle"),
        ({"plants_per_ha": 0.0}, "greater than 0"),
        ({"ammonium_most_share": 1.1}, "less than or equal to 1"),
    ],
)
def test_a_cycle_is_in_order(changes: dict[str, Any], says: str) -> None:
    """Guards the stages: each day of the cycle lies in exactly one, and nitrogen ends within it."""
    with pytest.raises(ValidationError, match=says):
        cycle(**changes)


def test_two_stages_of_one_name_are_refused() -> None:
    """Guards acceptances and reports: they know a stage by its name."""
    stages = cycle().stages
    with pytest.raises(ValidationError, match="two stages of one name"):
        cycle(stages=(stages[0], stages[1].model_copy(update={"name": "bud"}), stages[2]))


@pytest.mark.parametrize(
    ("shares", "is_right"),
    [((0.5, 0.5), True), ((0.333, 0.333, 0.334), True), ((0.5, 0.6), False), ((0.2, 0.3), False)],
)
def test_shares_make_a_whole(shares: tuple[float, ...], is_right: bool) -> None:
    """Guards the total: shares that do not sum to 1 would give more or less than is recommended."""
    if is_right:
        assert Need(kg_ha=60.0, shares=shares).shares == shares
    else:
        with pytest.raises(ValidationError, match="expected 1"):
            Need(kg_ha=60.0, shares=shares)


@pytest.mark.parametrize("kg_ha", [0.0, -1.0, float("nan"), float("inf")])
def test_an_amount_is_a_number_above_nothing(kg_ha: float) -> None:
    """Guards every figure: no zero, no minus, no NaN."""
    with pytest.raises(ValidationError):
        Need(kg_ha=kg_ha, shares=(1.0,))
    with pytest.raises(ValidationError):
        cap(kg_ha)
    with pytest.raises(ValidationError):
        spread(STARTS, kg_ha)


def test_events_are_said_in_one_way() -> None:
    """Guards the two ways to say when: so many days apart, or so many in each stage; not both, not neither."""
    with pytest.raises(ValidationError, match="both or none of every_days and events"):
        recommendation(every_days=None)
    with pytest.raises(ValidationError, match="both or none of every_days and events"):
        Recommendation(**(dict(recommendation(events=(1, 1, 1))) | {"every_days": 7}))
    assert recommendation().make_up_pct == 25.0, "a quarter, unless said otherwise"


@pytest.mark.parametrize("nutrient", ["P2O5", "K2O", "NO3", "n", ""])
def test_nutrients_are_elemental(nutrient: str) -> None:
    """Guards the factor of 2.29 between P2O5 and P: an oxide is no key."""
    with pytest.raises(ValidationError):
        recommendation(needs={nutrient: Need(kg_ha=1.0, shares=(1.0,))})
    with pytest.raises(ValidationError):
        cap(1.0, nutrient=nutrient)
    with pytest.raises(ValidationError):
        OtherSource(blocks=("creek",), on=STARTS, what="spread", kg_ha={nutrient: 1.0}, by="Mina")


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"over": "year", "year_starts": None}, "year_starts"),
        ({"over": "cycle", "year_starts": "07-01"}, "year_starts"),
        ({"over": "year", "year_starts": "02-30"}, "match pattern"),
        ({"over": "year", "year_starts": "13-01"}, "match pattern"),
        ({"over": "event", "basis": "farm_average"}, "expected over a cycle or a year"),
        ({"over": "day", "basis": "farm_average"}, "expected over a cycle or a year"),
        ({"why": ""}, "at least 1 character"),
        ({"strict": "soft"}, "'advisory' or 'hard'"),
    ],
)
def test_a_cap_is_whole(changes: dict[str, Any], says: str) -> None:
    """Guards what a cap must say: its year if it is over one, a span that can be averaged, where it comes from."""
    with pytest.raises(ValidationError, match=says):
        cap(190.0, **changes)


@pytest.mark.parametrize(
    "decision",
    [
        cycle(nitrogen_until=day(70), plants_per_ha=600.0),
        recommendation(events=(5, 1, 5)),
        spread(STARTS + timedelta(days=3), 20.0, 0.5),
        cap(190.0, "year", basis="farm_average", blocks=("creek",)),
    ],
    ids=lambda decision: decision.kind,
)
def test_a_decision_survives_the_record(decision: Cycle | Recommendation | OtherSource | Cap) -> None:
    """Guards the ledger's JSON: dates and tuples come back as they were."""
    assert type(decision).model_validate_json(decision.model_dump_json()) == decision

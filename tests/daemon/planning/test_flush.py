"""Which shifts of water alone flush what is owed, and how much of it, at Kestrel Bend's six blocks in three shifts."""

import functools
import tomllib
from collections.abc import Mapping
from datetime import timedelta
from pathlib import Path

import pytest

import daemon.cli
from daemon.decisions.base import Decision, Decisions
from daemon.decisions.kinds import KINDS
from daemon.decisions.watering import BlockState
from daemon.planning.checks import PlanError
from daemon.planning.flush import MAIN, plan_flush
from daemon.planning.night import Plan
from daemon.site import Plant
from tests.daemon.control.plant import make_plant
from tests.daemon.decisions.tanks import NOW

_BEND = Path(daemon.cli.__file__).parent / "kestrel_bend"
_SPARE = 1.02
"""A hair more than is owed, so that the last litre is not waited for."""


@functools.cache
def _bend() -> Plant:
    return make_plant((_BEND / "site.toml").read_text("utf-8"))


@functools.cache
def _decided() -> Decisions:
    found: dict[tuple[str, str], Decision] = {}
    for kind, items in tomllib.loads((_BEND / "decisions.toml").read_text("utf-8")).items():
        for key, body in items.items():
            found[kind, key] = KINDS[kind].model_validate(body)
    return found


def _flushes(owed_l: Mapping[str, float], *wanted: str, decisions: Decisions | None = None) -> tuple[Plan, ...]:
    return plan_flush(_bend().site, decisions or _decided(), owed_l, wanted, lambda place: f"flush-{place}", NOW)


def _blocks(plans: tuple[Plan, ...]) -> list[tuple[str, ...]]:
    return [tuple(block.block for block in plan.recipe.blocks) for plan in plans]


def _closed(name: str) -> Decisions:
    state = BlockState(closed_until=NOW + timedelta(days=1), why="picking")
    return {**_decided(), (BlockState.kind, name): state}


def test_one_shift_flushes_what_it_left() -> None:
    """Guards invariant 2: through the shift's own blocks, each at its share, at least what it owes, and no stock."""
    (plan,) = _flushes({"creek": 400.0, "bridge": 900.0, MAIN: 700.0})
    assert _blocks((plan,)) == [("creek", "bridge")]
    recipe = plan.recipe
    assert not recipe.channels and recipe.prewet_l == recipe.inject_l == 0.0
    assert recipe.flush_l == recipe.water_l
    shares = {block.block: block.share for block in recipe.blocks}
    assert sum(shares.values()) == pytest.approx(1.0)
    most_l = max(700.0, 400.0 / shares["creek"], 900.0 / shares["bridge"])
    assert recipe.water_l == pytest.approx(_SPARE * most_l)


def test_each_shift_that_owes_has_a_run_of_its_own_and_the_first_takes_the_main() -> None:
    """Guards the shared main: its contents leave once, with the first of the runs; each run has its own name."""
    plans = _flushes({"ridge": 300.0, "hill": 300.0, "river": 200.0, "house": 250.0, MAIN: 5000.0})
    assert [plan.recipe.run for plan in plans] == ["flush-0", "flush-1"]
    assert {frozenset(blocks) for blocks in _blocks(plans)} == {
        frozenset({"ridge", "hill"}),
        frozenset({"river", "house"}),
    }
    assert plans[0].recipe.water_l == pytest.approx(_SPARE * 5000.0)
    assert plans[1].recipe.water_l < 1000.0


def test_a_block_that_owes_alone_is_flushed_with_as_few_others_as_can_be() -> None:
    """Guards blocks that owe nothing: they get none of what is in the pipes where the block can run without them."""
    (plan,) = _flushes({"creek": 400.0})
    could_alone = _bend().site.block["creek"].flow_m3_h >= _bend().site.main.min_flow_m3_h
    assert _blocks((plan,)) == [("creek",) if could_alone else ("creek", "bridge")]


def test_only_what_is_asked_for() -> None:
    """Guards the operator's choice: of two shifts that owe, the one of the named block."""
    plans = _flushes({"creek": 400.0, "bridge": 400.0, "ridge": 300.0, "hill": 300.0}, "ridge")
    assert all("ridge" in blocks for blocks in _blocks(plans)) and len(plans) == 1


def test_the_main_alone_goes_to_the_widest_shift() -> None:
    """Guards a main that owes when no block does: it is flushed through as many blocks as run together."""
    (plan,) = _flushes({MAIN: 800.0})
    assert len(plan.recipe.blocks) == 2
    assert plan.recipe.water_l == pytest.approx(_SPARE * 800.0)


def test_a_closed_block_is_left_out_and_said() -> None:
    """Guards people in the rows: a closed block gets no water, and the plan of the others says what it leaves."""
    plans = _flushes({"creek": 400.0, "ridge": 300.0, "hill": 300.0}, decisions=_closed("creek"))
    assert all("creek" not in blocks for blocks in _blocks(plans))
    told = [check.reason for plan in plans for check in plan.checks]
    assert any("creek" in reason and "closed" in reason for reason in told)


@pytest.mark.parametrize(
    ("owed_l", "wanted", "closed", "said"),
    [
        ({}, (), None, "no flush is owed by any block"),
        ({"creek": 1.0}, ("ridge",), None, "no flush is owed by ridge"),
        ({"creek": 1.0}, (), "creek", "closed today"),
    ],
)
def test_what_cannot_be_flushed_is_refused(
    owed_l: Mapping[str, float], wanted: tuple[str, ...], closed: str | None, said: str
) -> None:
    """Guards a clear refusal: nothing owed, nothing owed by that one, nothing open."""
    with pytest.raises(PlanError, match=said):
        _flushes(owed_l, *wanted, decisions=_closed(closed) if closed else None)

"""The dose rows of whole runs: drained blocks, hoses, water that was not seen, and the split between blocks."""

import math

import pytest

from daemon.control import lines as account
from daemon.control.states import Phase, ProcedureState
from daemon.dosing.estimates import k2_of_class_pct
from daemon.evidence import Dose, RunEnded
from daemon.hydraulics.transport import displace
from daemon.messages import Verb
from daemon.recipe import Recipe
from tests.daemon.control.plant import Rig, changed, demo_recipe, is_injecting, kestrel, metered, of_kind
from tests.daemon.control.sites import CONTACT, N_G_L, every, filtered, night, orchard
from tests.daemon.control.spec import Watch

_MG_L = N_G_L * 1000.0


def _begun(rig: Rig, recipe: Recipe) -> Rig:
    rig.watch = Watch(every=50)
    assert rig.start(recipe).accepted
    return rig


def _stopped(rig: Rig) -> dict[str, Dose]:
    """Stop everything and return the last run's rows by block."""
    assert rig.state.run is not None
    run = rig.state.run.recipe.run
    rig.scan(Verb.STOP_EVERYTHING)
    rig.until_end()
    return {row.block: row for row in metered(rig.rows) if row.run == run}


def _ridge_and_hill() -> Recipe:
    return night(orchard(), ("ridge", "hill"), 3.0, ("a", 10.0, 1.5))


def test_a_block_that_drains_has_lost_what_was_in_its_lines() -> None:
    """Guards practice 6: at the end hill runs empty and ridge does not."""
    rig = _begun(Rig(orchard()), _ridge_and_hill())
    rig.until_injecting(25)
    rows = _stopped(rig)
    assert rig.state.run is not None
    injected_l = rig.state.run.channels["a"].injected_l
    for plan in _ridge_and_hill().blocks:
        row = rows[plan.block]
        assert row.injected_mg == pytest.approx(injected_l * plan.share * _MG_L, abs=1.0)
        assert row.injected_mg == row.delivered_mg + row.in_lines_mg + row.lost_mg
    hill, ridge = rows["hill"], rows["ridge"]
    main_mg = sum(stock for _, stock in rig.state.lines.pipes["a", "hill"].way.line.parcels) * _MG_L
    assert hill.lost_mg > 10_000 and hill.u_delivered_mg >= hill.lost_mg
    assert hill.in_lines_mg == pytest.approx(main_mg, rel=0.2), "before its valve the main stays full"
    assert ridge.lost_mg == 0 and ridge.in_lines_mg > 10_000


def test_what_waits_at_an_inlet_is_in_the_row() -> None:
    """Guards the account: water and stock too little to move the pipes' content for yet are in the last row."""
    rig = _begun(Rig(kestrel()), demo_recipe())
    rig.until(is_injecting, dt_s=5.0)
    rig.scans(200, dt_s=5.0)
    rig.scans(2)
    row = _stopped(rig)["creek"]
    pipe = rig.state.lines.pipes["a", "creek"]
    moved = displace(pipe.way.line, pipe.water_l, pipe.stock_l)
    assert pipe.water_l > 0.0 and pipe.stock_l > 0.0
    assert moved.delivered_l > pipe.way.line.delivered_l > 0.0
    assert row.nutrient == "Ca"
    assert row.delivered_mg == pytest.approx(moved.delivered_l * 37_000.0, abs=1.0)
    assert row.in_lines_mg == pytest.approx(moved.in_lines_l * 37_000.0, abs=2.0)


def test_a_flushed_block_that_drains_has_lost_next_to_nothing() -> None:
    """Guards the whole night of a draining block: after its flush what runs out of it is water."""
    rig = _begun(Rig(orchard()), _ridge_and_hill())
    rig.until_end()
    rows = {row.block: row for row in metered(rig.rows)}
    assert rows["hill"].lost_mg <= 0.005 * rows["hill"].injected_mg
    assert [row.outcome for row in of_kind(rig.rows, RunEnded)] == ["DELIVERED"]


def test_each_block_gets_its_share_and_the_splits_uncertainty() -> None:
    """Guards the split: doses by flow, a tenth uncertain with two blocks and not at all with one."""
    own_pct = math.hypot(k2_of_class_pct(1.0), 2.0)
    recipe = _ridge_and_hill()
    rig = _begun(Rig(orchard()), recipe)
    rig.until_end()
    for row, plan in zip(metered(rig.rows), recipe.blocks, strict=True):
        assert row.injected_mg == pytest.approx(rig.stock_l["a"] * plan.share * _MG_L, rel=0.002)
        assert plan.share_accuracy_pct >= 10.0
        assert 100.0 * row.u_injected_mg / row.injected_mg == pytest.approx(
            math.hypot(own_pct, plan.share_accuracy_pct), abs=0.01
        )
    alone = _begun(Rig(orchard()), night(orchard(), ("ridge",), 1.8, ("a", 5.0, 1.0)))
    alone.until_end()
    (row,) = metered(alone.rows)
    assert 100.0 * row.u_injected_mg / row.injected_mg == pytest.approx(own_pct, abs=0.01)


def _u_pct(rig: Rig, recipe: Recipe) -> float:
    """Run the recipe to its end; return the injected's relative uncertainty, split aside."""
    assert rig.start(recipe).accepted
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.COMPLETE
    row = next(row for row in metered(rig.rows) if row.run == recipe.run)
    plan = next(plan for plan in recipe.blocks if plan.block == row.block)
    return math.sqrt((100.0 * row.u_injected_mg / row.injected_mg) ** 2 - plan.share_accuracy_pct**2)


def test_a_hose_holds_the_last_batch() -> None:
    """Guards the hose term over runs: what it held before is unknown at first, then the same batch, then another."""
    rig = Rig(every())
    hose_l = math.pi / 4.0 * 0.016**2 * 5.0 * 1000.0
    first = night(every(), ("terrace", "flat"), 3.2, ("a", 8.0, 2.0))
    channel = first.channels[0]
    assert channel.hose_l == pytest.approx(hose_l)
    known_pct = math.hypot(k2_of_class_pct(1.0), 2.0)
    hose_pct = math.hypot(known_pct, 100.0 * hose_l / 8.0)
    assert _u_pct(rig, first) == pytest.approx(hose_pct, rel=0.01)
    assert _u_pct(rig, changed(first, run="run-2")) == pytest.approx(known_pct, rel=0.01)
    other = changed(first, run="run-3", channels=(changed(channel, batch="a-2"),))
    assert _u_pct(rig, other) == pytest.approx(hose_pct, rel=0.01)
    assert _u_pct(rig, changed(other, run="run-4")) == pytest.approx(known_pct, rel=0.01)


def test_a_dose_smaller_than_its_hose_is_all_uncertain() -> None:
    """Guards the hose term at its end: 3 L through a hose of 3.8 L may be another batch to the last drop, each time."""
    rig = Rig(every())
    recipe = night(every(), ("terrace", "flat"), 3.2, ("c", 3.0, 2.0))
    assert recipe.channels[0].hose_l > 3.0
    assert _u_pct(rig, recipe) == pytest.approx(100.0, rel=0.01)
    assert _u_pct(rig, changed(recipe, run="run-2")) == pytest.approx(100.0, rel=0.01), (
        "the hose is still not full of it"
    )


@pytest.mark.parametrize("is_blind", [False, True])
def test_water_that_was_not_counted_makes_the_lines_content_uncertain(is_blind: bool) -> None:
    """Guards the blind account: after the totaliser was exchanged all that should be in the pipes may be out."""
    rig = _begun(Rig(orchard()), night(orchard(), ("ridge",), 1.8, ("a", 5.0, 1.0)))
    rig.until_injecting(40)
    if is_blind:
        rig.water_counts = 0.0
        rig.watch = None  # it counts by the same totaliser
    row = _stopped(rig)["ridge"]
    assert row.in_lines_mg > 10_000 and row.lost_mg == 0
    assert (row.u_delivered_mg >= row.in_lines_mg) is is_blind


def test_the_next_run_is_not_blind() -> None:
    """Guards the blind account: it is of the run in which water was missed, and of no other."""
    rig = _begun(Rig(orchard()), night(orchard(), ("ridge",), 1.8, ("a", 5.0, 1.0)))
    rig.watch = None
    rig.until_phase(Phase.PREWET)
    rig.water_counts = 0.0
    rig.scan()
    assert rig.state.lines.is_blind
    rig.until_end()
    assert rig.start(night(orchard(), ("ridge",), 1.8, ("a", 5.0, 1.0), run="run-2")).accepted
    assert not rig.state.lines.is_blind


def test_backwash_water_behind_the_meter_widens_what_the_pipes_leave_uncertain() -> None:
    """Guards rule 17 in the dose: the drain's litres move nothing, and some of them may have gone to the field."""
    rig = _begun(Rig(filtered(CONTACT, "meter filter injection")), _small_night())
    rig.until_injecting(30)
    rig.is_self_washing = True
    rig.scans(2)
    assert rig.state.run is not None
    site, run = rig.plant.site, rig.state.run
    (before,) = account.doses(site, run, rig.state.lines)
    rig.scans(15)
    (after,) = account.doses(site, run, rig.state.lines)
    assert after.delivered_mg == before.delivered_mg and after.in_lines_mg == before.in_lines_mg
    assert after.u_delivered_mg > 1.2 * before.u_delivered_mg


def _small_night() -> Recipe:
    return night(filtered(CONTACT, "meter filter injection"), ("creek",), 4.0, ("a", 10.7, 1.5))

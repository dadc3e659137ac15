"""Every step of every subject of three plants, walked on paper: what each stage promises, whatever is entered."""

import itertools

import pytest

from daemon.commissioning.step import Step
from daemon.commissioning.steps import STEPS
from daemon.equipment import DisplacementTank
from daemon.required import STEP_NAMES
from daemon.site import Site, point_refs
from tests.daemon.commissioning.walk import SITES, plant_of, walk

_ALL = [(name, step) for name in SITES for step in STEPS if STEPS[step].subjects(plant_of(name).site)]
_WALKS = 4


def _outputs(site: Site) -> set[str]:
    pump = {"pump"} if site.pump is not None else set()
    return pump | {f"valve.{name}" for name in site.block} | {f"injector.{name}" for name in site.injector}


def _readings(site: Site) -> set[str]:
    by_injector = {f"injector.{name}.stock_l" for name in site.injector} | {
        f"tank.{name}.content_l" for name in site.injector
    }
    far = {f"block.{name}.far_ec_ms_cm" for name, block in site.block.items() if block.far_ec is not None}
    shared = {"flow_m3_h", "water_l", "pressure_kpa", "background_ec_ms_cm", "line_ec_ms_cm", "filter_difference_kpa"}
    return shared | by_injector | far


def test_a_site_file_knows_every_step() -> None:
    """What may be required is what there is, in the order in which the steps build on each other."""
    assert tuple(STEPS) == STEP_NAMES


@pytest.mark.parametrize(("place", "name"), _ALL)
def test_every_stage_keeps_its_form(place: str, name: str) -> None:
    """Guards the form: stages hold outputs and watch readings that there are, go back to one before, and end."""
    site, step = plant_of(place).site, STEPS[name]
    refs = {ref for _, ref, _ in point_refs(site)}
    stages = 0
    for subject, seed in itertools.product(step.subjects(site), range(_WALKS)):
        for entries, stage in walk(step, site, subject, seed):
            before = {entry.stage for entry in entries}
            stages += 1
            assert stage.name not in before, stage.name
            assert (stage.do and not stage.back_to) or stage.back_to in before | {stage.name}, stage
            assert stage.hold.keys() <= _outputs(site) and set(stage.watch) <= _readings(site), stage
            assert len(stage.watch) == len(set(stage.watch)) and set(stage.raw) <= refs, stage
            assert len({ask.name for ask in stage.asks}) == len(stage.asks)
            assert all(0.0 < drive <= 1.0 for drive in stage.hold.values())
            assert not (stage.is_daemons and stage.asks), "what the daemon ends by itself asks for nothing"
            injects = [out for out in stage.hold if out.startswith("injector.")]
            assert not injects or (
                (site.pump is None or "pump" in stage.hold) and any("valve." in out for out in stage.hold)
            )
    assert stages >= 4


@pytest.mark.parametrize(("place", "name"), _ALL)
def test_a_step_goes_on_without_a_single_reading(place: str, name: str) -> None:
    """Guards the daemon: it finds the way anew in every scan, so that raises nothing, whatever was not read."""
    site, step = plant_of(place).site, STEPS[name]
    for subject in step.subjects(site):
        assert len(list(walk(step, site, subject, 1, is_blind=True))) >= 1


@pytest.mark.parametrize(("place", "name"), _ALL)
def test_what_injects_ends_with_a_flush(place: str, name: str) -> None:
    """Guards the creek: after a stage in which an injector was held on, the last of the way flushes."""
    site, step = plant_of(place).site, STEPS[name]
    for subject, seed in itertools.product(step.subjects(site), range(_WALKS)):
        stages = [stage for _, stage in walk(step, site, subject, seed)]
        if any(out.startswith("injector.") for stage in stages for out in stage.hold):
            assert stages[-1].flushes, stages[-1]


@pytest.mark.parametrize("step", STEPS.values(), ids=list(STEPS))
def test_a_step_says_what_it_needs_and_what_to_mind(step: Step) -> None:
    """Each has its needs, its cautions and whether water may run tonight."""
    assert step.needs and step.cautions and step.title and step.water_tonight and step.valid_days > 0


def test_every_injector_has_its_step() -> None:
    """A displacement tank is measured by its thinning out, the others by timed volumes."""
    site = plant_of("every_kind").site
    tanks = {name for name, injector in site.injector.items() if isinstance(injector, DisplacementTank)}
    assert tanks and set(STEPS["tank"].subjects(site)) == tanks
    assert set(STEPS["injector"].subjects(site)) == set(site.injector) - tanks

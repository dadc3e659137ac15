"""Whether new decisions fit the plant, each other and those in force."""

from collections.abc import Iterable
from dataclasses import fields

from daemon.decisions.tanks import Mix
from daemon.planning.decided import Decided
from daemon.planning.review import check_decisions
from daemon.runtime.decided import Asked, DecisionError, InForce, RecordRequest
from daemon.site import Plant, Site
from daemon.site_checks import Standing
from daemon.site_file import Inspected
from drivers.profile import Problem

_MEANT = frozenset({"shift", "program", "stock", "cycle", "recommendation"})
"""Kinds that say what is to be done, which must be possible. All others say what is so, or what may not be: they are
refused for what is wrong in themselves, and never for what a program can then no longer do."""


def check_fit(plant: Plant, in_force: InForce, request: RecordRequest) -> tuple[str, ...]:
    """Return what no longer fits elsewhere once the decisions are recorded. What was wrong before is not told again.

    Raises DecisionError with all that refuses them: what is wrong with themselves, what those that are meant to be done
    make impossible elsewhere, and a mix that is corrected without a reason. That a block is left in no shift refuses
    nothing: shifts are regrouped one after the other.
    """
    said = [one for one in request.decisions if one.kind not in _MEANT]
    before = _problems(plant, in_force, ())
    after_said = _problems(plant, in_force, said)
    after = _problems(plant, in_force, request.decisions)
    own = tuple(f"{one.kind}.{one.key}" for one in request.decisions)
    new = [problem for problem in after if problem not in before]
    refusing = [p for p in new if "." in p.where and (_is_at(p, own) or p not in after_said)]
    unexplained = _unexplained(in_force, request)
    if refusing or unexplained:
        raise DecisionError("\n".join(map(str, (*refusing, *unexplained))))
    return tuple(str(problem) for problem in new if problem not in refusing)


def _problems(plant: Plant, in_force: InForce, new: Iterable[Asked]) -> list[Problem]:
    decisions = {**in_force.decisions, **{one.name: one.decision for one in new}}
    named = frozenset((*in_force.versions, *decisions))
    return list(check_decisions(_inspected(plant), Decided(decisions, named, ())))


def _is_at(problem: Problem, places: Iterable[str]) -> bool:
    return any(problem.where == place or problem.where.startswith(f"{place}.") for place in places)


def _unexplained(in_force: InForce, request: RecordRequest) -> list[Problem]:
    """Return the problem of each mix that is corrected without a reason."""
    return [
        Problem(f"mix.{one.key}.why", "nothing", "why it was wrong: runs since are restated, and their rows say so")
        for one in request.decisions
        if isinstance(one.decision, Mix)
        and not one.decision.why
        and in_force.versions.get(one.name)
        and in_force.decisions.get(one.name) != one.decision
    ]


def _inspected(plant: Plant) -> Inspected:
    """Return a plant as its site file was found: all of it stands."""
    site = plant.site
    names = {key: tuple(part) for key in Site.model_fields if isinstance(part := getattr(site, key), dict)}
    kept = {field.name: getattr(site, field.name) for field in fields(Standing) if field.name in Site.model_fields}
    return Inspected(plant, Standing(profiles={}, names=names, **kept), ())

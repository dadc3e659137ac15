"""Whether new decisions fit the plant, each other and those in force, and whether what is removed may go."""

from collections.abc import Iterable, Iterator
from dataclasses import fields

from daemon.decisions.tanks import Mix
from daemon.ledger.in_force import DecisionError, InForce
from daemon.planning.decided import Decided
from daemon.planning.review import check_decisions
from daemon.runtime.decided import Asked, RecordRequest
from daemon.site import Plant, Site
from daemon.site_checks import Standing
from daemon.site_file import Inspected
from drivers.profile import Problem

_MEANT = frozenset({"shift", "program", "stock", "cycle", "recommendation", "timetable"})
"""Kinds that say what is to be done, which must be possible. All others say what is so, or what may not be: they are
refused for what is wrong in themselves, and never for what a program can then no longer do."""
_OF_A_NIGHT = "tonight."
"""What is different on one night names what may be gone since: that holds nothing in the record."""


def check_fit(plant: Plant, in_force: InForce, request: RecordRequest) -> tuple[str, ...]:
    """Return what no longer fits elsewhere once the decisions are recorded. What was wrong before is not told again.

    Raises DecisionError with all that refuses them: what is wrong with themselves, what those that are meant to be done
    make impossible elsewhere, a mix that is corrected without a reason, and what still names a decision that is to be
    removed. That a block is left in no shift refuses nothing: shifts are regrouped one after the other.
    """
    removed = [repr(one.key) for one in request.decisions if one.decision is None]
    said = [one for one in request.decisions if one.kind not in _MEANT]
    before = _problems(plant, in_force, ())
    after_said = _problems(plant, in_force, said)
    after = _problems(plant, in_force, request.decisions)
    own = tuple(f"{one.kind}.{one.key}" for one in request.decisions)
    new = [problem for problem in after if problem not in before]
    refusing = [
        p
        for p in new
        if _is_at(p, own)
        or ("." in p.where and not p.where.startswith(_OF_A_NIGHT) and (p not in after_said or p.got in removed))
    ]
    unexplained = (*_unexplained(in_force, request), *_unremovable(in_force, request))
    if refusing or unexplained:
        raise DecisionError("\n".join(map(_told, (*unexplained, *refusing))))
    return tuple(_told(problem) for problem in new if problem not in refusing)


def _told(problem: Problem) -> str:
    """Return a problem in words: what the review of a file calls this file is the record here."""
    return str(problem).replace(" of this file", " of the record")


def _problems(plant: Plant, in_force: InForce, new: Iterable[Asked]) -> list[Problem]:
    asked = {one.name: one.decision for one in new}
    decisions = {name: found for name, found in {**in_force.decisions, **asked}.items() if found is not None}
    gone = in_force.removed | asked.keys()
    named = frozenset((*(name for name in in_force.versions if name not in gone), *decisions))
    return list(check_decisions(_inspected(plant), Decided(decisions, named, ())))


def _is_at(problem: Problem, places: Iterable[str]) -> bool:
    return any(problem.where == place or problem.where.startswith(f"{place}.") for place in places)


def _unremovable(in_force: InForce, request: RecordRequest) -> Iterator[Problem]:
    """Yield the problem of each removal of what is not there, and of a mix: runs may have drawn from it."""
    for one in request.decisions:
        where = f"{one.kind}.{one.key}"
        if one.decision is not None:
            continue
        if one.name not in in_force.versions or one.name in in_force.removed:
            known = sorted(key for kind, key in in_force.decisions if kind == one.kind)
            yield Problem(where, "its removal", f"one that is in force: {', '.join(known) or 'there is none'}")
        elif one.kind == Mix.kind:
            yield Problem(where, "its removal", "it corrected, with why: runs since may have drawn from it")


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

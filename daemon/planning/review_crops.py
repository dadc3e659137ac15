"""What does not fit together in the decisions about crops: cycles, recommendations, other sources and caps."""

from collections.abc import Iterator
from itertools import combinations

from daemon.decisions.crops import Acceptance, Cap, Cycle, OtherSource, Recommendation
from daemon.planning.decided import Decided, unknown
from daemon.site_checks import Standing
from drivers.profile import Problem


def check_crops(standing: Standing | None, decided: Decided) -> Iterator[Problem]:
    """Yield what does not fit together in them, and in them and what stands of the site."""
    if standing is not None:
        yield from _check_blocks(list(standing.names["block"]), decided)
    yield from _check_overlaps(decided)
    for key, recommendation in decided.of(Recommendation).items():
        yield from check_recommendation(decided, key, recommendation)
    for key, acceptance in decided.of(Acceptance).items():
        yield from _check_acceptance(decided, key, acceptance)


def _check_blocks(known: list[str], decided: Decided) -> Iterator[Problem]:
    named: list[tuple[str, tuple[str, ...]]] = [
        *((f"cycle.{key}", cycle.blocks) for key, cycle in decided.of(Cycle).items()),
        *((f"other_source.{key}", source.blocks) for key, source in decided.of(OtherSource).items()),
        *((f"cap.{key}", cap.blocks) for key, cap in decided.of(Cap).items()),
    ]
    for where, blocks in named:
        for name in sorted(set(blocks)):
            yield from unknown(f"{where}.blocks", name, known, "a block of the site")
            if blocks.count(name) > 1:
                yield Problem(f"{where}.blocks", f"{name!r} {blocks.count(name)} times", "each block once")


def _check_overlaps(decided: Decided) -> Iterator[Problem]:
    for (first, one), (second, other) in combinations(decided.of(Cycle).items(), 2):
        both = sorted(set(one.blocks) & set(other.blocks))
        if both and one.starts <= other.ends and other.starts <= one.ends:
            got = f"{other.starts} to {other.ends} on {', '.join(both)}"
            expected = f"days outside of cycle.{first}, {one.starts} to {one.ends}: a block has one crop at a time"
            yield Problem(f"cycle.{second}", got, expected)


def check_recommendation(decided: Decided, key: str, recommendation: Recommendation) -> Iterator[Problem]:
    """Yield where a recommendation does not fit its crop cycle, or names none of the file."""
    where = f"recommendation.{key}"
    yield from unknown(f"{where}.cycle", recommendation.cycle, decided.names(Cycle), "a cycle of this file")
    cycle = decided.of(Cycle).get(recommendation.cycle)
    if cycle is None:
        return
    stages = f"{len(cycle.stages)}, one for each stage: {', '.join(stage.name for stage in cycle.stages)}"
    for nutrient, need in recommendation.needs.items():
        if len(need.shares) != len(cycle.stages):
            yield Problem(f"{where}.needs.{nutrient}.shares", f"{len(need.shares)} shares", stages)
    if recommendation.events is not None and len(recommendation.events) != len(cycle.stages):
        yield Problem(f"{where}.events", f"{len(recommendation.events)} counts", stages)


def _check_acceptance(decided: Decided, key: str, acceptance: Acceptance) -> Iterator[Problem]:
    where, named = f"acceptance.{key}", decided.names(Recommendation)
    yield from unknown(f"{where}.recommendation", acceptance.recommendation, named, "a recommendation of this file")
    recommendation = decided.of(Recommendation).get(acceptance.recommendation)
    if recommendation is None:
        return
    needs = list(recommendation.needs)
    yield from unknown(f"{where}.nutrient", acceptance.nutrient, needs, "a nutrient of the recommendation")
    cycle = decided.of(Cycle).get(recommendation.cycle)
    if cycle is not None:
        stages = [stage.name for stage in cycle.stages]
        yield from unknown(f"{where}.stage", acceptance.stage, stages, f"a stage of cycle {recommendation.cycle}")

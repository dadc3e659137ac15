"""The sentences of a night: the first says it, the rest says why, what to do, and what may be chosen. Pure.

Nothing here is of a language: each sentence is a key of the catalogue with what it tells of.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import Enum
from itertools import groupby

from api.morning.facts import (
    BY_HAND,
    FERTILISER_BY_HAND,
    BlockNight,
    Doubt,
    Ending,
    NightFacts,
    NutrientNight,
    RunNight,
    Verdict,
    Why,
)
from api.words.amounts import Amount, Unit
from api.words.catalogue import DEFAULT, catalogue
from api.words.words import Moment, Said, said
from daemon.control.cause import Reset
from daemon.control.interlocks import BY_CODE

MAIN = "main"
_NOTHING_WRONG = ("", BY_HAND, FERTILISER_BY_HAND)
"""What a run may have been stopped by with nothing to look at."""
_NONE = 0.02
"""Of its plan: a block that got less of a nutrient got none (engineering judgement)."""


class Kind(Enum):
    """What a night is to whoever reads of it, and what marks the page."""

    FINE = "fine"
    SHORT = "short"
    OVER = "over"
    CUT = "cut"
    DOUBT = "doubt"
    LEFT = "left"
    """The blocks got what was planned, and something of the night is left to see to."""
    NOT_RUN = "not_run"
    RUNNING = "running"
    NOTHING = "nothing"
    SILENT = "silent"
    EMPTY = "empty"


class Choice(Enum):
    """What somebody may choose after a night that did not go as planned."""

    FLUSH = "flush"
    WATER = "water"
    LATER = "later"


class When(Enum):
    """How a night is named."""

    LAST = "last"
    TONIGHT = "tonight"
    THEN = "then"


@dataclass(frozen=True, slots=True)
class Told:
    """What is said of a night."""

    kind: Kind
    lead: Said
    story: tuple[Said, ...] = ()
    todo: tuple[Said, ...] = ()
    choices: tuple[Choice, ...] = ()

    @property
    def sentences(self) -> tuple[Said, ...]:
        """Return all of it in order: the whole message."""
        return (self.lead, *self.story, *self.todo)


def tell_silence(since: datetime | None, was_running: bool) -> Told:
    """Return what is said while the controller is silent: nothing of what was good before it."""
    if since is None:
        return Told(Kind.SILENT, said("silent.never"), todo=(said("silent.go"),))
    key = "silent.running" if was_running else "silent.idle"
    return Told(Kind.SILENT, said(key, since=Moment(since)), todo=(said("silent.go"),))


def tell_empty() -> Told:
    """Return what is said before the first night."""
    return Told(Kind.EMPTY, said("morning.empty"))


def tell_night(facts: NightFacts, when: When) -> Told:
    """Return what is said of a night."""
    if not facts.runs and not facts.missed:
        return Told(Kind.NOTHING, said("morning.nothing", **_when(facts, when)), tuple(_decided(facts)))
    running = facts.running
    if running is not None:
        return Told(Kind.RUNNING, _under_way(running), tuple(_so_far(facts)), tuple(_todo(facts, ())))
    kind, lead = _lead(facts, when)
    off = tuple(block for block in facts.blocks if not block.is_fine)
    story = [*_second(facts, kind), *_causes(facts), *_standing(facts), *_doubts(facts), *_left(facts)]
    story += [*(_all_fine(facts) if kind in (Kind.FINE, Kind.LEFT) else _others(facts, off)), *_decided(facts)]
    choices: tuple[Choice, ...] = ()
    if kind is Kind.CUT or facts.owed_m3:
        choices = (*((Choice.FLUSH,) if facts.owed_m3 else ()), Choice.WATER, Choice.LATER)
    elif kind is Kind.NOT_RUN or any(block.water is Verdict.SHORT for block in facts.blocks):
        choices = (Choice.WATER, Choice.LATER)
    doubts = tuple(doubt for run in facts.runs for doubt in run.doubts)
    return Told(kind, lead, tuple(story), tuple(_todo(facts, doubts)), choices)


def _when(facts: NightFacts, when: When) -> dict[str, Said]:
    return {
        "when": said(f"when.{when.value}", night=facts.night),
        "subject": said(f"when.{when.value}_subject", night=facts.night),
    }


def _lead(facts: NightFacts, when: When) -> tuple[Kind, Said]:
    """Return the first sentence: the worst of what the night was."""
    named = _when(facts, when)
    cut = next((run for run in facts.runs if run.ending is Ending.CUT), None)
    if cut is not None:
        phase = cut.phase or "FILL"
        return Kind.CUT, said(f"cut.{phase}", **named, at=cut.last, blocks=names(cut.blocks), count=len(cut.blocks))
    for kind, verdict in ((Kind.OVER, Verdict.OVER), (Kind.SHORT, Verdict.SHORT)):
        found = _by_nutrient(facts.blocks, verdict)
        if found:
            return kind, _off(found[0], kind, named)
    if facts.missed:
        blocks = _missed_blocks(facts)
        return Kind.NOT_RUN, said("morning.not_run", **named, blocks=names(blocks), count=len(blocks))
    for kind, verdict in ((Kind.SHORT, Verdict.SHORT), (Kind.OVER, Verdict.OVER)):
        thirsty = [block for block in facts.blocks if block.water is verdict]
        if thirsty:
            return kind, said(f"morning.water_{kind.value}", **named, **_water(thirsty))
    if any(run.doubts for run in facts.runs):
        channels = tuple(dict.fromkeys(doubt.channel for run in facts.runs for doubt in run.doubts))
        return Kind.DOUBT, said("morning.doubt", **named, channels=names(channels), count=len(channels))
    if facts.owed_m3 or facts.standing or any(run.cause not in _NOTHING_WRONG for run in facts.runs):
        return Kind.LEFT, said("morning.left", **named)
    return Kind.FINE, said("morning.fine", **named)


def topic(rule: str) -> str:
    """Return the key of what a check of the planner is about; of one that an older release made too."""
    key = f"check.{rule.replace(' ', '_').lower()}"
    return key if key in catalogue(DEFAULT) else "check.other"


def names(keys: Sequence[str]) -> tuple[str, ...]:
    """Return names as people write them."""
    return tuple(key.replace("_", " ") for key in keys)


def _by_nutrient(blocks: Sequence[BlockNight], verdict: Verdict) -> list[list[tuple[BlockNight, NutrientNight]]]:
    """Return the blocks that are off in this way, those of one nutrient together, the largest group first."""
    found = [
        (block, nutrient)
        for block in blocks
        if block.fertiliser is verdict
        for nutrient in [next(one for one in block.nutrients if one.verdict is verdict)]
    ]
    found.sort(key=lambda item: item[1].nutrient)
    groups = [list(group) for _, group in groupby(found, key=lambda item: item[1].nutrient)]
    return sorted(groups, key=lambda group: (group[0][1].nutrient != "N", -len(group)))


def _off(group: list[tuple[BlockNight, NutrientNight]], kind: Kind, named: dict[str, Said]) -> Said:
    """Return how much the blocks of a group got of how much."""
    nutrient = said(f"nutrient.{group[0][1].nutrient}")
    is_none = all(one.delivered_kg_ha <= _NONE * one.planned_kg_ha for _, one in group)
    key = "none" if is_none and kind is Kind.SHORT else kind.value
    planned = {round(one.planned_kg_ha, 2) for _, one in group}
    if is_none and kind is Kind.SHORT and len(planned) == 1:
        figures: tuple[Said, ...] = (said("morning.was_planned", planned=_bare(planned.pop())),)
    else:
        figures = tuple(
            said(
                "morning.of" if len(group) == 1 else "morning.block_of",
                block=block.block.replace("_", " "),
                given=_bare(one.delivered_kg_ha),
                planned=_bare(one.planned_kg_ha),
            )
            for block, one in group
        )
    blocks = names([block.block for block, _ in group])
    return said(
        f"morning.{key}",
        **named,
        blocks=blocks,
        count=len(group),
        nutrient=nutrient,
        figures=figures,
        unit=Unit("kg/ha"),
    )


def _water(blocks: Sequence[BlockNight]) -> dict[str, object]:
    return {
        "blocks": names([block.block for block in blocks]),
        "count": len(blocks),
        "given": Amount(sum(block.water_m3 for block in blocks), "m3", is_bare=True),
        "planned": Amount(sum(block.planned_m3 for block in blocks), "m3"),
    }


def _second(facts: NightFacts, kind: Kind) -> Iterator[Said]:
    """Yield what else is off, besides what the first sentence says."""
    groups = [
        (which, group)
        for which, verdict in ((Kind.OVER, Verdict.OVER), (Kind.SHORT, Verdict.SHORT))
        for group in _by_nutrient(facts.blocks, verdict)
    ]
    for which, group in groups if kind is Kind.CUT else groups[1:]:
        also = {"when": said("when.also"), "subject": said("when.also")}
        yield _off(group, which, also)
    if kind in (Kind.OVER, Kind.SHORT) and not groups:
        return
    for which in (Kind.SHORT, Kind.OVER):
        thirsty = [block for block in facts.blocks if block.water.value == which.value]
        if thirsty:
            yield said(f"also.water_{which.value}", **_water(thirsty))
    if facts.missed and kind is not Kind.NOT_RUN:
        blocks = _missed_blocks(facts)
        yield said("also.not_run", blocks=names(blocks), count=len(blocks))
    for missed in facts.missed:
        if missed.why is Why.REFUSED:
            yield said("missed.refused", what=said(topic(missed.rule)), reason=missed.reason)
        elif missed.why is not Why.AFTER:
            yield said(f"missed.{missed.why.value}")


def _missed_blocks(facts: NightFacts) -> tuple[str, ...]:
    return tuple(dict.fromkeys(block for missed in facts.missed for block in missed.blocks))


def _causes(facts: NightFacts) -> Iterator[Said]:
    """Yield what took the fertiliser or ended a run, each cause once, and what became of the water and of the lines."""
    told: set[str] = set()
    for run in facts.runs:
        if run.ending is Ending.DROPPED or not run.cause or run.cause in told:
            continue
        told.add(run.cause)
        yield said(f"cause.{run.cause}.happened", at=said("at.time", at=run.at) if run.at else "")
        yield from _after(facts, run)


def _after(facts: NightFacts, run: RunNight) -> Iterator[Said]:
    is_owed = any(block in facts.owed_m3 for block in run.blocks) or MAIN in facts.owed_m3
    if run.ending is Ending.WHOLE:
        yield said("after.flushed" if run.has_injected and not is_owed else "after.watered")
    elif run.ending is Ending.STOPPED:
        of_run = [block for block in facts.blocks if block.block in run.blocks]
        is_in = bool(of_run) and all(block.water is not Verdict.SHORT for block in of_run)
        yield said("after.ended" if is_in else "after.stopped")


def _standing(facts: NightFacts) -> Iterator[Said]:
    """Yield what waits for somebody and ended no run of the night."""
    for code in facts.standing:
        if all(run.cause != code for run in facts.runs):
            yield said(f"cause.{code}.meaning")


def _doubts(facts: NightFacts) -> Iterator[Said]:
    """Yield what each instrument says, what is likely wrong, and between what the blocks got."""
    for run in facts.runs:
        for doubt in run.doubts:
            yield said("doubt.says", channel=names((doubt.channel,))[0], figures=tuple(_says(doubt)))
            yield said("doubt.likely", cause=said(f"doubt.{doubt.causes[0]}.meaning"))
    for block in facts.blocks:
        lead = block.lead
        if block.block in _doubted(facts) and lead is not None:
            yield said(
                "doubt.range",
                block=names((block.block,))[0],
                low=_bare(max(0.0, lead.delivered_kg_ha - lead.u_kg_ha)),
                high=_kg_ha(lead.delivered_kg_ha + lead.u_kg_ha),
                planned=_bare(lead.planned_kg_ha),
                nutrient=said(f"nutrient.{lead.nutrient}"),
            )


def _doubted(facts: NightFacts) -> frozenset[str]:
    return frozenset(block for run in facts.runs if run.doubts for block in run.blocks)


def _says(doubt: Doubt) -> Iterator[Said]:
    for name, litres in (("meter", doubt.meter_l), ("tank", doubt.tank_l), ("ec", doubt.ec_l)):
        if litres is not None:
            yield said(f"doubt.{name}", litres=Amount(litres, "L"))


def _left(facts: NightFacts) -> Iterator[Said]:
    """Yield what is still in the lines."""
    if facts.owed_m3:
        segments = [name for name in facts.owed_m3 if name != MAIN]
        key = "left.blocks" if segments else "left.main"
        yield said(key, blocks=names(segments), count=len(segments)) if segments else said(key)
    elif any(run.ending is Ending.CUT for run in facts.runs):
        yield said("left.nothing")


def _others(facts: NightFacts, off: Sequence[BlockNight]) -> Iterator[Said]:
    told = {*_missed_blocks(facts), *_doubted(facts)}
    fine = [block for block in facts.blocks if block not in off and block.block not in told]
    if fine:
        yield said("morning.others", count=len(fine), blocks=names([block.block for block in fine]))


def _all_fine(facts: NightFacts) -> Iterator[Said]:
    """Yield that every block got what it was to have: with fertiliser, and those of water alone."""
    fed = [block for block in facts.blocks if block.nutrients]
    dry = [block for block in facts.blocks if not block.nutrients]
    if fed:
        nutrient = max({block.nutrients[0].nutrient for block in fed}, key=lambda name: _share(fed, name))
        of_it = [
            (block, one) for block in fed for one in block.nutrients if one.nutrient == nutrient and one.planned_kg_ha
        ]
        area_ha = sum(block.area_ha for block, _ in of_it)

        def mean(name: str) -> float:
            return sum(block.area_ha * float(getattr(one, name)) for block, one in of_it) / area_ha

        yield said(
            "morning.all_fine" if not dry else "morning.some_fine",
            all=_all(len(fed)),
            count=len(fed),
            blocks=names([block.block for block in fed]),
            given=_bare(mean("delivered_kg_ha")),
            planned=_kg_ha(mean("planned_kg_ha")),
            nutrient=said(f"nutrient.{nutrient}"),
            u=_bare(mean("u_kg_ha")),
        )
    if dry:
        yield said("morning.all_water" if not fed else "morning.some_water", all=_all(len(dry)), **_water(dry))


def _all(count: int) -> Said:
    return said("every.both") if count == 2 else said("every.counted", count=count)


def _share(blocks: Sequence[BlockNight], nutrient: str) -> tuple[int, bool]:
    return sum(one.nutrient == nutrient for block in blocks for one in block.nutrients), nutrient == "N"


def _decided(facts: NightFacts) -> Iterator[Said]:
    for changed in facts.changed:
        if changed.blocks:
            yield said(
                f"decided.{changed.does}", blocks=names(changed.blocks), count=len(changed.blocks), why=changed.why
            )


def _under_way(run: RunNight) -> Said:
    return said(f"running.{run.phase or 'FILL'}", blocks=names(run.blocks), count=len(run.blocks), since=run.began)


def _so_far(facts: NightFacts) -> Iterator[Said]:
    running = facts.running
    under_way = set(running.blocks) if running is not None else set()
    done = [block for block in facts.blocks if block.block not in under_way]
    fine = [block for block in done if block.is_fine]
    if done and len(fine) == len(done):
        yield said("running.fine", count=len(done), blocks=names([block.block for block in done]))
    elif done:
        off = [block.block for block in done if not block.is_fine]
        yield said("running.off", count=len(off), blocks=names(off))
    yield from _causes(facts)


def _todo(facts: NightFacts, doubts: Sequence[Doubt]) -> Iterator[Said]:
    """Yield what somebody has to do, or that there is nothing."""
    is_told = False
    codes = [run.cause for run in facts.runs if run.cause not in _NOTHING_WRONG]
    for code in dict.fromkeys([*facts.standing, *codes]):
        is_told = True
        yield said(f"cause.{code}.check")
    for there in (True, False):
        if any((BY_CODE[code].reset is Reset.AT_MACHINE) is there for code in facts.standing):
            yield said("todo.reset_there" if there else "todo.reset")
    if facts.standing:
        yield said("todo.until_then")
    for cause in dict.fromkeys(doubt.causes[0] for doubt in doubts):
        is_told = True
        yield said("todo.before_tonight", what=said(f"doubt.{cause}.check"))
    if facts.owed_m3:
        is_told = True
        yield said("todo.flush", water=Amount(sum(facts.owed_m3.values()), "m3"))
    if any(block.fertiliser is Verdict.OVER for block in facts.blocks):
        is_told = True
        yield said("todo.over")
    if not is_told and not facts.missed and all(block.is_fine for block in facts.blocks):
        yield said("todo.nothing")


def _kg_ha(value: float) -> Amount:
    return Amount(value, "kg/ha")


def _bare(value: float) -> Amount:
    return Amount(value, "kg/ha", is_bare=True)

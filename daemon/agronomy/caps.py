"""What caps leave, and whether what is planned fits. Caps count every source: fertiliser, manure, nitrate in the water.

A run counts whole from the moment at which it began. No cap is assumed where nobody stated one.
"""

import math
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from daemon.agronomy.past import NO_DOSES, Past
from daemon.agronomy.stages import newest_for
from daemon.agronomy.supply import Supply, supplies, zone_of
from daemon.decisions.base import Decisions, of_kind
from daemon.decisions.crops import Cap, Cycle, Recommendation

Masses = Mapping[str, Mapping[str, float]]
"""Kilograms by block and nutrient."""

_Days = tuple[date, date]
"""First and last."""

ROUNDING_KG = 1e-6
"""The record's milligram: a plan that is over by less fits."""
_FAR = 1000.0
"""Times its plan: more is never injected, and a milligram of it is a gram."""
_OFFERED = 1.1
"""Times what is recommended: the cap that is offered where none is stated (our own choice, no rule)."""


@dataclass(frozen=True, slots=True)
class Room:
    """What one cap leaves: on one block, or on all of its blocks together where it is a farm average."""

    key: str
    cap: Cap
    blocks: tuple[str, ...]
    area_ha: float
    """Of all these blocks."""
    injected_kg: float
    other_kg: float
    nitrate_kg: float

    @property
    def used_kg(self) -> float:
        """Return what counts against it so far."""
        return self.injected_kg + self.other_kg + self.nitrate_kg

    @property
    def left_kg(self) -> float:
        """Return what fits; never negative."""
        return max(0.0, self.cap.kg_ha * self.area_ha - self.used_kg)


@dataclass(frozen=True, slots=True)
class CapCheck:
    """Whether what is planned fits one cap."""

    cap: str
    """Key of the cap; empty where none is stated."""
    nutrient: str
    blocks: tuple[str, ...]
    passed: bool
    """Only a hard cap is failed."""
    warns: bool
    """It passed, and somebody should read its reason."""
    used_kg_ha: float
    planned_kg_ha: float
    fits_kg_ha: float
    """What would fit; infinite where nothing bounds it."""
    reason: str


def check_caps(
    decisions: Decisions,
    planned_kg: Masses,
    areas_ha: Mapping[str, float],
    past: Past,
    now: datetime,
    left: Iterable[Room] | None = None,
) -> tuple[CapCheck, ...]:
    """Return a check for each cap that one run touches, which begins at `now` in the site's zone.

    `planned_kg` is all that the run brings, by block and nutrient: its water's nitrate too (`nitrate_kg`). `areas_ha`
    has every block's area in use, the run's and the others: a farm average is over all of them. `left` is what
    `rooms` says of it, where that is known. Raises ValueError for a planned block without its area.
    """
    lost = sorted(set(planned_kg) - set(areas_ha))
    if lost:
        raise ValueError(f"got doses for {', '.join(lost)} without an area; expected areas_ha to have every block")
    touched = rooms(decisions, areas_ha, past, now, planned_kg) if left is None else left
    checks = [_judged(room, kg) for room in touched if (kg := _kg(room, planned_kg)) > 0.0]
    return (*checks, *_unbounded(decisions, planned_kg, areas_ha, now.date()))


def headroom_kg(
    decisions: Decisions, areas_ha: Mapping[str, float], past: Past, now: datetime
) -> dict[str, dict[str, float]]:
    """Return what fits the hard caps by block and nutrient, as if the block alone were given any; `now` as above.

    A nutrient without a hard cap is not named.
    """
    most: dict[str, dict[str, float]] = {block: {} for block in areas_ha}
    for room in hard_rooms(decisions, areas_ha, past, now):
        for block in room.blocks:
            before = most[block].get(room.cap.nutrient, room.left_kg)
            most[block][room.cap.nutrient] = min(before, room.left_kg)
    return most


def most_times_planned(hard: Iterable[Room], channels_kg: Mapping[str, Masses], planned_kg: Masses) -> dict[str, float]:
    """Return by channel how many times its plan it may inject until a hard cap is reached; none where none bounds it.

    `channels_kg` is what each channel of one run is planned to bring, `planned_kg` that of all and the water's nitrate.
    What a cap leaves is parted among the channels as they are planned: so no two of them can each fill it.
    """
    most: dict[str, float] = {}
    for room in hard:
        for channel, times in _times(room, channels_kg, planned_kg).items():
            most[channel] = min(most.get(channel, times), times)
    return most


def first_at_cap(
    hard: Iterable[Room], channels_kg: Mapping[str, Masses], planned_kg: Masses
) -> tuple[float, Room] | None:
    """Return how many times their plan all channels may inject until one is at a cap, and at which; None without."""
    found = [(min(times.values()), room) for room in hard if (times := _times(room, channels_kg, planned_kg))]
    return min(found, key=lambda item: (item[0], item[1].key, item[1].blocks), default=None)


def rooms(
    decisions: Decisions,
    areas_ha: Mapping[str, float],
    past: Past,
    now: datetime,
    of: Collection[str] | None = None,
) -> tuple[Room, ...]:
    """Return what each cap leaves on each block that it holds for at `now`; a farm average is one for all its blocks.

    A cap over the crop cycle holds for a block that is in one today. With `of` it is asked for these blocks alone.
    """
    found: list[Room] = []
    for key, cap in _caps(decisions):
        spans, of_block = _spans(decisions, cap, now.date()), supplies(decisions, past, cap.nutrient, zone_of(now))
        counted = {
            block: had
            for block, area_ha in areas_ha.items()
            if _holds_for(cap, block)
            and (of is None or block in of or cap.basis == "farm_average")
            and (had := _counted(cap, block, of_block(block, area_ha), now, spans))
        }
        if cap.basis == "each_hectare":
            found += (_room(key, cap, {block: had}) for block, had in counted.items())
        elif counted:
            found.append(_room(key, cap, counted))
    return tuple(found)


def hard_rooms(decisions: Decisions, areas_ha: Mapping[str, float], past: Past, now: datetime) -> tuple[Room, ...]:
    """Return those of `rooms` that refuse a plan and stop the injector."""
    return tuple(room for room in rooms(decisions, areas_ha, past, now) if room.cap.strict == "hard")


def over_text(cap: Cap) -> str:
    """Return over what a cap holds, in words."""
    return {
        "event": "a run",
        "day": "any 24 hours",
        "cycle": "the crop cycle",
        "year": f"the year from {cap.year_starts}",
    }[cap.over]


def suggested_caps(decisions: Decisions, today: date) -> dict[str, Cap]:
    """Return, by key, an advisory nitrogen cap for each cycle of today or later that has none: 1.1 x the plan."""
    offered: dict[str, Cap] = {}
    for (_, key), cycle in decisions.items():
        if not isinstance(cycle, Cycle) or cycle.ends < today:
            continue
        plan = decisions.get((Recommendation.kind, newest_for(decisions, key, "N")))
        if isinstance(plan, Recommendation) and not all(_is_capped(decisions, block) for block in cycle.blocks):
            offered[f"{key[:31]}_nitrogen"] = Cap(
                nutrient="N",
                kg_ha=round(plan.needs["N"].kg_ha * _OFFERED, 1),
                over="cycle",
                basis="each_hectare",
                strict="advisory",
                blocks=cycle.blocks,
                why=f"{_OFFERED:g} times what {plan.by[:60]} recommended on {plan.on}; no rule",
            )
    return offered


def _times(room: Room, channels_kg: Mapping[str, Masses], planned_kg: Masses) -> dict[str, float]:
    """Return for one cap, by channel, how many times its plan it may inject: the same for all that it bounds."""
    own_kg = {channel: _kg(room, masses) for channel, masses in channels_kg.items()}
    stocks_kg = sum(own_kg.values())
    left_kg = max(0.0, room.left_kg - (_kg(room, planned_kg) - stocks_kg))
    # A trace bounds nothing; nor is it let grow by as much as another cap would let it.
    return {channel: min(_FAR, left_kg / stocks_kg) for channel, kg in own_kg.items() if kg > ROUNDING_KG}


def _kg(room: Room, masses: Masses) -> float:
    """Return what of it falls under the room's cap."""
    blocks = room.blocks if len(room.blocks) < len(masses) else [block for block in masses if block in room.blocks]
    return sum(masses[block].get(room.cap.nutrient, 0.0) for block in blocks if block in masses)


def _caps(decisions: Decisions) -> Iterator[tuple[str, Cap]]:
    yield from sorted(of_kind(decisions, Cap).items(), key=lambda item: item[0])


def _holds_for(cap: Cap, block: str) -> bool:
    return not cap.blocks or block in cap.blocks


def _is_capped(decisions: Decisions, block: str) -> bool:
    """Return whether anything bounds the nitrogen of a whole cycle or year."""
    return any(
        cap.nutrient == "N" and cap.over in ("cycle", "year") and _holds_for(cap, block) for _, cap in _caps(decisions)
    )


def _spans(decisions: Decisions, cap: Cap, today: date) -> Mapping[str, list[_Days]] | _Days:
    """Return the days over which a cap counts: those of a year, or by block of each cycle that is on today."""
    if cap.over == "year":
        return _year(cap, today)
    spans: dict[str, list[_Days]] = {}
    for cycle in of_kind(decisions, Cycle).values() if cap.over == "cycle" else ():
        if cycle.starts <= today <= cycle.ends:
            for block in cycle.blocks:
                spans.setdefault(block, []).append((cycle.starts, cycle.ends))
    return spans


def _counted(
    cap: Cap, block: str, had: Supply, now: datetime, spans: Mapping[str, list[_Days]] | _Days
) -> Supply | None:
    """Return what of a block's supply counts against a cap for a run that begins now; None where it does not hold."""
    if cap.over == "event":
        return Supply(cap.nutrient, had.area_ha, NO_DOSES, (), ())
    if cap.over == "day":  # to the minute: a run at the same time every night must not meet yesterday's
        day_ago = now.astimezone(UTC).replace(second=59, microsecond=999_999) - timedelta(hours=24)
        return had.after(day_ago.astimezone(zone_of(now)), now.date())
    if isinstance(spans, tuple):
        return had.between(*spans)
    of_cycles = [had.between(*days) for days in spans.get(block, ())]
    return max(of_cycles, key=lambda span: span.total_kg_ha) if len(of_cycles) > 1 else next(iter(of_cycles), None)


def _cycles_of(decisions: Decisions, block: str, today: date) -> Iterator[Cycle]:
    for cycle in of_kind(decisions, Cycle).values():
        if block in cycle.blocks and cycle.starts <= today <= cycle.ends:
            yield cycle


def _year(cap: Cap, today: date) -> tuple[date, date]:
    """Return the first and the last day of the cap's year in which today lies."""
    month, day = map(int, (cap.year_starts or "01-01").split("-"))
    first = date(today.year, month, day)
    if first > today:
        first = first.replace(year=today.year - 1)
    return first, first.replace(year=first.year + 1) - timedelta(days=1)


def _room(key: str, cap: Cap, counted: Mapping[str, Supply]) -> Room:
    supplies = counted.values()
    return Room(
        key,
        cap,
        tuple(counted),
        sum(had.area_ha for had in supplies),
        sum(had.runs.amount for had in supplies),
        sum(had.other_kg_ha * had.area_ha for had in supplies if had.other),
        sum(had.nitrate_kg for had in supplies if had.water),
    )


def _judged(room: Room, planned_kg: float) -> CapCheck:
    cap, area_ha = room.cap, room.area_ha
    fits = planned_kg <= room.left_kg + ROUNDING_KG
    planned, used, left = planned_kg / area_ha, room.used_kg / area_ha, room.left_kg / area_ha
    where = f"block {room.blocks[0]}" if cap.basis == "each_hectare" else f"the mean of {len(room.blocks)} blocks"
    sources = [
        f"{kg / area_ha:.4g} {what}"
        for kg, what in ((room.other_kg, "spread or otherwise"), (room.nitrate_kg, "nitrate in the water"))
        if kg
    ]
    had = f"{used:.4g} so far" + (f" ({', '.join(sources)})" if sources else "")
    reason = f"cap {room.key} ({cap.why}): {cap.kg_ha:g} kg {cap.nutrient}/ha in {over_text(cap)}; "
    reason += f"{where} had {had}, this run brings {planned:.4g}"
    return CapCheck(
        cap=room.key,
        nutrient=cap.nutrient,
        blocks=room.blocks,
        passed=fits or cap.strict == "advisory",
        warns=not fits and cap.strict == "advisory",
        used_kg_ha=used,
        planned_kg_ha=planned,
        fits_kg_ha=left,
        reason=reason if fits else f"{reason}, and {left:.4g} would fit",
    )


def _unbounded(
    decisions: Decisions, planned_kg: Masses, areas_ha: Mapping[str, float], today: date
) -> Iterator[CapCheck]:
    """Yield a check that passes for what no cap is judged by: outside the crop cycle, or where none is stated."""
    for key, cap in _caps(decisions):
        outside = [
            block
            for block, masses in planned_kg.items()
            if cap.over == "cycle" and masses.get(cap.nutrient) and _holds_for(cap, block)
            if not any(_cycles_of(decisions, block, today))
        ]
        if outside:
            reason = (
                f"cap {key} is over the crop cycle, and no cycle of {', '.join(outside)} has {today}: it is not judged"
            )
            yield _passed(key, cap.nutrient, outside, planned_kg, areas_ha, f"{reason}. Enter the cycle", warns=True)
    free = [block for block, masses in planned_kg.items() if masses.get("N") and not _is_capped(decisions, block)]
    if free:
        reason = f"no cap stated for the N of {', '.join(free)} over a cycle or a year"
        yield _passed("", "N", free, planned_kg, areas_ha, reason, warns=False)


def _passed(
    key: str,
    nutrient: str,
    blocks: list[str],
    planned_kg: Masses,
    areas_ha: Mapping[str, float],
    reason: str,
    *,
    warns: bool,
) -> CapCheck:
    planned_kg_ha = sum(planned_kg[block][nutrient] for block in blocks) / sum(areas_ha[block] for block in blocks)
    return CapCheck(key, nutrient, tuple(blocks), True, warns, 0.0, planned_kg_ha, math.inf, reason)

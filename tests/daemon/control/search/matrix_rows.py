"""Factor (a): the real guard on one row of the matrix, to closure.

The row's data are the real ones; what its conditions would say of the readings is an input of the search, so every
sequence of readings is covered whatever they are. The reset at the machine is judged by an automaton of its own.

Abstraction: timers are kept at 0, 1, just before, at and after their ends, and in between; a middle one may wait or go
on to its end. The resets of the last hour are forgotten (test_guard has them). `dt` is 0, 1 or whatever ends a timer.
All rows are searched one by one: they only meet in the verdict, whose highest effect decides.
"""

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import product
from types import SimpleNamespace
from typing import Any, Final, NamedTuple, cast
from unittest import mock

from daemon.control import guard as module
from daemon.control.guard import Guard, Verdict, guard
from daemon.control.interlocks import Interlock, Reset
from daemon.control.states import Effect, Phase
from daemon.site import Site
from tests.daemon.control.search.explore import Tally, explore, frozen

_PHASES: Final = (None, *Phase)
_SHORTEST_S, _LONGEST_S = 2.0, 10.0
"""The reset button counts when it is down for this long, whole scans: control rule 8."""


class Seen(NamedTuple):
    """What one scan's readings say of the row."""

    holds: bool
    stays: bool
    known: bool
    phase: Phase | None
    operator: bool
    button: bool | None
    dt_s: float
    is_own: bool = True
    """The run uses the channel that the row is about."""
    bypassed: bool = False


class Ghost(NamedTuple):
    """The specification's own memory."""

    true_s: float = 0.0
    """How long the row has been seen true without a gap."""
    gone_s: float = -1.0
    """How long a cause in force has been seen gone without a gap; negative: it is not."""
    pressed_s: float = -1.0
    """How long the button has been down since it was seen up; negative: it must first be seen up."""
    pressed_with: bool = False
    """The row was true while the button was down."""
    is_foreign: bool = False
    """It was about a channel that the run does not use when it came into force."""


class Node(NamedTuple):
    """Guard and ghost."""

    memory: Guard
    ghost: Ghost


@contextmanager
def only(*rows: Interlock) -> Iterator[None]:
    """Let the guard know these rows and no others."""
    judged = {phase: tuple(row for row in rows if phase in row.phases) for phase in _PHASES}
    changes = {"MATRIX": rows, "BY_CODE": {row.code: row for row in rows}, "_JUDGED_IN": judged}
    patched: Any = mock.patch.multiple(module, **cast(Any, changes))
    with patched:
        yield


def seen_by(row: Interlock) -> Interlock:
    """Return the row with conditions that look at a `Seen` instead of a plant."""
    own, other = frozenset({"a"}), frozenset({"b"})
    conditions: dict[str, Any] = {
        "holds": lambda s: s.seen.holds,
        "stays": None if row.stays is None else lambda s: s.seen.stays,
        "known": lambda s: s.seen.known,
        "channels": None if row.channels is None else lambda s: own if s.seen.is_own else other,
    }
    return replace(row, **conditions)


def situation(site: Site, seen: Seen) -> Any:
    """Return as much of a situation as the guard itself looks at."""
    return SimpleNamespace(
        site=site,
        facts=SimpleNamespace(dt_s=seen.dt_s, reset_pressed=seen.button),
        unit=SimpleNamespace(phase=seen.phase),
        run=SimpleNamespace(channels={"a": None}),
        seen=seen,
    )


@dataclass
class RowSearch:
    """Searches one row as the guard runs it against the same row as it is declared."""

    site: Site
    row: Interlock
    declared: Interlock

    def __post_init__(self) -> None:
        self.counts: Counter[str] = Counter()
        self.seen_row = seen_by(self.row)
        self.delay_s = self.declared.delay_s(self.site)
        self.clear_s = self.declared.clear_s(self.site)
        self._inputs = {dt: [*self._seen(dt)] for dt in self._steps()}

    def run(self, *, is_dropped: bool = False) -> Tally:
        """Search to closure. Raises ViolatedError."""
        with only(*() if is_dropped else (self.seen_row,)):
            tally = explore([Node(Guard(), Ghost())], frozen, self._edges)
        return Tally(tally.states, tally.edges, self.counts)

    def _steps(self) -> set[float]:
        ends = {self.delay_s, self.clear_s, _SHORTEST_S, _LONGEST_S + 1.0}
        return {0.0, 1.0} | {end - 1.0 for end in ends if end > 1.0} | {end for end in ends if end > 0.0}

    def _seen(self, dt_s: float) -> Iterator[Seen]:
        """Yield all inputs in one phase that judges the row and one that does not, and a few in each other phase."""
        row = self.declared
        truths = [(True, True), (False, False)] + ([(False, True)] if row.stays is not None else [])
        judging = [phase for phase in _PHASES if phase in row.phases]
        chosen = [*judging[:1], *[phase for phase in _PHASES if phase not in row.phases][:1]]
        for (holds, stays), known, phase in product(truths, (True, False), chosen):
            for operator, button in product((False, True), (None, False, True)):
                yield Seen(holds, stays, known, phase, operator, button, dt_s)
            if row.channels is not None:
                yield Seen(holds, stays, known, phase, False, None, dt_s, is_own=False)
            yield Seen(holds, stays, known, phase, False, None, dt_s, bypassed=True)
        if dt_s == 1.0:
            for (holds, stays), phase in product(truths, _PHASES):
                if phase not in chosen:
                    yield Seen(holds, stays, True, phase, False, None, dt_s)

    def _edges(self, node: Node) -> Iterator[tuple[Seen, Node]]:
        memory = node.memory
        bypassed = frozenset({self.declared.code})
        for inputs in self._inputs.values():
            for seen in inputs:
                after, verdict = guard(
                    memory, situation(self.site, seen), seen.operator, bypassed if seen.bypassed else frozenset()
                )
                yield seen, Node(self._rounded(after), self._judged(node, seen, after, verdict))

    def _rounded(self, memory: Guard) -> Guard:
        return memory._replace(
            held_s={code: _class(held_s, self.delay_s) for code, held_s in memory.held_s.items()},
            gone_s={code: _class(gone_s, self.clear_s) for code, gone_s in memory.gone_s.items()},
            pressed_s=_class(memory.pressed_s, _LONGEST_S + 1.0, _SHORTEST_S),
            resets_s={},
        )

    def _judged(self, node: Node, seen: Seen, after: Guard, verdict: Verdict) -> Ghost:
        """Hold one scan against the declared row; return the ghost after it."""
        row, code, ghost, counts = self.declared, self.declared.code, node.ghost, self.counts
        was, now = code in node.memory.active, code in after.active
        is_judged = seen.phase in row.phases
        is_true = is_judged and (seen.stays if was and row.stays is not None else seen.holds)
        true_s = ghost.true_s + seen.dt_s if is_true else 0.0
        gone_s = max(0.0, ghost.gone_s) + seen.dt_s if was and is_judged and not is_true else -1.0
        accepted, pressed_s = _button(ghost.pressed_s, seen)
        accepted = accepted and not ghost.pressed_with
        is_foreign = ghost.is_foreign
        if is_true and row.channels is not None:
            is_foreign = not seen.is_own and (is_foreign or not was)
        if not was:
            must = is_true and true_s >= self.delay_s
            counts["comes into force"] += must
            assert now == must, f"{code} {'comes into force' if now else 'does not come into force'}"
            counts[f"cell {code} x {seen.phase.value if seen.phase else 'none'}"] += must
        else:
            is_gone = is_judged and not is_true
            for_long = is_gone and gone_s >= self.clear_s
            if row.latched:
                by = {Reset.OPERATOR: seen.operator, Reset.AT_MACHINE: accepted, Reset.ITSELF: True}[row.reset]
                may = (for_long or not is_judged) and by and seen.known
                counts["3 latched"] += 1
                counts["3 latched, remote reset asked"] += row.reset is Reset.AT_MACHINE and seen.operator
                counts["3 reset"] += not now
                counts["4d not known and stays"] += not seen.known
                assert seen.known or now, f"{code} was cleared while it could not be judged"
                assert by or now, f"{code} left its latch without its reset"
            else:
                may = for_long or not is_judged
            assert not is_true or now, f"{code} was cleared while it is true"
            assert now or may, f"{code} was cleared too early"
            assert not now or not may, f"{code} stays although it may go"
        assert verdict.raised == ((code,) if now and not was else ())
        assert verdict.cleared == ((code,) if was and not now else ())
        assert verdict.causes == ((code,) if now else ())
        acts = now and not seen.bypassed and not is_foreign
        counts["acts"] += acts
        assert verdict.effect is (row.effect if acts else Effect.NONE), f"{code} does {verdict.effect.name}"
        assert verdict.is_of_plant == (acts and row.effect > Effect.RELEASE and not row.of_shift)
        assert verdict.resumes == (acts and row.effect is Effect.RELEASE and row.resumes)
        return Ghost(
            _class(true_s, self.delay_s),
            _class(gone_s, self.clear_s) if now else -1.0,
            _class(pressed_s, _LONGEST_S + 1.0, _SHORTEST_S),
            pressed_s > 0.0 and (is_true or ghost.pressed_with),
            is_foreign and now,
        )


def _button(pressed_s: float, seen: Seen) -> tuple[bool, float]:
    """Return whether the button's release is accepted, and its state: control rule 8, written apart from the guard."""
    match seen.button, pressed_s:
        case None, _:
            return False, -1.0
        case False, _:
            return _SHORTEST_S <= pressed_s <= _LONGEST_S, 0.0
        case _, before if before < 0.0:
            return False, -1.0
        case _:
            return False, pressed_s + seen.dt_s


def _class(value_s: float, *ends_s: float) -> float:
    """Return a timer's representative: its ends, a second before them, what is past the last, and one in between."""
    last_s = max(ends_s)
    if value_s >= last_s:
        return last_s
    marks = sorted({0.0, 1.0, *ends_s, *(end - 1.0 for end in ends_s)})
    if value_s < 0.0 or value_s in marks:
        return value_s
    below = max(mark for mark in marks if mark < value_s)
    above = min(mark for mark in marks if mark > value_s)
    return (below + above) / 2.0

"""Breadth-first search of real reducers to closure: every state that can be reached, and every edge from it."""

import math
from collections import Counter, deque
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields
from typing import Any, TypeVar, cast

from daemon.recipe import Recipe

Node = TypeVar("Node")
"""A state with the ghosts of the specification beside it."""
Edges = Callable[[Node], Iterable[tuple[object, Node]]]


class NotClosedError(Exception):
    """The search did not come to its end: it has proved nothing."""


class ViolatedError(AssertionError):
    """A rule of the specification does not hold on an edge; the message tells the shortest way to it."""


@dataclass
class Tally:
    """What a search came to."""

    states: int = 0
    edges: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    """How often each rule's antecedent was met, each table row taken, each cell of the matrix fired."""
    waiting: int = 0
    """States that were found and not gone on from: none, where the search was carried to its end."""

    def __add__(self, other: "Tally") -> "Tally":
        return Tally(
            self.states + other.states,
            self.edges + other.edges,
            self.counts + other.counts,
            self.waiting + other.waiting,
        )

    def __str__(self) -> str:
        lines = [f"{self.states} states, {self.edges} edges"]
        return "\n".join([*lines, *(f"  {count:9} {name}" for name, count in sorted(self.counts.items()))])


def explore(
    starts: Iterable[Node],
    key: Callable[[Node], Hashable],
    edges: Edges[Node],
    *,
    most_states: int = 500_000,
    enough_edges: float = math.inf,
) -> Tally:
    """Search until the queue is empty, or `enough_edges` are followed, breadth first, and return what was met.

    `edges` yields (what was done, the state after it) and raises AssertionError where the specification is violated.
    Raises NotClosedError past `most_states`, ViolatedError with the shortest way to the first violation.
    """
    found = [*starts]
    came_from: dict[Hashable, tuple[Hashable, object] | None] = {key(node): None for node in found}
    queue = deque(found)
    count = 0
    while queue and count < enough_edges:
        node = queue.popleft()
        try:
            for label, after in edges(node):
                count += 1
                name = key(after)
                if name not in came_from:
                    came_from[name] = key(node), label
                    queue.append(after)
        except AssertionError as error:
            way = "\n".join(f"  {label}" for label in _way(came_from, key(node)))
            raise ViolatedError(f"{error}\nafter\n{way}\nfrom {node}") from error
        if len(came_from) > most_states:
            raise NotClosedError(f"more than {most_states} states: the abstraction does not close")
    return Tally(len(came_from), count, waiting=len(queue))


def _way(came_from: Mapping[Hashable, tuple[Hashable, object] | None], name: Hashable) -> Iterator[object]:
    labels = []
    step = came_from[name]
    while step is not None:
        labels.append(step[1])
        step = came_from[step[0]]
    return reversed(labels)


def frozen(value: Any) -> Hashable:
    """Return something hashable that is equal for equal values; a recipe is told by its run."""
    if isinstance(value, Recipe):
        return value.run
    try:
        hash(value)
    except TypeError:
        return _parts(value)
    return cast(Hashable, value)


def _parts(value: Any) -> Hashable:
    if isinstance(value, Mapping):
        return frozenset([(name, frozen(item)) for name, item in value.items()])
    if isinstance(value, tuple):
        return tuple([frozen(item) for item in value])
    return tuple([frozen(getattr(value, part.name)) for part in fields(value)])

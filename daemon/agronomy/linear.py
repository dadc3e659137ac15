"""A linear problem with whole numbers in it and its answer, as plain data: what goes to the solver and comes back."""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Column:
    """One unknown, never negative."""

    name: str
    most: float | None = None
    is_whole: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """`least` <= the sum of factor x unknown <= `most`; None leaves a side open."""

    terms: Mapping[str, float]
    """Factor by name of the unknown."""
    least: float | None = None
    most: float | None = None
    why: str = ""
    """What holds an unknown back where this row is at its most, in words for whoever asked."""


@dataclass(frozen=True, slots=True)
class Objective:
    """What is to be least."""

    terms: Mapping[str, float]
    gives: float = 0.0
    """The part of its least that it gives away to the objectives after it."""


@dataclass(frozen=True, slots=True)
class Problem:
    """The unknowns, what must hold, and what is to be least."""

    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    objectives: tuple[Objective, ...]
    """In order: each is made least among the answers that are best by all before it."""
    time_limit_s: float
    """For all objectives together."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What the solver found."""

    status: str
    """optimal; or else a word of the solver's (infeasible, time limit reached ...), without values."""
    values: Mapping[str, float]
    """By unknown."""

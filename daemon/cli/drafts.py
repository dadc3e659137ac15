"""From the rows of a CSV file to decisions, each problem with the cell that it came from."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from pydantic import ValidationError

from daemon.cli.sheet import Column, Row, read_sheet
from daemon.decisions.base import Decision
from daemon.site_file import explain
from drivers.profile import Problem


@dataclass(frozen=True, slots=True)
class Draft:
    """One decision as a file has it."""

    kind: str
    key: str
    body: Mapping[str, Any]
    places: Mapping[str, str]
    """The cell of a part of it, by the part's path in the decision; the whole's is that of the empty path."""


@dataclass(frozen=True, slots=True)
class Form:
    """What one kind of file holds."""

    model: type[Decision]
    columns: tuple[Column, ...]
    hints: Mapping[str, str]
    """By a heading's key that is no column: what is meant."""
    drafts: Callable[[Sequence[Row]], tuple[list[Draft], list[Problem]]]
    example: Mapping[str, str] = field(default_factory=dict)
    """Cells by heading of a second example row, where they differ from the first."""


@dataclass(frozen=True, slots=True)
class Read:
    """What became of a file."""

    decisions: Mapping[tuple[str, str], Decision]
    places: Mapping[str, str]
    """The cell of each part, by kind, key and path."""
    problems: tuple[Problem, ...]
    named: frozenset[tuple[str, str]]
    """Every (kind, key) of the file, those of wrong decisions among them."""

    def placed(self, told: str) -> str:
        """Return what is told of a decision, which begins with its path, with the cell that it came from before it."""
        place = _place(told.partition(":")[0], {"": "", **self.places})
        return f"{place}: {told}" if place else told


def read_drafts(content: bytes, form: Form) -> Read:
    """Return the decisions of a file that are right in themselves, and every problem in it."""
    sheet = read_sheet(content, form.columns, form.hints)
    drafts, problems = form.drafts(sheet.rows)
    problems = [*sheet.problems, *problems]
    told = {problem.where for problem in problems}
    decisions: dict[tuple[str, str], Decision] = {}
    places: dict[str, str] = {}
    for draft in drafts:
        name = f"{draft.kind}.{draft.key}"
        places |= {f"{name}.{path}" if path else name: place for path, place in draft.places.items()}
        if not draft.key.isidentifier():
            got, expected = repr(draft.key), "a name of letters, digits and underscores"
            problems.append(Problem(draft.places[""], got, expected, "Such as calcium_nitrate"))
        try:
            decisions[draft.kind, draft.key] = form.model.model_validate(draft.body)
        except ValidationError as error:
            for problem in explain(error, form.model, name):
                place = _place(problem.where, places)
                if place not in told:
                    problems.append(replace(problem, where=place))
    named = frozenset((draft.kind, draft.key) for draft in drafts)
    right = {name: decision for name, decision in decisions.items() if name[1].isidentifier()}
    return Read(right, places, tuple(problems), named)


def _place(path: str, places: Mapping[str, str]) -> str:
    """Return the cell of a decision's part, or of the nearest whole that has one."""
    while path not in places:
        path = path.rpartition(".")[0]
    return places[path]


def each_once(rows: Iterable[Row], key: str, what: str) -> tuple[list[Row], list[Problem]]:
    """Return the rows that have a name, each name once, and the problems of the others."""
    first: dict[str, Row] = {}
    problems = []
    for row in rows:
        name = row.values.get(key)
        if name in first:
            got = f"{name!r} again, after row {first[name].number}"
            problems.append(Problem(row.place(key), got, f"each {what} once", "Leave one of the two rows out"))
        elif name is not None:
            first[name] = row
    return list(first.values()), problems

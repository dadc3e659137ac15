"""A file of decisions: read, with all that is wrong in it told at once."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

from pydantic import ValidationError

from daemon.decisions.base import Decision
from daemon.decisions.kinds import KINDS
from daemon.site_checks import nearest
from daemon.site_file import explain
from drivers.profile import Problem

_Kind = TypeVar("_Kind", bound=Decision)


@dataclass(frozen=True, slots=True)
class Decided:
    """What became of a file of decisions."""

    right: Mapping[tuple[str, str], Decision]
    named: frozenset[tuple[str, str]]
    """Every (kind, key) of the file, those of wrong decisions among them."""
    problems: tuple[Problem, ...]

    def of(self, kind: type[_Kind]) -> dict[str, _Kind]:
        """Return the right decisions of one kind by key."""
        return {key: decision for (_, key), decision in self.right.items() if isinstance(decision, kind)}

    def names(self, kind: type[Decision]) -> list[str]:
        """Return the names of all decisions of one kind."""
        return [key for named, key in self.named if named == kind.kind]


def parse_decisions(text: str) -> Decided:
    """Read the text of a file of decisions, with every problem in it."""
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        problem = Problem("decisions file", "text that is not TOML", "TOML 1.0", str(error))
        return Decided({}, frozenset(), (problem,))
    right: dict[tuple[str, str], Decision] = {}
    problems: list[Problem] = []
    for kind, items in content.items():
        model = KINDS.get(kind)
        if model is None:
            problems.append(Problem(kind, "a kind nobody knows", "a kind of decision", nearest(kind, KINDS)))
        elif not isinstance(items, dict):
            problems.append(Problem(kind, repr(items), f"sections [{kind}.NAME]"))
        else:
            for key, body in items.items():
                where = f"{kind}.{key}"
                if not key.isidentifier():
                    problems.append(Problem(where, repr(key), "a name of letters, digits and underscores"))
                try:
                    right[kind, key] = model.model_validate(body)
                except ValidationError as error:
                    problems += explain(error, model, where)
    named = frozenset((kind, key) for kind, items in content.items() if isinstance(items, dict) for key in items)
    return Decided(right, named, tuple(problems))


def unknown(where: str, name: str, known: list[str], what: str) -> list[Problem]:
    """Return the problem of a name that is none of the known ones: none or one."""
    return [] if name in known else [Problem(where, repr(name), what, nearest(name, known))]

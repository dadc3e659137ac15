"""Mutants of the control core, one change each, and whether the core's own tests notice: a long run, recorded.

`SHIFTWRIGHT_RECORD=1 python -m tests.mutation --count 300` writes the row of the claims table and the list of the
survivors beside it. Mutants are drawn by seed from all that the kinds of change below can do to daemon/control; the
first so many of a longer draw are those of a shorter one.
"""

import argparse
import ast
import copy
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from queue import SimpleQueue
from typing import Final, NamedTuple

from daemon.control.states import Effect
from tests.figures import FOLDER, record

_ROOT: Final = Path(__file__).parents[1]
_CORE: Final = Path("daemon/control")
_TESTS: Final = Path("tests/daemon/control")
_COPIED: Final = ("daemon", "api", "drivers", "sim", "tests", "systemd", "pyproject.toml", "README.md", "DEVELOPERS.md")
_LAST: Final = ("test_procedure.py", "test_matrix_rows.py", "test_stateful.py", "test_departures.py")
"""Files that take longer: most mutants are dead before."""
_LEFT_OUT: Final = ("test_random_nights.py",)
"""They take minutes. What they would kill besides is counted as alive."""
_SURVIVORS: Final = FOLDER / "mutation_survivors.txt"
_NEGATED: Final[dict[type[ast.cmpop], type[ast.cmpop]]] = {
    ast.Lt: ast.GtE,
    ast.LtE: ast.Gt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
}
_EDGE: Final[dict[type[ast.cmpop], type[ast.cmpop]]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
}
_OTHER: Final[dict[type[ast.operator], type[ast.operator]]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
}
_TURNED: Final = {"min": "max", "max": "min", "any": "all", "all": "any"}


class Mutant(NamedTuple):
    """One change of one file."""

    path: Path
    line: int
    kind: str
    was: str
    becomes: str
    source: str
    """The whole file after the change."""

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.kind}: {self.was}  ->  {self.becomes}"


class Ran(NamedTuple):
    """What the tests said of a mutant."""

    mutant: Mutant
    is_killed: bool

    def __str__(self) -> str:
        return f"{'killed  ' if self.is_killed else 'SURVIVED'} {self.mutant}"


def mutants_of(path: Path, text: str) -> Iterator[Mutant]:
    """Yield every mutant of a file; names of types, texts and f-strings are left as they are."""
    lines = text.encode().splitlines(keepends=True)
    starts = [sum(map(len, lines[:number])) for number in range(len(lines))]
    for node in _changeable(ast.parse(text)):
        for kind, changed in _changes(node):
            begin = starts[node.lineno - 1] + node.col_offset
            end = starts[(node.end_lineno or 0) - 1] + (node.end_col_offset or 0)
            becomes = ast.unparse(changed)
            put = f"({becomes})" if isinstance(changed, ast.expr) else becomes
            source = text.encode()[:begin] + put.encode() + text.encode()[end:]
            yield Mutant(path, node.lineno, kind, ast.unparse(node), becomes, source.decode())


def _changeable(node: ast.AST) -> Iterator[ast.expr | ast.stmt]:
    """Yield what may be changed within the node, itself included."""
    if isinstance(node, ast.JoinedStr | ast.Import | ast.ImportFrom):
        return
    if isinstance(node, ast.expr | ast.stmt):
        yield node
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "type_params", "bases"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST):
                yield from _changeable(child)


def _changes(node: ast.expr | ast.stmt) -> Iterator[tuple[str, ast.expr | ast.stmt]]:
    match node:
        case ast.Compare(ops=[op]):
            for kind, others in (("comparison", _NEGATED), ("edge", _EDGE)):
                if type(op) in others:
                    yield kind, _with(node, ops=[others[type(op)]()])
        case ast.BoolOp(op=op, values=values):
            yield "and/or", _with(node, op=ast.Or() if isinstance(op, ast.And) else ast.And())
            for number in range(len(values)):
                left = [value for at, value in enumerate(values) if at != number]
                yield "term dropped", left[0] if len(left) == 1 else _with(node, values=left)
        case ast.UnaryOp(op=ast.Not(), operand=operand):
            yield "not dropped", operand
        case ast.BinOp(op=op) if type(op) in _OTHER:
            yield "arithmetic", _with(node, op=_OTHER[type(op)]())
        case ast.IfExp(test=test):
            yield "branch", _with(node, test=ast.UnaryOp(ast.Not(), test))
        case ast.Constant(value=bool() as value):
            yield "constant", ast.Constant(not value)
        case ast.Constant(value=int() | float() as value):
            yield "constant", ast.Constant(value * 2 if value else value + 1)
        case ast.Attribute(value=ast.Name(id="Effect"), attr=name) if Effect[name] is not Effect.NONE:
            yield "milder effect", _with(node, attr=Effect(Effect[name] - 1).name)
        case ast.Call(func=ast.Name(id=name)) if name in _TURNED:
            yield "min/max, any/all", _with(node, func=ast.Name(_TURNED[name]))
        case ast.Call(func=ast.Attribute(attr="_replace") | ast.Name(id="replace"), keywords=keywords):
            for number in range(len(keywords)):
                left_in = [keyword for at, keyword in enumerate(keywords) if at != number]
                yield "update dropped", _with(node, keywords=left_in)
        case ast.Assign() | ast.AugAssign() | ast.Expr(value=ast.Call() | ast.Yield() | ast.YieldFrom()):
            yield "statement dropped", ast.Pass()


def _with(node: ast.AST, **changes: object) -> ast.expr | ast.stmt:
    made = copy.copy(node)
    for name, value in changes.items():
        setattr(made, name, value)
    assert isinstance(made, ast.expr | ast.stmt)
    return made


def drawn(count: int, seed: int) -> list[Mutant]:
    """Return so many mutants of the core, all alike likely. Every one is Python that can be compiled."""
    found = []
    for path in sorted((_ROOT / _CORE).glob("*.py")):
        found += list(mutants_of(path.relative_to(_ROOT), path.read_text("utf-8")))
    some = random.Random(seed).sample(found, min(count, len(found)))
    for mutant in some:
        compile(mutant.source, str(mutant.path), "exec")
    return some


class Bench:
    """A copy of the tree in which one mutant at a time is tried."""

    def __init__(self, folder: Path, most_s: float) -> None:
        self._folder = folder
        self._most_s = most_s
        for name in _COPIED:
            source = _ROOT / name
            if source.is_dir():
                shutil.copytree(source, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
            else:
                shutil.copy2(source, folder / name)
        files = sorted((folder / _TESTS).rglob("test_*.py"), key=lambda path: (path.name in _LAST, path.name))
        self._files = [str(path.relative_to(folder)) for path in files if path.name not in _LEFT_OUT]

    def passes(self, first: str = "", *, is_first: bool = False) -> bool:
        """Run the core's tests until one fails, those in `first` before the others, and searches and sweeps last.

        A run past its time has failed.
        """
        files = sorted(self._files, key=lambda name: not name.endswith(first)) if first else self._files
        return self._pass(files, is_first=is_first) and self._pass(["-m", "proof", *files], is_first=is_first)

    def _pass(self, words: list[str], *, is_first: bool) -> bool:
        command = [sys.executable, "-m", "pytest", "-x", "-n", "0", "-p", "no:cacheprovider", *words]
        # Compiled code of the first run is used by all that follow; a mutant's own is never kept.
        environment = os.environ | ({} if is_first else {"PYTHONDONTWRITEBYTECODE": "1"})
        try:
            done = subprocess.run(
                command, cwd=self._folder, env=environment, timeout=self._most_s, capture_output=True, check=False
            )
        except subprocess.TimeoutExpired:
            return False
        return done.returncode == 0

    def tried(self, mutant: Mutant) -> Ran:
        """Put the mutant in place, run the tests, and put the file back as it was."""
        path = self._folder / mutant.path
        was = path.read_bytes()
        for compiled in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
            compiled.unlink()
        path.write_text(mutant.source, "utf-8")
        try:
            return Ran(mutant, not self.passes(f"/test_{mutant.path.stem}.py"))
        finally:
            path.write_bytes(was)


def _tried(mutants: list[Mutant], workers: int, most_s: float) -> Iterator[Ran]:
    with tempfile.TemporaryDirectory() as folder:
        free: SimpleQueue[Bench] = SimpleQueue()
        for number in range(workers):
            bench = Bench(Path(folder) / str(number), most_s)
            assert bench.passes(is_first=True), "the tests fail before anything is changed"
            free.put(bench)

        def one(mutant: Mutant) -> Ran:
            bench = free.get()
            try:
                return bench.tried(mutant)
            finally:
                free.put(bench)

        with ThreadPoolExecutor(workers) as pool:
            yield from pool.map(one, mutants)


def main() -> None:
    """Draw the mutants, try them, tell of each as it comes, and record the score."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--known", type=Path, help="what an earlier run printed: its mutants are not tried again")
    parser.add_argument("--most-s", type=float, default=900.0, help="time for one mutant; past it, it is killed")
    asked = parser.parse_args()
    mutants = drawn(asked.count, asked.seed)
    told = set(asked.known.read_text("utf-8").splitlines()) if asked.known is not None else set()
    both = [Ran(mutant, is_killed) for mutant in mutants for is_killed in (True, False)]
    ran = [result for result in both if str(result) in told]
    known = {result.mutant for result in ran}
    left = [mutant for mutant in mutants if mutant not in known]
    for result in _tried(left, asked.workers, asked.most_s) if left else ():
        ran.append(result)
        sys.stdout.write(f"{result}\n")
        sys.stdout.flush()
    alive = sorted(str(result.mutant) for result in ran if not result.is_killed)
    score_pct = 100.0 * (1.0 - len(alive) / len(ran))
    of_kind = Counter(result.mutant.kind for result in ran if not result.is_killed)
    sys.stdout.write(f"{score_pct:.1f} % of {len(ran)} killed; alive by kind: {dict(of_kind)}\n")
    _SURVIVORS.write_text("\n".join(alive) + "\n", "utf-8")
    record(
        "mutation",
        claim="a change of the control core is noticed by its own tests (mutation score)",
        test="tests/mutation.py",
        aim="90 %, survivors listed",
        reached=f"{score_pct:.1f} % of {len(ran)} mutants drawn by seed {asked.seed}; {len(alive)} survivors listed in "
        f"tests/recorded/{_SURVIVORS.name}",
        limit="a sample; equivalent mutants count as survivors; the random nights are left out",
    )


if __name__ == "__main__":
    main()

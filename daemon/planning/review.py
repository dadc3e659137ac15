"""A file of decisions: read, and all that is wrong in it, and between it and the site, told at once."""

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TypeVar

from pydantic import ValidationError

from daemon.decisions import KINDS, BlockState, Decision, Program, Shift, Stock
from daemon.planning.checks import PlanError
from daemon.planning.night import plan_run
from daemon.site import Plant
from daemon.site_checks import Standing, nearest
from daemon.site_file import Inspected, explain
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


def check_decisions(found: Inspected, decided: Decided) -> Iterator[Problem]:
    """Yield what does not fit together in the decisions, and in them and what stands of the site."""
    if found.standing is not None:
        yield from _check_shifts(found.standing, decided)
        yield from _check_stocks(found.standing, decided)
        yield from _check_states(found.standing, decided)
    for key, program in decided.of(Program).items():
        yield from _check_program(found.plant, decided, key, program)


def _check_shifts(standing: Standing, decided: Decided) -> Iterator[Problem]:
    known, shifts = standing.names["block"], decided.of(Shift)
    for key, shift in shifts.items():
        where = f"shift.{key}.blocks"
        for name in sorted(set(shift.blocks)):
            if name not in known:
                yield Problem(where, repr(name), "a block of the site", nearest(name, known))
            if shift.blocks.count(name) > 1:
                yield Problem(where, f"{name!r} {shift.blocks.count(name)} times", "each block once")
        flows = {name: standing.block[name].flow_m3_h for name in shift.blocks if name in standing.block}
        if len(flows) == len(set(shift.blocks)):
            yield from _check_flows(standing, where, flows)
    if shifts and len(shifts) == len(decided.names(Shift)):
        for name in known:
            if not any(name in shift.blocks for shift in shifts.values()):
                yield Problem("shift", f"no shift that waters block {name}", "each block of the site in a shift")


def _check_flows(standing: Standing, where: str, flows: Mapping[str, float]) -> Iterator[Problem]:
    total_m3_h, least = sum(flows.values()), min(flows, key=lambda name: flows[name])
    pump, main = standing.pump, standing.main
    if pump is not None and total_m3_h > pump.capacity_m3_h:
        expected = f"at most pump.capacity_m3_h = {pump.capacity_m3_h:g}"
        yield Problem(where, f"blocks that take {total_m3_h:.1f} m3/h together", expected)
    share_pct = 100.0 * flows[least] / total_m3_h
    if main is not None and len(flows) > 1 and main.flow_band_pct > share_pct / 2.0:
        expected = f"at least {2.0 * main.flow_band_pct:g} %: twice main.flow_band_pct"
        hint = "A valve of a smaller share that fails shut would not be seen in the flow"
        yield Problem(where, f"{share_pct:.1f} % of the flow for block {least}", expected, hint)


def _check_stocks(standing: Standing, decided: Decided) -> Iterator[Problem]:
    taken: dict[str, str] = {}
    drawn = {injector.tank for injector in standing.injector.values()}
    all_stand = len(standing.injector) == len(standing.names["injector"])
    for key, stock in decided.of(Stock).items():
        where = f"stock.{key}.tank"
        if stock.tank not in standing.names["tank"]:
            yield Problem(where, repr(stock.tank), "a tank of the site", nearest(stock.tank, standing.names["tank"]))
        elif all_stand and stock.tank not in drawn:
            yield Problem(where, repr(stock.tank), "a tank that an injector draws from")
        first = taken.setdefault(stock.tank, key)
        if first != key:
            yield Problem(where, repr(stock.tank), f"a tank of its own; stock.{first} is in it already")


def _check_states(standing: Standing, decided: Decided) -> Iterator[Problem]:
    for key, state in decided.of(BlockState).items():
        block = standing.block.get(key)
        if key not in standing.names["block"]:
            yield Problem(f"block.{key}", repr(key), "a block of the site", nearest(key, standing.names["block"]))
        if block is not None and state.area_ha is not None and state.area_ha > block.area_ha:
            yield Problem(f"block.{key}.area_ha", f"{state.area_ha:g}", f"at most the block's {block.area_ha:g} ha")


def _check_program(plant: Plant | None, decided: Decided, key: str, program: Program) -> Iterator[Problem]:
    """Yield what keeps a program from being run with all its blocks open."""
    wrong = tuple(_check_names(decided, key, program))
    yield from wrong
    shift, stocks = decided.of(Shift).get(program.shift), decided.of(Stock)
    if wrong or plant is None or shift is None or any(part.stock not in stocks for part in program.injections):
        return
    drawn = {injector.tank for injector in plant.site.injector.values()}
    if any(stocks[part.stock].tank not in drawn for part in program.injections):
        return  # said at the stock
    if len(set(shift.blocks) & plant.site.block.keys()) < len(shift.blocks):
        return  # said at the shift
    try:
        plan_run(plant, decided.right, key, "check", date.max)
    except PlanError as error:
        for failed in error.checks:
            if not failed.passed and failed.what not in (
                "pump capacity",
                "smallest block",
                "area",
            ):  # said at the shift
                reason = failed.reason[:1].upper() + failed.reason[1:]
                yield Problem(f"program.{key}", f"a night that fails for its {failed.what}", "one that can run", reason)


def _check_names(decided: Decided, key: str, program: Program) -> Iterator[Problem]:
    """Yield what a program names and the file lacks."""
    shifts, stocks = decided.names(Shift), decided.names(Stock)
    if program.shift not in shifts:
        hint = nearest(program.shift, shifts)
        yield Problem(f"program.{key}.shift", repr(program.shift), "a shift of this file", hint)
    for number, injection in enumerate(program.injections):
        where = f"program.{key}.injections.{number}"
        stock = decided.of(Stock).get(injection.stock)
        if injection.stock not in stocks:
            hint = nearest(injection.stock, stocks)
            yield Problem(f"{where}.stock", repr(injection.stock), "a stock of this file", hint)
        if stock is not None and injection.nutrient not in stock.nutrients_g_l:
            expected = f"a nutrient of stock {injection.stock}: {', '.join(stock.nutrients_g_l)}"
            yield Problem(f"{where}.nutrient", repr(injection.nutrient), expected)

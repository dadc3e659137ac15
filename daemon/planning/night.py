"""From what people decided to the recipe of a run, with every check and its reason."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

from daemon.decisions import Decision, Program, Shift, Stock
from daemon.hydraulics.pipes import line_path
from daemon.recipe import BlockPlan, ChannelPlan, Recipe
from daemon.site import Plant
from daemon.units import milligrams

Decisions = Mapping[tuple[str, str], Decision]
"""The newest version of each decision by (kind, key)."""

Kind = TypeVar("Kind", bound=Decision)

_STRONG_LINE_G_L = 2.0
"""More product than this in drip water warns (common practice, no source)."""
_MIX_LOSS = 0.96
"""Salts together conduct a little less than their sum; computed with PHREEQC (DEVELOPERS.md, domain sheet)."""


@dataclass(frozen=True, slots=True)
class Check:
    """One thing the plan was checked for."""

    what: str
    passed: bool
    reason: str


@dataclass(frozen=True, slots=True)
class Plan:
    """A recipe and the checks it went through; warnings among them passed."""

    recipe: Recipe
    checks: tuple[Check, ...]


class PlanError(Exception):
    """The run cannot be planned. Says every reason and what to do."""

    code = "plan.refused"

    def __init__(self, checks: tuple[Check, ...]) -> None:
        super().__init__("; ".join(check.reason for check in checks if not check.passed))
        self.checks = checks


def plan_run(plant: Plant, decisions: Decisions, program_key: str, run: str) -> Plan:
    """Return the recipe of one run of a program.

    Raises PlanError with every failed check.
    """
    program = _find(decisions, Program, program_key)
    shift = _find(decisions, Shift, program.shift)
    stock = _find(decisions, Stock, program.stock)
    site = plant.site
    unknown = [name for name in shift.blocks if name not in site.block]
    if unknown:
        raise PlanError((Check("blocks", False, f"shift {program.shift} names blocks the site lacks: {unknown}"),))
    twice = sorted({name for name in shift.blocks if shift.blocks.count(name) > 1})
    if twice:
        raise PlanError((Check("blocks", False, f"shift {program.shift} names blocks twice: {twice}"),))
    channel = next((name for name, injector in site.injector.items() if injector.tank == stock.tank), None)
    if channel is None:
        raise PlanError(
            (Check("injector", False, f"no injector draws from tank {stock.tank} of stock {program.stock}"),)
        )
    strength_g_l = stock.nutrients_g_l.get(program.nutrient)
    if strength_g_l is None:
        reason = f"stock {program.stock} holds no {program.nutrient}; it holds {', '.join(stock.nutrients_g_l)}"
        raise PlanError((Check("nutrient", False, reason),))

    blocks = [site.block[name] for name in shift.blocks]
    flow_m3_h = sum(block.flow_m3_h for block in blocks)
    area_ha = sum(block.area_ha for block in blocks)
    stock_l = program.dose_kg_ha * area_ha * 1000.0 / strength_g_l
    paths = {name: line_path(site.block[name]) for name in shift.blocks}
    shares = {name: site.block[name].flow_m3_h / flow_m3_h for name in shift.blocks}
    transit_l = max(paths[name].transit_l / shares[name] for name in shift.blocks)
    inject_l = program.inject_m3 * 1000.0
    water_l = program.water_m3 * 1000.0
    flush_l = transit_l * site.limits.flush_factor
    prewet_l = water_l - inject_l - flush_l
    ratio = stock_l / inject_l
    injector = site.injector[channel]
    rate_l_h = ratio * flow_m3_h * 1000.0
    line_g_l = ratio * stock.product_g_l
    low_l_h, high_l_h = injector.curve[0][1], injector.curve[-1][1]
    least_m3 = (transit_l + inject_l + flush_l) / 1000.0

    checks = (
        Check(
            "pre-wet",
            prewet_l >= transit_l,
            f"pre-wet {prewet_l / 1000.0:.1f} m3 must reach the outermost emitter ({transit_l / 1000.0:.1f} m3): "
            f"this program needs at least {least_m3:.1f} m3 of water",
        ),
        Check(
            "injector range",
            low_l_h <= rate_l_h <= high_l_h,
            f"{rate_l_h:.0f} L/h of stock must lie within injector {channel}'s calibrated "
            f"{low_l_h:.0f} to {high_l_h:.0f} L/h",
        ),
        Check(
            "tank size",
            stock_l + site.tank[stock.tank].low_l <= site.tank[stock.tank].volume_l,
            f"{stock_l:.0f} L of stock must fit tank {stock.tank} above its low level",
        ),
        Check(
            "line strength",
            True,
            f"{line_g_l:.2f} g of product a litre in the line"
            + (f": strong, over {_STRONG_LINE_G_L:g} g/L" if line_g_l > _STRONG_LINE_G_L else ""),
        ),
    )
    if not all(check.passed for check in checks):
        raise PlanError(checks)
    total_kg = {name: strength * stock_l / 1000.0 for name, strength in stock.nutrients_g_l.items()}
    recipe = Recipe(
        run=run,
        shift=program.shift,
        flow_m3_h=flow_m3_h,
        prewet_l=prewet_l,
        inject_l=inject_l,
        flush_l=flush_l,
        water_l=water_l,
        blocks=tuple(
            BlockPlan(
                name,
                site.block[name].area_ha,
                shares[name],
                paths[name],
                {nutrient: milligrams(total * shares[name]) for nutrient, total in total_kg.items()},
            )
            for name in shift.blocks
        ),
        channels=(
            ChannelPlan(
                channel,
                program.stock,
                stock.batch,
                stock_l,
                ratio,
                dict(stock.nutrients_g_l),
                stock.strength_accuracy_pct,
                line_g_l * stock.ec_ms_cm_per_g_l * _MIX_LOSS,
            ),
        ),
    )
    return Plan(recipe, checks)


def _find(decisions: Decisions, kind: type[Kind], key: str) -> Kind:
    found = decisions.get((kind.kind, key))
    if isinstance(found, kind):
        return found
    known = sorted(name for known_kind, name in decisions if known_kind == kind.kind)
    reason = f"no {kind.kind} named {key!r}; known: {', '.join(known) or 'none yet'}"
    raise PlanError((Check(kind.kind, False, reason),))

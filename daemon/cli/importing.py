"""`shiftwright import`: recommendations, products and water analyses from CSV, decisions from TOML; all or nothing."""

import argparse
import json
import uuid
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from daemon.agronomy.nutrients import FACTORS
from daemon.agronomy.products import substance_of
from daemon.cli.client import add_folder
from daemon.cli.drafts import Read, read_drafts
from daemon.cli.errors import InputError
from daemon.cli.labels import PRODUCTS, WATERS
from daemon.cli.plant import read_plant
from daemon.cli.prescriptions import RECOMMENDATIONS
from daemon.cli.recording import keep
from daemon.cli.sheet import template
from daemon.cli.tables import table
from daemon.decisions.base import Decision
from daemon.decisions.crops import Recommendation
from daemon.decisions.tanks import Product, Water
from daemon.folder import LEDGER
from daemon.ledger.errors import LedgerMissing
from daemon.ledger.in_force import DecisionError, InForce, read_in_force
from daemon.planning.decided import parse_decisions
from daemon.runtime.decided import parse_request
from daemon.runtime.fitting import check_fit
from daemon.site import Plant

_FORMS = {"recommendations": RECOMMENDATIONS, "products": PRODUCTS, "water": WATERS}
_SCHEMA = 1
"""Of the JSON."""
_DECISIONS = "decisions"
_BY_NAME = "What a program names is replaced under its own name, or with the program in one file of decisions"
_Bodies = Mapping[tuple[str, str], Mapping[str, Any]]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument(
        "what", choices=(*_FORMS, _DECISIONS), help="what the file holds; decisions are TOML, all else CSV"
    )
    parser.add_argument("file", type=Path, nargs="?", metavar="FILE", help="the file")
    parser.add_argument("site", type=Path, nargs="?", metavar="SITE", help="the site file")
    add_folder(parser)
    parser.add_argument("--template", action="store_true", help="print a CSV file to fill in, with an example row")
    parser.add_argument("--dry-run", action="store_true", help="say what would be recorded, and record nothing")
    parser.add_argument("--json", action="store_true", help="what is recorded as JSON")


def main(arguments: argparse.Namespace) -> int:
    """Record what a file holds, all of it or nothing; or print a template. Returns 0 when it is done.

    Raises InputError with every problem of the file, RefusedError when somebody decided otherwise in the meantime.
    """
    if arguments.template:
        print(_template(arguments.what), end="")
        return 0
    if arguments.file is None or arguments.site is None:
        raise InputError("import: got no file or no site; expected FILE and SITE. --template prints a file to fill in")
    plant, in_force = read_plant(arguments.site), _in_force(arguments.db)
    read = _read(arguments.what, arguments.file)
    fresh = {name: found for name, found in read.decisions.items() if in_force.decisions.get(name) != found}
    bodies = {name: decision.model_dump(mode="json") for name, decision in fresh.items()}
    notes = _checked(arguments.file, plant, in_force, read, bodies)
    said = "Nothing to record."
    if bodies and arguments.dry_run:
        said = "Nothing was recorded: --dry-run."
    elif bodies:
        said = keep(plant, arguments.db, bodies, in_force.versions)
    same = [name for name in read.decisions if name not in fresh]
    if arguments.json:
        content = {
            "schema": _SCHEMA,
            "is_recorded": bool(bodies) and not arguments.dry_run,
            "decisions": [
                {"kind": kind, "key": key, "version": in_force.versions.get((kind, key), 0) + 1, "body": body}
                for (kind, key), body in bodies.items()
            ],
            "unchanged": [{"kind": kind, "key": key} for kind, key in same],
            "notes": list(notes),
            "said": said,
        }
        print(json.dumps(content, indent=1, ensure_ascii=False))
        return 0
    lines = [] if not fresh else _shown(arguments.what, fresh)
    lines += notes if arguments.dry_run else ()  # else the record's own answer has them
    if same:
        lines.append(f"In the record as they are: {', '.join(f'{kind} {key}' for kind, key in same)}.")
    print("\n".join([*lines, said]))
    return 0


def _in_force(folder: Path) -> InForce:
    """Return the decisions in force; none where no daemon has run yet."""
    try:
        return read_in_force(folder / LEDGER)
    except LedgerMissing:
        return InForce({}, {})


def _template(what: str) -> str:
    if what == _DECISIONS:
        raise InputError(
            "--template: got decisions, which are TOML; expected one of "
            f"{', '.join(_FORMS)}. Examples: shiftwright demo --copy DIR. Every key: shiftwright schema decisions"
        )
    return template(_FORMS[what].columns, _FORMS[what].example)


def _read(what: str, file: Path) -> Read:
    try:
        content = file.read_bytes()
    except OSError as error:
        raise InputError(f"{file}: cannot be read ({error}); expected a file. --template prints one") from None
    if what != _DECISIONS:
        return read_drafts(content, _FORMS[what])
    try:
        found = parse_decisions(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise InputError(f"{file}: cannot be read ({error}); expected a TOML file of decisions in UTF-8") from None
    right = {name: decision for name, decision in found.right.items() if name[1].isidentifier()}  # told already
    return Read(right, {}, found.problems, found.named)


def _checked(file: Path, plant: Plant, in_force: InForce, read: Read, bodies: _Bodies) -> tuple[str, ...]:
    """Return what no longer fits elsewhere. Raises InputError with all that is wrong with the file."""
    told = list(map(str, read.problems))
    notes: tuple[str, ...] = ()
    named = {**dict.fromkeys(read.named, 0), **in_force.versions}  # one that is wrong is named all the same
    asked = [{"kind": kind, "key": key, "body": body} for (kind, key), body in bodies.items()]
    if asked:
        request = parse_request({"id": uuid.uuid4().hex, "who": "import", "decisions": asked})
        found = InForce(in_force.decisions, named, removed=in_force.removed - read.named)
        try:
            notes = check_fit(plant, found, request)
        except DecisionError as error:
            lines = str(error).replace(" of the record", " of this file or the record").splitlines()
            told += (read.placed(f"{line}. {_BY_NAME}" if line.startswith("program.") else line) for line in lines)
    if told:
        raise InputError(_told(file, told))
    return notes


def _told(file: Path, problems: Sequence[str]) -> str:
    return "\n".join((f"{file}: {len(problems)} error{'s' if len(problems) > 1 else ''}", *problems))


def _shown(what: str, decisions: Mapping[tuple[str, str], Decision]) -> list[str]:
    """Return a table of what is recorded, as it will be understood: elemental, nitrate as N."""
    if what == "recommendations":
        rows = [
            (key, plan.cycle, nutrient, f"{need.kg_ha:.1f}", _shares(need.shares), _events(plan))
            for (_, key), plan in decisions.items()
            if isinstance(plan, Recommendation)
            for nutrient, need in plan.needs.items()
        ]
        return table(("recommendation", "cycle", "nutrient", "kg/ha", "stages, %", "events"), rows)
    if what == "products":
        products = {key: product for (_, key), product in decisions.items() if isinstance(product, Product)}
        of_products = ("product", "form", "EC, mS/cm per g/L", "elemental, % by mass", "title")
        return table(of_products, [_product_row(key, products) for key in products])
    if what == "water":
        waters = {key: water for (_, key), water in decisions.items() if isinstance(water, Water)}
        of_waters = ("water", "on", "EC, mS/cm", "pH", "Ca, mg/L", "Mg", "Na", "HCO3", "SO4", "Cl", "nitrate as N")
        return table(of_waters, [_water_row(key, water) for key, water in waters.items()])
    return table(("kind", "name"), sorted(decisions))


def _shares(shares: Sequence[float]) -> str:
    return " / ".join(f"{100.0 * share:g}" for share in shares)


def _events(plan: Recommendation) -> str:
    if plan.every_days is not None:
        return f"one in {plan.every_days} days"
    return f"by stage {' / '.join(map(str, plan.events or ()))}"


def _product_row(key: str, products: Mapping[str, Product]) -> tuple[str, ...]:
    found = substance_of(key, products)
    holds = ", ".join(f"{name} {100.0 * g_g:.3g}" for name, g_g in found.nutrients_g_g.items())
    return key, "liquid" if found.is_liquid else "solid", f"{found.ec_ms_cm_per_g_l:.2f}", holds, found.title


def _water_row(key: str, water: Water) -> tuple[str, ...]:
    nitrogen_mg_l = water.nitrate_mg_l * (1.0 if water.nitrate_as == "N" else FACTORS["NO3"][1])
    ions = (water.ca_mg_l, water.mg_mg_l, water.na_mg_l, water.hco3_mg_l, water.so4_mg_l, water.cl_mg_l, nitrogen_mg_l)
    return key, str(water.on), f"{water.ec_ms_cm:.2f}", f"{water.ph:.1f}", *(f"{ion:.1f}" for ion in ions)

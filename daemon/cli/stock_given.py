"""What the stock commands are given: products, waters and jar tests of a record or a file, and parts by name."""

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import TypeVar

from daemon.agronomy.products import substance_of
from daemon.agronomy.substance import Substance
from daemon.cli.errors import InputError
from daemon.decisions.base import Decision, Decisions
from daemon.decisions.tanks import JarTest, Product, Water
from daemon.folder import LEDGER
from daemon.ledger.in_force import read_in_force
from daemon.planning.decided import parse_decisions

_Kind = TypeVar("_Kind", bound=Decision)


def add_decided(parser: argparse.ArgumentParser) -> None:
    """Declare where products by their labels, waters and jar tests come from; else there are built-in salts."""
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--db", type=Path, metavar="DIR", help="the daemon's folder: what its record has")
    where.add_argument("--decisions", type=Path, metavar="FILE", help="a TOML file of decisions")


def add_source(parser: argparse.ArgumentParser) -> None:
    """Declare the water that a tank is filled with."""
    parser.add_argument("--source", metavar="NAME", help="the water analysis of what the tank is filled with")


def decided(arguments: argparse.Namespace) -> Decisions:
    """Return the decisions of --db or --decisions; none without either.

    Raises InputError with all that is wrong with a file, LedgerError for a record that cannot be read.
    """
    if arguments.decisions is None:
        return read_in_force(arguments.db / LEDGER).decisions if arguments.db is not None else {}
    file: Path = arguments.decisions
    try:
        found = parse_decisions(file.read_text("utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{file}: cannot be read ({error}); expected a TOML file of decisions in UTF-8") from None
    if found.problems:
        raise InputError("\n".join((f"{file}:", *map(str, found.problems))))
    return found.right


def kind_of(decisions: Decisions, kind: type[_Kind]) -> dict[str, _Kind]:
    """Return the decisions of one kind by key."""
    return {key: decision for (_, key), decision in decisions.items() if isinstance(decision, kind)}


def named(decisions: Decisions, kind: type[_Kind], key: str, what: str) -> _Kind:
    """Return the decision of a name that was given. Raises InputError with the names that there are."""
    found = kind_of(decisions, kind)
    if key not in found:
        known = ", ".join(sorted(found)) or f"a {kind.kind}, and there is none yet"
        raise InputError(f"{what}: got {key!r}; expected one of {known}")
    return found[key]


def water_of(decisions: Decisions, source: str | None) -> Water | None:
    """Return the analysis of --source; None without one. Raises InputError for a source that nobody knows."""
    return None if source is None else named(decisions, Water, source, "--source")


def parts_of(products_g_l: Mapping[str, float], decisions: Decisions) -> list[tuple[Substance, float]]:
    """Return grams of each product in a litre. Raises ProductError for a name that nobody knows."""
    labels = kind_of(decisions, Product)
    return [(substance_of(name, labels), g_l) for name, g_l in products_g_l.items()]


def jars_of(decisions: Decisions) -> list[JarTest]:
    """Return all jar tests."""
    return list(kind_of(decisions, JarTest).values())


def amounts_text(amounts: Mapping[str, float], unit: str) -> str:
    """Return amounts by name on one line."""
    return ", ".join(f"{name} {amount:.1f}{unit}" for name, amount in amounts.items()) or "nothing"

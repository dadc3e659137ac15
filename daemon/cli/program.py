"""`shiftwright program`: what runs, with which stocks, and when: added, listed, removed."""

import argparse
from collections.abc import Sequence
from pathlib import Path

from daemon.cli.client import add_folder
from daemon.cli.errors import InputError, RefusedError
from daemon.cli.plant import read_plant
from daemon.cli.program_given import (
    add_program_options,
    add_timetable_options,
    program_body,
    timetable_body,
    timetable_changes,
)
from daemon.cli.program_list import add_list, list_programs, when_next
from daemon.cli.recording import Bodies, keep
from daemon.cli.stock_given import kind_of, named
from daemon.cli.subcommands import What, add_whats, do_what
from daemon.decisions.timetable import Timetable
from daemon.decisions.watering import Program
from daemon.folder import LEDGER
from daemon.ledger.in_force import parse_decision, read_in_force


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the subcommands and their arguments."""
    add_whats(parser, _WHATS)


def main(arguments: argparse.Namespace) -> int:
    """Do one of them; return the exit code."""
    return do_what(arguments)


def add_add(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of add."""
    _add_program(parser)
    add_program_options(parser)
    add_timetable_options(parser)
    parser.add_argument("--replace", action="store_true", help="put it in the place of one of the same name")


def add(arguments: argparse.Namespace) -> int:
    """Record a program, and the timetable that it runs by where one was given. Says when it runs next."""
    plant, in_force = read_plant(arguments.site), read_in_force(arguments.db / LEDGER)
    key = arguments.name
    if (Program.kind, key) in in_force.decisions and not arguments.replace:
        raise InputError(f"program {key} is in the record already; expected another name, or --replace to change it")
    bodies: dict[tuple[str, str], dict[str, object]] = {(Program.kind, key): program_body(arguments)}
    timetables = kind_of(in_force.decisions, Timetable)
    there = [name for name, timetable in timetables.items() if key in timetable.programs]
    changes = timetable_changes(arguments)
    if arguments.timetable is not None or changes:
        name = arguments.timetable or (there[0] if there else key)
        old = timetables.get(name)
        if old is None and "starts" not in changes and timetables:
            known = ", ".join(sorted(timetables))
            raise InputError(f"--timetable: got {name!r}; expected one of {known}, or --start for a new one")
        programs = () if old is None else old.programs
        joined = programs if key in programs else (*programs, key)
        bodies[Timetable.kind, name] = timetable_body(old, joined, changes, name)
    whole: Bodies = {
        (kind, name): parse_decision(kind, name, body).model_dump(mode="json") for (kind, name), body in bodies.items()
    }
    print(keep(plant, arguments.db, whole, in_force.versions))
    after = read_in_force(arguments.db / LEDGER).decisions
    print(when_next(plant, after, key))
    return 0


def add_remove(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of remove."""
    _add_program(parser)
    parser.add_argument("--from-timetable", action="store_true", help="take it out of its timetable as well")


def remove(arguments: argparse.Namespace) -> int:
    """Remove a program; the record keeps that it was there. Its timetable goes with it where it has no other."""
    plant, in_force = read_plant(arguments.site), read_in_force(arguments.db / LEDGER)
    key = arguments.name
    named(in_force.decisions, Program, key, "program remove")
    bodies: dict[tuple[str, str], dict[str, object] | None] = {(Program.kind, key): None}
    for name, timetable in kind_of(in_force.decisions, Timetable).items():
        others = [program for program in timetable.programs if program != key]
        if len(others) == len(timetable.programs):
            continue
        if others and not arguments.from_timetable:
            raise RefusedError(
                f"program {key} runs by timetable {name}, with {', '.join(others)}. To take it out of that as well: "
                "--from-timetable"
            )
        bodies[Timetable.kind, name] = {**timetable.model_dump(mode="json"), "programs": others} if others else None
    print(keep(plant, arguments.db, bodies, in_force.versions))
    return 0


_WHATS: Sequence[What] = (
    What("add", "add a program, and when it runs", add_add, add),
    What("list", "the programs by timetable, and when each runs next", add_list, list_programs),
    What("remove", "remove a program; the record keeps that it was there", add_remove, remove),
)


def _add_program(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("name", metavar="NAME", help="the program")
    parser.add_argument("site", type=Path, help="the site file")
    add_folder(parser)

"""The command line: one table of commands, and one place where errors become a message and an exit code.

Exit codes: 0 done; 1 refused, with the reason; 2 what was given cannot be used; 3 no daemon; 4 the daemon cannot start
or the record cannot be used.
"""

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Any


@dataclass(frozen=True, slots=True)
class _Command:
    name: str
    summary: str
    declare: Callable[[argparse.ArgumentParser], None]
    do: Callable[[argparse.Namespace], int]


def _later(module: str, name: str) -> Callable[[Any], Any]:
    """Return a function of a module of this package that is imported when it is called."""

    def call(given: Any) -> Any:
        return getattr(import_module(f"daemon.cli.{module}"), name)(given)

    return call


def _add_schema(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", nargs="?", choices=("site", "decisions"), default="site", help="of which file")


def _schema(arguments: argparse.Namespace) -> int:
    from types import GenericAlias

    from pydantic import BaseModel, ConfigDict, Field, create_model
    from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
    from pydantic_core.core_schema import DictSchema

    from daemon.decisions.kinds import KINDS
    from daemon.site import Site

    class Closed(GenerateJsonSchema):
        """A table of names takes no name of another form."""

        def dict_schema(self, schema: DictSchema) -> JsonSchemaValue:
            made = super().dict_schema(schema)
            return {**made, "additionalProperties": False} if "patternProperties" in made else made

    kinds: dict[str, Any] = {
        kind: (GenericAlias(dict, (str, model)), Field({}, description=model.__doc__)) for kind, model in KINDS.items()
    }
    decisions = create_model("Decisions", __config__=ConfigDict(extra="forbid"), __doc__="What people decide.", **kinds)
    models: dict[str, type[BaseModel]] = {"site": Site, "decisions": decisions}
    content = models[arguments.file].model_json_schema(schema_generator=Closed)
    print(json.dumps({"$schema": Closed.schema_dialect, **content}, indent=2))
    return 0


_COMMANDS = (
    _Command(
        "check",
        "read a site file and say all that is wrong with it",
        _later("check", "add_arguments"),
        _later("check", "main"),
    ),
    _Command("schema", "print the JSON Schema of the site file or the decisions, for editors", _add_schema, _schema),
    _Command("sim", "run the simulated plant alone", _later("plant", "add_sim"), _later("plant", "sim")),
    _Command("run", "run the daemon", _later("plant", "add_run"), _later("plant", "run")),
    _Command(
        "serve", "serve the api: software and pages ask there", _later("serve", "add_serve"), _later("serve", "main")
    ),
    _Command(
        "user",
        "who may log in to the api: add, reset, remove, list",
        _later("people", "add_arguments"),
        _later("people", "main"),
    ),
    _Command(
        "alert",
        "send a test message to each destination of the site file",
        _later("alert", "add_arguments"),
        _later("alert", "main"),
    ),
    _Command("status", "show what the newest scan saw", _later("client", "add_status"), _later("client", "status")),
    _Command(
        "plan", "what will run on a night, and why; a draft", _later("plan", "add_arguments"), _later("plan", "main")
    ),
    _Command(
        "program",
        "what runs, with which stocks, and when: add, list, remove",
        _later("program", "add_arguments"),
        _later("program", "main"),
    ),
    _Command(
        "tonight",
        "skip a night, or leave out its fertiliser, or change its water",
        _later("tonight", "add_arguments"),
        _later("tonight", "main"),
    ),
    _Command(
        "block",
        "close a block for a time, and open it again",
        _later("closing", "add_arguments"),
        _later("closing", "main"),
    ),
    _Command(
        "start",
        "start shifts or a block's water, or go on with a held run",
        _later("client", "add_start"),
        _later("client", "start"),
    ),
    _Command(
        "owed",
        "what is owed: flush by segment, water and dose by run, and how to give it",
        _later("owed", "add_arguments"),
        _later("owed", "main"),
    ),
    _Command("flush", "flush what is owed, with water alone", _later("owed", "add_flush"), _later("owed", "flush")),
    _Command(
        "estimates",
        "do meter, tank and EC agree on the doses; if not, why",
        _later("estimates", "add_arguments"),
        _later("estimates", "main"),
    ),
    _Command(
        "hold",
        "hold the run: fertiliser off, water on for a bounded time",
        _later("client", "add_folder"),
        _later("client", "hold"),
    ),
    _Command("stop", "stop fertiliser, or everything", _later("client", "add_stop"), _later("client", "stop")),
    _Command(
        "reset",
        "clear what an operator may clear; starts nothing",
        _later("client", "add_reset"),
        _later("client", "reset"),
    ),
    _Command(
        "mode",
        "who commands the plant: the timetable, people, or nobody",
        _later("override", "add_mode"),
        _later("override", "mode"),
    ),
    _Command(
        "force",
        "hold pump, valve or injector on or off for a time",
        _later("override", "add_force"),
        _later("override", "force"),
    ),
    _Command(
        "bypass",
        "set a non-critical interlock aside for a time",
        _later("override", "add_bypass"),
        _later("override", "bypass"),
    ),
    _Command(
        "release", "end what is forced or bypassed", _later("override", "add_release"), _later("override", "release")
    ),
    _Command(
        "alarms",
        "what stands and what to look at; acknowledge, shelve",
        _later("alarms", "add_arguments"),
        _later("alarms", "main"),
    ),
    _Command(
        "interlocks",
        "what stops what, and when: the cause-and-effect matrix",
        _later("interlocks", "add_arguments"),
        _later("interlocks", "main"),
    ),
    _Command(
        "commission",
        "lead through a measurement or test; status, report",
        _later("commission", "add_arguments"),
        _later("commission", "main"),
    ),
    _Command(
        "stock",
        "what a tank may hold, what it holds, and what was done to it",
        _later("stock", "add_arguments"),
        _later("stock", "main"),
    ),
    _Command(
        "budget",
        "what each block was to have, has had, and may still have",
        _later("budget", "add_arguments"),
        _later("budget", "main"),
    ),
    _Command(
        "import",
        "record recommendations, products, water analyses or decisions",
        _later("importing", "add_arguments"),
        _later("importing", "main"),
    ),
    _Command(
        "backup",
        "copy the record while the daemon runs, and read the copy through",
        _later("backup", "add_backup"),
        _later("backup", "backup"),
    ),
    _Command(
        "restore",
        "put a backup in the place of the record",
        _later("backup", "add_restore"),
        _later("backup", "restore"),
    ),
    _Command(
        "export",
        "write all evidence as lines that anybody can check",
        _later("backup", "add_export"),
        _later("backup", "export"),
    ),
    _Command(
        "verify", "check an export's chain, by itself", _later("verify", "add_arguments"), _later("verify", "main")
    ),
    _Command(
        "diagnose",
        "gather how things stand into one file, without secrets",
        _later("diagnose", "add_arguments"),
        _later("diagnose", "main"),
    ),
    _Command(
        "install",
        "make this release a service of the computer; again, and nothing changes",
        _later("install", "add_arguments"),
        _later("install", "main"),
    ),
    _Command(
        "uninstall",
        "take the services away; the record stays",
        _later("install", "add_uninstall"),
        _later("install", "uninstall"),
    ),
    _Command(
        "demo",
        "run one night at Kestrel Bend on the simulator",
        _later("demo", "add_arguments"),
        _later("demo", "main"),
    ),
)


def main(words: Sequence[str] | None = None) -> int:
    """Run one command; return its exit code."""
    parser = argparse.ArgumentParser(prog="shiftwright", description=__doc__.splitlines()[0] if __doc__ else None)
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    words = sys.argv[1:] if words is None else list(words)
    wanted = next((word for word in words if not word.startswith("-")), "")
    for command in _COMMANDS:
        # Only the command at hand declares its arguments: the others' imports would cost a start its first second.
        added = commands.add_parser(command.name, help=command.summary, description=command.summary)
        if command.name == wanted:
            command.declare(added)
        added.set_defaults(do=command.do)
    arguments = parser.parse_args(words)
    do: Callable[[argparse.Namespace], int] = arguments.do
    try:
        return do(arguments)
    except KeyboardInterrupt:
        return 130
    except Exception as error:
        code, text = _explain(error)
        if code is None:
            raise
        print(f"shiftwright: {text}", file=sys.stderr)
        return code


_EXIT_CODES = {
    **dict.fromkeys(("refused", "night", "recommendation", "plan", "access"), 1),
    **dict.fromkeys(("input", "site", "decision", "product", "blend", "alert"), 2),
    "socket": 3,
    **dict.fromkeys(("simulator", "daemon", "plant", "solving", "backup", "install"), 4),
}


def _explain(error: Exception) -> tuple[int | None, str]:
    """Return the exit code of an error that says what to do, and its text; no code for a fault of the program."""
    code = str(getattr(error, "code", ""))
    family = code.partition(".")[0]
    if family == "ledger":
        return 4, str(error)
    return _EXIT_CODES.get(family), str(error)


def run() -> None:
    """Entry point of the console script."""
    sys.exit(main())

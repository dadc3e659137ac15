"""The command line: one table of commands, and one place where errors become a message and an exit code.

Exit codes: 0 done; 1 refused, with the reason; 2 what was given cannot be used; 3 no daemon; 4 the daemon cannot start
or the record cannot be used.
"""

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from daemon.cli import client, override, plant


@dataclass(frozen=True, slots=True)
class _Command:
    name: str
    summary: str
    declare: Callable[[argparse.ArgumentParser], None]
    do: Callable[[argparse.Namespace], int]


def _declare_demo(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import demo

    demo.add_arguments(parser)


def _demo(arguments: argparse.Namespace) -> int:
    from daemon.cli import demo

    return demo.main(arguments)


def _declare_import(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import importing

    importing.add_arguments(parser)


def _import(arguments: argparse.Namespace) -> int:
    from daemon.cli import importing

    return importing.main(arguments)


def _declare_stock(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import stock

    stock.add_arguments(parser)


def _stock(arguments: argparse.Namespace) -> int:
    from daemon.cli import stock

    return stock.main(arguments)


def _declare_budget(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import budget

    budget.add_arguments(parser)


def _budget(arguments: argparse.Namespace) -> int:
    from daemon.cli import budget

    return budget.main(arguments)


def _declare_backup(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import backup

    backup.add_backup(parser)


def _backup(arguments: argparse.Namespace) -> int:
    from daemon.cli import backup

    return backup.backup(arguments)


def _declare_restore(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import backup

    backup.add_restore(parser)


def _restore(arguments: argparse.Namespace) -> int:
    from daemon.cli import backup

    return backup.restore(arguments)


def _declare_export(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import backup

    backup.add_export(parser)


def _export(arguments: argparse.Namespace) -> int:
    from daemon.cli import backup

    return backup.export(arguments)


def _declare_verify(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import verify

    verify.add_arguments(parser)


def _verify(arguments: argparse.Namespace) -> int:
    from daemon.cli import verify

    return verify.main(arguments)


def _declare_diagnose(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import diagnose

    diagnose.add_arguments(parser)


def _diagnose(arguments: argparse.Namespace) -> int:
    from daemon.cli import diagnose

    return diagnose.main(arguments)


def _declare_plan(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import plan

    plan.add_arguments(parser)


def _plan(arguments: argparse.Namespace) -> int:
    from daemon.cli import plan

    return plan.main(arguments)


def _declare_program(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import program

    program.add_arguments(parser)


def _program(arguments: argparse.Namespace) -> int:
    from daemon.cli import program

    return program.main(arguments)


def _declare_tonight(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import tonight

    tonight.add_arguments(parser)


def _tonight(arguments: argparse.Namespace) -> int:
    from daemon.cli import tonight

    return tonight.main(arguments)


def _declare_block(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import closing

    closing.add_arguments(parser)


def _block(arguments: argparse.Namespace) -> int:
    from daemon.cli import closing

    return closing.main(arguments)


def _declare_alarms(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import alarms

    alarms.add_arguments(parser)


def _alarms(arguments: argparse.Namespace) -> int:
    from daemon.cli import alarms

    return alarms.main(arguments)


def _declare_interlocks(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import interlocks

    interlocks.add_arguments(parser)


def _interlocks(arguments: argparse.Namespace) -> int:
    from daemon.cli import interlocks

    return interlocks.main(arguments)


def _declare_owed(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import owed

    owed.add_arguments(parser)


def _owed(arguments: argparse.Namespace) -> int:
    from daemon.cli import owed

    return owed.main(arguments)


def _declare_estimates(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import estimates

    estimates.add_arguments(parser)


def _estimates(arguments: argparse.Namespace) -> int:
    from daemon.cli import estimates

    return estimates.main(arguments)


def _declare_serve(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import serve

    serve.add_serve(parser)


def _serve(arguments: argparse.Namespace) -> int:
    from daemon.cli import serve

    return serve.main(arguments)


def _declare_alert(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import alert

    alert.add_arguments(parser)


def _alert(arguments: argparse.Namespace) -> int:
    from daemon.cli import alert

    return alert.main(arguments)


def _declare_user(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import people

    people.add_arguments(parser)


def _user(arguments: argparse.Namespace) -> int:
    from daemon.cli import people

    return people.main(arguments)


def _declare_flush(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import owed

    owed.add_flush(parser)


def _flush(arguments: argparse.Namespace) -> int:
    from daemon.cli import owed

    return owed.flush(arguments)


def _declare_commission(parser: argparse.ArgumentParser) -> None:
    from daemon.cli import commission

    commission.add_arguments(parser)


def _commission(arguments: argparse.Namespace) -> int:
    from daemon.cli import commission

    return commission.main(arguments)


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
    _Command("check", "read a site file and say all that is wrong with it", plant.add_check, plant.check),
    _Command("schema", "print the JSON Schema of the site file or the decisions, for editors", _add_schema, _schema),
    _Command("sim", "run the simulated plant alone", plant.add_sim, plant.sim),
    _Command("run", "run the daemon", plant.add_run, plant.run),
    _Command("serve", "serve the api: software and pages ask there", _declare_serve, _serve),
    _Command("user", "who may log in to the api: add, reset, remove, list", _declare_user, _user),
    _Command("alert", "send a test message to each destination of the site file", _declare_alert, _alert),
    _Command("status", "show what the newest scan saw", client.add_status, client.status),
    _Command("plan", "what will run on a night, and why; a draft", _declare_plan, _plan),
    _Command("program", "what runs, with which stocks, and when: add, list, remove", _declare_program, _program),
    _Command("tonight", "skip a night, or leave out its fertiliser, or change its water", _declare_tonight, _tonight),
    _Command("block", "close a block for a time, and open it again", _declare_block, _block),
    _Command("start", "start shifts or a block's water, or go on with a held run", client.add_start, client.start),
    _Command("owed", "what is owed: flush by segment, water and dose by run, and how to give it", _declare_owed, _owed),
    _Command("flush", "flush what is owed, with water alone", _declare_flush, _flush),
    _Command("estimates", "do meter, tank and EC agree on the doses; if not, why", _declare_estimates, _estimates),
    _Command("hold", "hold the run: fertiliser off, water on for a bounded time", client.add_folder, client.hold),
    _Command("stop", "stop fertiliser, or everything", client.add_stop, client.stop),
    _Command("reset", "clear what an operator may clear; starts nothing", client.add_reset, client.reset),
    _Command("mode", "who commands the plant: the timetable, people, or nobody", override.add_mode, override.mode),
    _Command("force", "hold pump, valve or injector on or off for a time", override.add_force, override.force),
    _Command("bypass", "set a non-critical interlock aside for a time", override.add_bypass, override.bypass),
    _Command("release", "end what is forced or bypassed", override.add_release, override.release),
    _Command("alarms", "what stands and what to look at; acknowledge, shelve", _declare_alarms, _alarms),
    _Command("interlocks", "what stops what, and when: the cause-and-effect matrix", _declare_interlocks, _interlocks),
    _Command("commission", "lead through a measurement or test; status, report", _declare_commission, _commission),
    _Command("stock", "what a tank may hold, what it holds, and what was done to it", _declare_stock, _stock),
    _Command("budget", "what each block was to have, has had, and may still have", _declare_budget, _budget),
    _Command("import", "record recommendations, products, water analyses or decisions", _declare_import, _import),
    _Command("backup", "copy the record while the daemon runs, and read the copy through", _declare_backup, _backup),
    _Command("restore", "put a backup in the place of the record", _declare_restore, _restore),
    _Command("export", "write all evidence as lines that anybody can check", _declare_export, _export),
    _Command("verify", "check an export's chain, by itself", _declare_verify, _verify),
    _Command("diagnose", "gather how things stand into one file, without secrets", _declare_diagnose, _diagnose),
    _Command("demo", "run one night at Kestrel Bend on the simulator", _declare_demo, _demo),
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
    **dict.fromkeys(("simulator", "daemon", "plant", "solving", "backup"), 4),
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

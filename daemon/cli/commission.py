"""`shiftwright commission`: lead a technician through a step, or say where the commissioning stands."""

import argparse
import getpass
import json
import sys
import tomllib
import uuid
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from daemon.cli.client import DEFAULT_FOLDER
from daemon.cli.commission_view import live_line, opening_lines, result_lines, stage_lines, status_lines
from daemon.cli.errors import InputError
from daemon.clock import RealClock
from daemon.commissioning.status import Done, standings
from daemon.commissioning.steps import STEPS
from daemon.folder import LEDGER, SOCKET
from daemon.ledger.attempts import accepted
from daemon.local_socket.client import LocalClient
from daemon.messages import TECHNICIAN, Answer
from daemon.site_file import parse_site
from drivers.profile import load_profiles

_TIMEOUT_S = 60.0
_STATUS, _REPORT = "status", "report"
_SHOWN_EVERY_S = 10.0


class CommissionError(Exception):
    """A step cannot go on. Says why and what to do."""

    code = "refused.step"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the step, the site, and where answers come from."""
    parser.add_argument("step", choices=(*STEPS, _STATUS, _REPORT), help="the step; or status, or report")
    parser.add_argument("site", type=Path, help="the site file")
    parser.add_argument("--of", metavar="NAME", default="", help="what it is done for: a block, an injector, a cause")
    parser.add_argument(
        "--db", type=Path, default=DEFAULT_FOLDER, metavar="DIR", help=f"the daemon's folder (default {DEFAULT_FOLDER})"
    )
    parser.add_argument("--answers", type=Path, metavar="FILE", help="take what is entered from this TOML file")
    parser.add_argument("--json", action="store_true", help="print JSON, one object a line")
    parser.add_argument("--all", action="store_true", help="with status: steps too that are neither required nor done")
    parser.add_argument("--html", type=Path, metavar="FILE", help="with report: write it there, to print")


def main(arguments: argparse.Namespace) -> int:
    """Do the step, or say where everything stands; return the exit code."""
    if arguments.step == _STATUS:
        return _status(arguments)
    if arguments.step == _REPORT:
        from daemon.cli import commission_report

        return commission_report.main(arguments)
    given = _Given(_answers_in(arguments.answers)) if arguments.answers is not None else None
    with (
        LocalClient(arguments.db / SOCKET, _TIMEOUT_S) as daemon,
        LocalClient(arguments.db / SOCKET, _TIMEOUT_S) as news,
    ):
        return _Session(daemon, news, arguments, given).run()


def _status(arguments: argparse.Namespace) -> int:
    plant = parse_site(arguments.site.read_text("utf-8"), load_profiles())
    path = arguments.db / LEDGER
    done = [Done(*one.done) for one in accepted(path)] if path.exists() else []
    found = standings(plant.site, done, RealClock().stamp().utc)
    if arguments.json:
        for one in found:
            until = None if one.valid_until is None else one.valid_until.isoformat()
            shown = {"step": one.step.name, "of": one.subject, "stands": one.stand.value, "until": until}
            print(json.dumps({**shown, "required": one.is_required, "bars_fertiliser": one.holds_up}))
    else:
        print("\n".join(status_lines(found, is_short=not arguments.all)))
    return 1 if any(one.holds_up for one in found) else 0


def _answers_in(file: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(file.read_text("utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(f"{file}: cannot be read ({error}); expected TOML: a table for each stage") from None


class _Given:
    """Answers from a file: a table for each stage, or a list of them for one that is entered many times."""

    def __init__(self, answers: Mapping[str, Any]) -> None:
        self._answers = {stage: list(found) if isinstance(found, list) else [found] for stage, found in answers.items()}

    def of(self, stage: Mapping[str, Any]) -> dict[str, Any]:
        """Return what is entered next at a stage. Raises CommissionError where the file has nothing for it."""
        left = self._answers.get(stage["name"])
        if left:
            values: dict[str, Any] = left[0] if len(left) == 1 and not stage["many"] else left.pop(0)
            return values
        if stage["many"] and left is not None:
            return {"done": True}
        if all(ask["optional"] or ask["default"] is not None for ask in stage["asks"]):
            return {}
        asked = ", ".join(ask["name"] for ask in stage["asks"])
        raise CommissionError(f"the answers have no table [{stage['name']}]; expected one with {asked}")


class _Session:
    """One technician at a terminal, or a file in their place."""

    def __init__(
        self, daemon: LocalClient, news: LocalClient, arguments: argparse.Namespace, given: _Given | None
    ) -> None:
        self._daemon, self._given = daemon, given
        self._snapshots = news.snapshots()
        self._step, self._of, self._json = arguments.step, arguments.of, arguments.json

    def run(self) -> int:
        """Lead through the step to its end."""
        view = self._view()
        if not view:
            self._ask("begin", step=self._step, subject=self._of)
            view = self._view()
        elif (view["step"], self._of or view["subject"]) != (self._step, view["subject"]):
            raise CommissionError(
                f"an attempt at {view['step']} of {view['subject']} is under way: finish or abort it first"
            )
        self._say(view, opening_lines(view))
        try:
            return self._through()
        except (CommissionError, KeyboardInterrupt, EOFError) as error:
            if self._given is not None:
                self._ask("abort", why=str(error) or "the answers ended")
            else:
                print("The attempt stays open where it is: the same command goes on with it.", file=sys.stderr)
            if isinstance(error, EOFError):
                return 1
            raise

    def _through(self) -> int:
        told, shown_s = "", -_SHOWN_EVERY_S
        while True:
            view = self._view()
            if not view:
                return 0
            stage = view["stage"]
            if view["cut_off"]:
                self._cut_off(view)
            elif stage is None and (view["result"] is not None or view["problem"]):
                if self._ended(view):
                    return 0 if view["result"] is not None and view["result"]["verdict"] != "FAILED" else 1
            elif stage is None:
                self._wait()
            else:
                if stage["name"] != told:
                    told, shown_s = stage["name"], -_SHOWN_EVERY_S
                    self._say({"stage": stage["name"], "do": stage["do"]}, stage_lines(view))
                if not stage["by_daemon"]:
                    self._enter(stage)
                    told = "" if stage["many"] else told
                    continue
                if not self._json and stage["on_s"] - shown_s >= _SHOWN_EVERY_S:
                    shown_s = stage["on_s"]
                    print(live_line(view))
                self._wait()

    def _enter(self, stage: Mapping[str, Any]) -> None:
        values = self._given.of(stage) if self._given is not None else _prompted(stage)
        answer = self._asked("enter", stage=stage["name"], values=values)
        if answer.accepted:
            return
        if self._given is not None:
            raise CommissionError(f"[{stage['name']}]: {answer.reason}")
        print(answer.reason)

    def _cut_off(self, view: Mapping[str, Any]) -> None:
        if self._given is not None:
            raise CommissionError(f"cut off: {view['cut_off']}")
        print(f"Cut off: {view['cut_off']}")
        if _chosen("Go on, or abort", ("go on", "abort")) == "abort":
            self._ask("abort", why="aborted by the technician")
        else:
            print(self._asked("again").reason)

    def _ended(self, view: Mapping[str, Any]) -> bool:
        """Show the result, and return whether the attempt is over."""
        if view["result"] is None:
            if self._given is not None:
                raise CommissionError(view["problem"])
            print(view["problem"])
        else:
            self._say({"result": view["result"]}, result_lines(view["result"]))
            self._say({"water_tonight": view["water_tonight"]}, [view["water_tonight"]])
        ways = ("accept", "repeat", "abort")
        do = "accept" if self._given is not None else _chosen("Accept, repeat a stage, or abort", ways)
        if do == "repeat":
            print(self._asked("again", stage=_chosen("Which stage", tuple(view["behind"]))).reason)
            return False
        answer = self._asked(do, **({"why": "aborted by the technician"} if do == "abort" else {}))
        self._say({"answer": answer.reason}, [answer.reason])
        return answer.accepted

    def _say(self, content: Mapping[str, Any], lines: Iterable[str]) -> None:
        if self._json:
            print(json.dumps(content), flush=True)
        else:
            print("\n".join(lines), flush=True)

    def _view(self) -> dict[str, Any]:
        return self._daemon.snapshot().step

    def _wait(self) -> None:
        """Wait for the next scan."""
        next(self._snapshots)

    def _asked(self, do: str, **given: Any) -> Answer:
        asked = {"id": uuid.uuid4().hex, "who": getpass.getuser(), "role": TECHNICIAN, "do": do, **given}
        return self._daemon.step(asked)

    def _ask(self, do: str, **given: Any) -> None:
        answer = self._asked(do, **given)
        if not answer.accepted:
            raise CommissionError(answer.reason)


def _prompted(stage: Mapping[str, Any]) -> dict[str, Any]:
    """Return what somebody types."""
    if stage["many"] and _chosen("Another entry", ("yes", "done")) == "done":
        return {"done": True}
    if not stage["asks"]:
        input("  Enter when it is so: ")
        return {}
    values = {}
    for ask in stage["asks"]:
        unit = f" in {ask['unit']}" if ask["unit"] else ""
        if ask["choices"]:
            values[ask["name"]] = _chosen(ask["what"], tuple(ask["choices"]), ask["default"])
            continue
        default = f" [{ask['default']}]" if ask["default"] is not None else " [leave out]" if ask["optional"] else ""
        values[ask["name"]] = input(f"  {ask['what']}{unit}{default}: ")
    return values


def _chosen(what: str, choices: tuple[str, ...], default: str | None = None) -> str:
    """Return one of several, by its number or its name."""
    listed = ", ".join(f"{number} {choice}" for number, choice in enumerate(choices, 1))
    while True:
        said = input(f"  {what}: {listed}{f' [{default}]' if default else ''}: ").strip()
        if not said and default is not None:
            return default
        if said in choices:
            return said
        if said.isdigit() and 0 < int(said) <= len(choices):
            return choices[int(said) - 1]
        print(f"  got {said!r}; expected a number from 1 to {len(choices)}, or the name")

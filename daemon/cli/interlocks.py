"""`shiftwright interlocks`: the cause-and-effect matrix as it stands on a site, from the data the daemon runs by."""

import argparse
import json
import textwrap
from pathlib import Path
from typing import Any

from daemon.cli.errors import InputError
from daemon.cli.plant import read_plant
from daemon.cli.tables import table
from daemon.control.interlocks import BY_CODE, MATRIX, Interlock
from daemon.control.states import Effect, Phase
from daemon.site import Site
from daemon.site_checks import nearest

_EFFECTS = {
    Effect.NONE: "alarm alone",
    Effect.PAUSE: "pauses the injection",
    Effect.WATER_ONLY: "water only, to the planned water",
    Effect.TWO: "hold, category 2",
    Effect.RELEASE: "outputs released, held dry",
    Effect.ONE: "stop, category 1",
    Effect.ZERO: "stop, category 0",
}
_HEADS = ("cause", "effect", "after s", "acts within s", "in", "reset by", "priority")
_WIDTH = 100


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the site and which rows."""
    parser.add_argument("site", type=Path, help="the site file")
    parser.add_argument("code", nargs="*", help="these causes alone, with all that is known of them")
    parser.add_argument("--json", action="store_true", help="all of it as JSON")


def main(arguments: argparse.Namespace) -> int:
    """Print the matrix; return the exit code."""
    site = read_plant(arguments.site).site
    for code in arguments.code:
        if code not in BY_CODE:
            raise InputError(f"interlocks: got {code!r}; expected a cause of the matrix. {nearest(code, BY_CODE)}")
    rows = [BY_CODE[code] for code in arguments.code] or list(MATRIX)
    if arguments.json:
        print(json.dumps([_content(row, site) for row in rows], indent=1))
    elif arguments.code:
        print("\n\n".join(_explained(row, site) for row in rows))
    else:
        print("\n".join(table(_HEADS, [_cells(row, site) for row in rows])))
        print("\nThe worst effect wins. * may wake people; + a technician may set it aside for a time.")
        print("Supplementary to the wired safety circuit, which acts by itself.")
    return 0


def _cells(row: Interlock, site: Site) -> tuple[str, ...]:
    marks = ("*" if row.wakes else "") + ("+" if row.bypassable else "")
    return (
        f"{row.code}{marks}",
        _EFFECTS[row.effect],
        f"{row.delay_s(site):g}",
        f"{row.safety_time_s(site):g}",
        _phases(row),
        row.reset.value if row.latched else "itself",
        row.priority.name.lower() if row.priority else "no alarm",
    )


def _phases(row: Interlock) -> str:
    if row.phases == frozenset({None, *Phase}):
        return "always"
    if row.phases == frozenset(Phase):
        return "any phase"
    return " ".join(phase.value for phase in Phase if phase in row.phases) or "at rest"


def _explained(row: Interlock, site: Site) -> str:
    facts = {
        "means": row.meaning,
        "likely": row.likely,
        "look first": row.check,
        "effect": _EFFECTS[row.effect],
        "seen from": row.magnitude,
        "after": f"{row.delay_s(site):g} s; it has acted within {row.safety_time_s(site):g} s",
        "gone for": f"{row.clear_s(site):g} s before it is over" if row.clear_s(site) else "",
        "judged": _phases(row),
        "reset by": row.reset.value if row.latched else "itself, once it is gone",
        "priority": row.priority.name.lower() + (", may wake people" if row.wakes else ""),
        "set aside": "by a technician, for a time" if row.bypassable else "by nobody: it is critical",
    }
    lines = [row.code]
    for name, text in facts.items():
        if text:
            lines += textwrap.wrap(text, _WIDTH, initial_indent=f"  {name:11}", subsequent_indent=" " * 13)
    return "\n".join(lines)


def _content(row: Interlock, site: Site) -> dict[str, Any]:
    return {
        "code": row.code,
        "effect": row.effect.name,
        "delay_s": row.delay_s(site),
        "clear_s": row.clear_s(site),
        "has_dead_band": row.stays is not None,
        "safety_time_s": row.safety_time_s(site),
        "phases": [phase.value for phase in Phase if phase in row.phases] + (["none"] if None in row.phases else []),
        "latched": row.latched,
        "reset": row.reset.value,
        "by_channel": row.channels is not None,
        "of_shift": row.of_shift,
        "resumes": row.resumes,
        "bypassable": row.bypassable,
        "priority": row.priority.name,
        "wakes": row.wakes,
        "magnitude": row.magnitude,
        "meaning": row.meaning,
        "likely": row.likely,
        "check": row.check,
    }

"""`shiftwright demo`: one night at Kestrel Bend, an invented orchard, from the plan to the verdict and the truth."""

import argparse
import asyncio
import json
import shutil
import tempfile
import zoneinfo
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import uvloop

from daemon.agronomy.past import Past
from daemon.agronomy.recommend import DueDose, due_dose
from daemon.cli.errors import InputError
from daemon.cli.night import Night, ledger_of, on_free_ports, read_decisions, record_decisions, run_night
from daemon.cli.night_view import TRUTH, shift_lines, truth_kg_of
from daemon.cli.plant import read_plant
from daemon.decisions.base import Decisions
from daemon.decisions.timetable import Timetable
from daemon.decisions.watering import Program
from daemon.dosing.outcome import block_doses
from daemon.evidence import FlushOwed
from daemon.ledger.accounts import read_past
from daemon.ledger.durable import open_state
from daemon.ledger.in_force import read_in_force
from daemon.ledger.reports import RunReport, run_report, verify_file
from daemon.runtime.service import Service
from daemon.units import kilograms, litres

_SCENARIO = Path(__file__).parent / "kestrel_bend"
_START = datetime(2026, 10, 13, 11, 30, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class _Due:
    """What one recommendation made due of one nutrient when a shift was planned."""

    recommendation: str
    dose: DueDose


_Advice = Mapping[str, Mapping[str, _Due]]
"""By run and nutrient; a dose that goes by no recommendation is not in it."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("--seed", type=int, default=1, help="draws the plant's hidden tolerances and noise (default 1)")
    parser.add_argument("--perfect", action="store_true", help="a plant without tolerances and noise")
    parser.add_argument(
        "--fault", action="append", default=[], metavar="NAME@MINUTE", help="something that goes wrong (repeatable)"
    )
    parser.add_argument("--db", type=Path, metavar="DIR", help="keep the ledger there (default: thrown away)")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the night's figures there")
    parser.add_argument("--serve", action="store_true", help="then serve the farm in real time, until Ctrl-C")
    parser.add_argument("--copy", type=Path, metavar="DIR", help="copy the demo's site there, as a starting point")


def main(arguments: argparse.Namespace) -> int:
    """Run the demo, or copy its site. Returns 0 whatever the night's outcome: a faulty night is a demo too."""
    if arguments.copy is not None:
        return _copy(arguments.copy)
    if arguments.json is not None and not arguments.json.parent.is_dir():
        raise InputError(f"--json: got {arguments.json}; expected a file in a folder that exists")
    faults = [_fault(text) for text in arguments.fault]
    programs = [key for kind, key in read_decisions(_SCENARIO / "decisions.toml") if kind == "program"]
    options = ["--seed", str(arguments.seed), *(["--perfect"] if arguments.perfect else [])]
    with tempfile.TemporaryDirectory(prefix="shiftwright-") as scratch:
        folder = arguments.db or Path(scratch) / "db"
        site = Path(scratch) / "site.toml"
        site.write_text(on_free_ports((_SCENARIO / "site.toml").read_text("utf-8")), "utf-8")
        decisions = _SCENARIO / "decisions.toml"
        if arguments.serve:
            _try_to_listen(site)

        async def serve(service: Service, night: Night) -> None:
            await asyncio.to_thread(_tell, arguments, night, folder, programs)
            await _serve(service, site)

        after = serve if arguments.serve else None
        night = uvloop.run(
            run_night(site, decisions, programs, folder, _START, options=options, faults=faults, after=after)
        )
        if not arguments.serve:
            _tell(arguments, night, folder, programs)
    return 0


def _try_to_listen(site: Path) -> None:
    """Raise ServingError before the night is run where it could not be served afterwards."""
    from api.serving import listen

    settings = read_plant(site).site.api
    listen(settings.host, settings.port).close()


async def _serve(service: Service, site: Path) -> None:
    """Let the plant go on in real time, with the night's timetable, and serve the farm until somebody stops it."""
    from daemon.cli.serve import serve_until_stopped

    timetables = {
        name: body for name, body in read_decisions(_SCENARIO / "decisions.toml").items() if name[0] == Timetable.kind
    }
    await record_decisions(service, timetables, "demo")
    going_on = asyncio.create_task(_in_real_time(service))
    try:
        await serve_until_stopped(site, service.plant, service.folder, service.clock)
    finally:
        going_on.cancel()
        await asyncio.gather(going_on, return_exceptions=True)


async def _in_real_time(service: Service) -> None:
    while True:
        await asyncio.gather(service.step(), asyncio.sleep(service.plant.site.site.scan_s))


def _tell(arguments: argparse.Namespace, night: Night, folder: Path, programs: Sequence[str]) -> None:
    reports = [found for run in night.runs if (found := run_report(ledger_of(folder), run)) is not None]
    if not reports:
        raise InputError("the ledger holds no such run")
    advice = _advice(night, reports, programs, ledger_of(folder))
    owed = tuple(stamped.row for stamped in open_state(ledger_of(folder)).owed)
    verdict = verify_file(ledger_of(folder))
    print("\n".join(_lines(night, reports, advice, owed, verdict.rows, verdict.broken_seq is None)))
    if arguments.json is not None:
        arguments.json.write_text(
            json.dumps(_figures(night, reports, advice, arguments.seed), indent=1) + "\n", "utf-8"
        )


def _copy(folder: Path) -> int:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"--copy: got {error}; expected a folder this user may write") from None
    for source in sorted(_SCENARIO.glob("*.toml")):
        if (folder / source.name).exists():
            raise InputError(f"{folder / source.name} is there already: nothing was copied over it")
        shutil.copy(source, folder)
    print(f"Copied to {folder}. Next: shiftwright check {folder / 'site.toml'}")
    return 0


def _fault(text: str) -> tuple[str, float]:
    name, at, minute = text.partition("@")
    try:
        return name, float(minute) * 60.0 if at else 0.0
    except ValueError:
        raise InputError(f"--fault: got {text!r}; expected NAME@MINUTE, such as airlock@60") from None


def _advice(night: Night, reports: Sequence[RunReport], programs: Sequence[str], ledger: Path) -> _Advice:
    """Return what was due when the night was planned: by what had been given before it, at the start of its first run.

    As a START plans them, all of its runs are of that moment.
    """
    decisions, past = read_in_force(ledger).decisions, read_past(ledger)
    before = Past(
        tuple(dose for dose in past.doses if dose.run not in night.runs),
        tuple(water for water in past.water if water.run not in night.runs),
    )
    zone = zoneinfo.ZoneInfo(night.plant.site.site.zone)
    now = datetime.fromtimestamp(reports[0].started.at_ms / 1000.0, zone)
    program_of = dict(zip(night.runs, programs, strict=True))
    return {
        (run := report.started.row.run): _due_of(decisions, program_of[run], _areas_ha(report), before, now)
        for report in reports
    }


def _due_of(
    decisions: Decisions, program_key: str, areas_ha: Mapping[str, float], past: Past, now: datetime
) -> dict[str, _Due]:
    program = decisions[Program.kind, program_key]
    return {
        injection.nutrient: _Due(
            injection.recommendation,
            due_dose(decisions, injection.recommendation, injection.nutrient, areas_ha, past, now),
        )
        for injection in (program.injections if isinstance(program, Program) else ())
        if injection.recommendation is not None
    }


def _areas_ha(report: RunReport) -> dict[str, float]:
    return {block["block"]: block["area_ha"] for block in json.loads(report.started.row.recipe)["blocks"]}


def _lines(
    night: Night,
    reports: Sequence[RunReport],
    advice: _Advice,
    owed: tuple[FlushOwed, ...],
    rows: int,
    chain_holds: bool,
) -> list[str]:
    zone = zoneinfo.ZoneInfo(night.plant.site.site.zone)
    began = datetime.fromtimestamp(reports[0].started.at_ms / 1000.0, zone)
    lines = [
        f"{night.plant.site.site.name} is invented and this plant is SIMULATED. Night of {began:%a %d %b %Y}.",
    ]
    truth_kg = truth_kg_of(night.truth)
    for report in reports:
        due = advice[report.started.row.run]
        notes = [_due_line(report, due)] if due else []
        lines += ["", *shift_lines(truth_kg, report, zone, heads=report is reports[0], notes=notes)]
    if owed:
        parts = ", ".join(f"{o.segment} {litres(o.owed_ml) / 1000.0:.1f} m3" for o in owed)
        lines.append(f"Flush still owed before the next injection: {parts}.")
    chain = "chain holds" if chain_holds else "CHAIN BROKEN"
    lines += [
        "",
        TRUTH,
        f"{night.simulated_s / 3600.0:.1f} h in {night.wall_s:.0f} s: {night.scans} scans, {night.requests} Modbus "
        f"requests, {night.simulated_s / night.wall_s:.0f} x real time; {rows} sealed rows, {chain}.",
    ]
    return lines


def _due_line(report: RunReport, due: Mapping[str, _Due]) -> str:
    """Return what was due of each nutrient, by which word, and what the plan makes of it; means over the area."""
    area_ha = sum(_areas_ha(report).values())
    doses = block_doses(report.found)
    planned = {name: sum(kilograms(dose.planned_mg) for dose in doses if dose.nutrient == name) for name in due}
    asked = ", ".join(f"{name} {one.dose.kg_ha:.2f}" for name, one in due.items())
    stages = ", ".join(dict.fromkeys(one.dose.stage or "outside the cycle" for one in due.values()))
    by = ", ".join(dict.fromkeys(one.recommendation for one in due.values()))
    plan = ", ".join(f"{name} {kg / area_ha:.2f}" for name, kg in planned.items())
    return f"Recommended tonight: {asked} kg/ha (stage {stages}, by {by}); planned {plan}"


def _figures(night: Night, reports: Sequence[RunReport], advice: _Advice, seed: int) -> dict[str, Any]:
    blocks = []
    truth_kg = truth_kg_of(night.truth)
    for report in reports:
        due = advice[report.started.row.run]
        for block in json.loads(report.started.row.recipe)["blocks"]:
            doses = block_doses(dose for dose in report.found if dose.block == block["block"])
            nutrients = {
                dose.nutrient: {
                    "planned_kg": kilograms(dose.planned_mg),
                    "injected_kg": kilograms(dose.injected_mg),
                    "delivered_kg": kilograms(dose.delivered_mg),
                    "lost_kg": kilograms(dose.lost_mg),
                    "u_k2_kg": kilograms(dose.u_delivered_mg),
                    "truth_kg": round(truth_kg[dose.block].get(dose.nutrient, 0.0), 6),
                    "planned_kg_ha": round(kilograms(dose.planned_mg) / block["area_ha"], 6),
                    "due_kg_ha": _due_kg_ha(due.get(dose.nutrient), dose.block),
                }
                for dose in doses
            }
            blocks.append({"block": block["block"], "area_ha": block["area_ha"], "nutrients": nutrients})
    return {
        "schema": 3,
        "seed": seed,
        "simulated_s": round(night.simulated_s, 3),
        "wall_s": round(night.wall_s, 3),
        "scans": night.scans,
        "requests": night.requests,
        "blocks": blocks,
        "runs": [_run_figures(report) for report in reports],
        "alarms": [
            {"code": alarm.row.code, "effect": alarm.row.effect, "at": _rfc3339(alarm.at_ms)}
            for report in reports
            for alarm in report.alarms
        ],
    }


def _due_kg_ha(due: _Due | None, block: str) -> float | None:
    """Return what was due on a block; None where its dose goes by no recommendation."""
    return round(due.dose.blocks[block].kg_ha, 6) if due is not None else None


def _run_figures(report: RunReport) -> dict[str, Any]:
    ended = report.ended.row if report.ended is not None else None
    return {
        "shift": report.started.row.shift,
        "state": ended.state if ended else None,
        "outcome": ended.outcome if ended else None,
        "phases": [
            {
                "phase": phase.row.phase,
                "start": _rfc3339(phase.at_ms - phase.row.duration_ms),
                "s": phase.row.duration_ms / 1000.0,
                "water_m3": litres(phase.row.water_ml) / 1000.0,
            }
            for phase in report.phases
        ],
    }


def _rfc3339(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000.0, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")

"""The commissioning report: every step's result, certificate and due date, as JSON and as a page to print and sign."""

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from api.curve import curve_svg
from daemon.commissioning.showing import plain
from daemon.commissioning.status import Done, Standing, bars_of, standings
from daemon.commissioning.steps import STEPS
from daemon.ledger.attempts import AttemptReport, attempts
from daemon.ledger.errors import LedgerMissing
from daemon.planning.bars import Bar
from daemon.site import Plant


def reported(path: Path) -> tuple[AttemptReport, ...]:
    """Return every attempt of the record at `path`; none where there is no record yet. Raises LedgerError."""
    try:
        return attempts(path)
    except LedgerMissing:
        return ()


def standings_of(plant: Plant, found: Iterable[AttemptReport], now: datetime) -> tuple[Standing, ...]:
    """Return how every step stands by the attempts that were accepted."""
    return standings(plant.site, _done_in(found), now)


def bars_at(plant: Plant, path: Path, now: datetime) -> tuple[Bar, ...]:
    """Return what keeps fertiliser out of which runs, by the record at `path`. Raises LedgerError."""
    return bars_of(plant.site, _done_in(reported(path)), now)


def _done_in(found: Iterable[AttemptReport]) -> list[Done]:
    return [Done(*one.done) for one in found if one.ended is not None and one.ended.row.state == "ACCEPTED"]


def report_of(plant: Plant, found: tuple[AttemptReport, ...], now: datetime) -> dict[str, Any]:
    """Return the whole report in plain values."""
    standing = standings_of(plant, found, now)
    newest: dict[tuple[str, str], AttemptReport] = {}
    for one in found:
        if one.ended is not None and one.ended.row.state == "ACCEPTED":
            newest[one.begun.row.step, one.begun.row.subject] = one
    results = [
        _result(newest[one.step.name, one.subject], one) for one in standing if (one.step.name, one.subject) in newest
    ]
    return {
        "site": plant.site.site.name,
        "site_digest": plant.digest,
        "at": now.isoformat(timespec="seconds"),
        "required": list(plant.site.commissioning.required),
        "results": results,
        "open": [
            {"step": one.step.name, "of": one.subject, "stands": one.stand.value, "bars_fertiliser": one.holds_up}
            for one in standing
            if one.is_required and one.stand.value != "valid"
        ],
        "due": sorted(
            (
                {"step": one.step.name, "of": one.subject, "until": one.valid_until.date().isoformat()}
                for one in standing
                if one.valid_until is not None
            ),
            key=lambda due: str(due["until"]),
        ),
        "under_way": [f"{one.begun.row.step} of {one.begun.row.subject}" for one in found if one.ended is None],
    }


def _result(report: AttemptReport, standing: Standing) -> dict[str, Any]:
    begun, ended = report.begun, report.ended
    way = next((values for stage, values in report.entries if stage == "way"), {})
    return {
        "attempt": begun.row.attempt,
        "step": begun.row.step,
        "title": STEPS[begun.row.step].title,
        "of": begun.row.subject,
        "by": ended.row.who if ended is not None else "",
        "at": datetime.fromtimestamp((ended or begun).at_ms / 1000.0, UTC).isoformat(timespec="seconds"),
        "instrument": way.get("instrument") or way.get("how") or "",
        "stands": standing.stand.value,
        "until": None if standing.valid_until is None else standing.valid_until.date().isoformat(),
        **report.result,
    }


def report_html(report: dict[str, Any]) -> str:
    """Return the report as a page that prints well, with nothing fetched from anywhere."""
    environment = Environment(
        loader=PackageLoader("api.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("commissioning_report.html").render(report=report, curve_svg=curve_svg, plain=plain)

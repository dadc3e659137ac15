"""`shiftwright estimates`: what meter, tank and EC said of the last runs' stock, and what is likely wrong."""

import argparse
import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from daemon.cli.client import add_folder
from daemon.cli.given import count
from daemon.cli.tables import table
from daemon.dosing.drift import drifting
from daemon.dosing.reconcile import CAUSES, FLAGGED
from daemon.evidence import DoseReconciled
from daemon.folder import LEDGER
from daemon.ledger.reports import breakthroughs, last_reconciled
from daemon.units import litres


class _Front(NamedTuple):
    """The stock's front at a far probe, in litres at the block's own flow; k = 2."""

    run: str
    block: str
    seen: float
    u_seen: float
    planned: float
    u_planned: float
    en: float


_LAST = 30
_HEADS = ("run", "channel", "together", "meter", "tank", "EC", "E_n meter-tank", "E_n EC-volume")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the folder and how far back."""
    add_folder(parser)
    parser.add_argument(
        "--last", type=count, default=_LAST, metavar="N", help=f"runs to look back over (default {_LAST})"
    )
    parser.add_argument("--json", action="store_true", help="all of it as JSON")


def main(arguments: argparse.Namespace) -> int:
    """Print them; return the exit code. Only reads: the daemon may run or not."""
    events = [stamped.row for stamped in last_reconciled(arguments.db / LEDGER, arguments.last)]
    fronts = [_front(found) for found in breakthroughs(arguments.db / LEDGER, arguments.last)]
    by_channel: dict[str, list[DoseReconciled]] = {}
    for event in events:
        by_channel.setdefault(event.channel, []).append(event)
    drifts = {channel: drifting(rows) for channel, rows in sorted(by_channel.items())}
    if arguments.json:
        runs = [_as_json(event) for event in events]
        told = {name: list(causes) for name, causes in drifts.items()}
        print(json.dumps({"runs": runs, "drifts": told, "fronts": [front._asdict() for front in fronts]}, indent=1))
        return 0
    if not events:
        print("No run that injected has ended yet.")
        return 0
    print("Litres of stock at the strength that was written down, ± its k = 2 uncertainty.\n")
    print("\n".join(table(_HEADS, [_cells(event) for event in events])))
    print("\n".join([*_words(events, drifts), *_ways(fronts)]))
    return 0


def _front(found: Mapping[str, Any]) -> _Front:
    litres_of = {name: litres(found[f"{name}_ml"]) for name in ("seen", "u_seen", "planned", "u_planned")}
    return _Front(found["run"], found["block"], **litres_of, en=found["en_thousandths"] / 1000.0)


def _ways(fronts: Sequence[_Front]) -> Iterator[str]:
    """Yield what the newest front at each block's far probe says of the water's way to it."""
    newest = {front.block: front for front in fronts}
    if newest:
        yield "\nWater to the outermost emitter, as the stock's own front showed it:"
    for front in newest.values():
        yield (
            f"  {front.block}: {front.seen:.0f} ± {front.u_seen:.0f} L in {front.run}, "
            f"planned {front.planned:.0f} ± {front.u_planned:.0f}; E_n {front.en:+.2f}"
        )
        if abs(front.en) > FLAGGED:
            yield (
                "    The pipes are not as they were drawn, or the block takes another share of the flow. Look for "
                "leaks and blocked emitters, and measure its transit alone."
            )


def doubt_lines(causes: Sequence[str]) -> Iterator[str]:
    """Yield causes, the likeliest first, each with what to look at."""
    for number, key in enumerate(causes, 1):
        yield f"  {number}. {CAUSES[key].meaning}: {CAUSES[key].check}"


def _words(events: Sequence[DoseReconciled], drifts: dict[str, tuple[str, ...]]) -> Iterator[str]:
    silent = {(e.channel, name, why) for e in events for name, why in _silent(e).items()}
    for channel, name, why in sorted(silent):
        yield f"{name} is silent on channel {channel}: {why}."
    together = {tuple(sorted({e.channel, *json.loads(e.beside)})) for e in events if json.loads(e.beside)}
    for channels in sorted(together):
        yield f"EC cannot part the stocks of channels {' and '.join(channels)}, which were in the line together."
    for event in events:
        if causes := json.loads(event.causes):
            yield f"\n{event.run}, channel {event.channel}: its estimates differ. The likeliest first:"
            yield from doubt_lines(causes)
    for channel, found in drifts.items():
        if found:
            yield f"\nChannel {channel}: small differences, run after run the same way. The likeliest first:"
            yield from doubt_lines(found)
    if not any(drifts.values()) and not any(json.loads(event.causes) for event in events):
        yield "They agree as well as their instruments can."


def _silent(event: DoseReconciled) -> dict[str, str]:
    return {name: why for name, why in (("tank", event.tank_silent), ("EC", event.ec_silent)) if why}


def _cells(event: DoseReconciled) -> tuple[str, ...]:
    def said(value_ml: int, u_ml: int, why: str = "") -> str:
        return "-" if why else f"{litres(value_ml):.1f} ± {litres(u_ml):.1f}"

    return (
        event.run,
        event.channel,
        said(event.dose_ml, event.u_dose_ml),
        said(event.meter_ml, event.u_meter_ml),
        said(event.tank_ml, event.u_tank_ml, event.tank_silent),
        said(event.ec_ml, event.u_ec_ml, event.ec_silent),
        "-" if event.tank_silent else f"{event.volume_en_thousandths / 1000.0:+.2f}",
        "-" if event.ec_silent else f"{event.strength_en_thousandths / 1000.0:+.2f}",
    )


def _as_json(event: DoseReconciled) -> dict[str, Any]:
    def said(value_ml: int, u_ml: int, why: str = "") -> dict[str, Any]:
        return {"silent": why} if why else {"litres": litres(value_ml), "u_k2_litres": litres(u_ml)}

    return {
        "run": event.run,
        "channel": event.channel,
        "together": said(event.dose_ml, event.u_dose_ml),
        "meter": said(event.meter_ml, event.u_meter_ml),
        "tank": said(event.tank_ml, event.u_tank_ml, event.tank_silent),
        "ec": said(event.ec_ml, event.u_ec_ml, event.ec_silent),
        "volume_en": None if event.tank_silent else event.volume_en_thousandths / 1000.0,
        "strength_en": None if event.ec_silent else event.strength_en_thousandths / 1000.0,
        "not_told_from": json.loads(event.beside),
        "causes": json.loads(event.causes),
    }

"""The commissioning in words for a terminal: a stage, a result, and where everything stands."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from daemon.cli.tables import table
from daemon.commissioning.showing import plain
from daemon.commissioning.status import Standing


def stage_lines(view: Mapping[str, Any]) -> Iterator[str]:
    """Yield what a stage is about."""
    stage = view["stage"]
    yield f"[{stage['name']}] {stage['do']}"
    if stage["holds"]:
        yield f"  held on: {', '.join(stage['holds'])}"


def opening_lines(view: Mapping[str, Any]) -> Iterator[str]:
    """Yield what a step needs and what to mind."""
    yield f"{view['title']}: {view['subject']}"
    yield "You need:"
    yield from (f"  - {text}" for text in view["needs"])
    yield "Mind:"
    yield from (f"  - {text}" for text in view["cautions"])
    yield "  - Local codes, the products' labels and licensed practice come before anything that is said here."


def live_line(view: Mapping[str, Any]) -> str:
    """Return the live readings of a stage, and how far it is."""
    stage = view["stage"]
    shown = ", ".join(
        f"{name} {'no value' if value is None else f'{value:g}'}" for name, value in view["readings"].items()
    )
    until = (
        f" (until {stage['until']})" if stage["until"] else f" of {stage['lasts_s']:.0f}" if stage["lasts_s"] else ""
    )
    waiting = f"  waiting for {', '.join(stage['off'])}" if stage["off"] else ""
    return f"  {stage['on_s']:.0f}{until} s  {shown}{waiting}"


def result_lines(result: Mapping[str, Any]) -> list[str]:
    """Return a result: figures with their uncertainty and band, verdict, what it means and what it changes."""
    rows = [
        [
            one["name"],
            plain(one["value"]),
            _u(one),
            one["unit"],
            _band(one),
            "" if one["in_band"] else "OUT",
            one["source"],
        ]
        for one in result["figures"]
    ]
    lines = table(("figure", "value", "± (k = 2)", "unit", "band", "", "source of the band"), rows)
    lines.append(f"Verdict: {result['verdict']}")
    lines += [f"  {text}" for text in result["told"]]
    lines += [f"Accepting it changes: {text}" for text in result["changes"]]
    return lines


def status_lines(found: Iterable[Standing], *, is_short: bool) -> list[str]:
    """Return where the steps stand; in short those alone that are required or were done."""
    shown = [one for one in found if not is_short or one.is_required or one.done_at is not None]
    rows = [
        [
            one.step.name,
            one.subject,
            one.stand.value,
            f"{one.done_at:%Y-%m-%d}" if one.done_at is not None else "",
            f"{one.valid_until:%Y-%m-%d}" if one.valid_until is not None else "",
            ("required" if one.is_required else "") + (", NO FERTILISER" if one.holds_up else ""),
        ]
        for one in shown
    ]
    return table(("step", "of", "stands", "done", "until", ""), rows) if rows else ["Nothing was commissioned yet."]


def _u(one: Mapping[str, Any]) -> str:
    return "" if one["u"] is None else plain(one["u"], 2)


def _band(one: Mapping[str, Any]) -> str:
    ends: Sequence[float | None] = (one["least"], one["most"])
    low, high = ("" if end is None else plain(end) for end in ends)
    return f"{low} .. {high}" if low or high else ""

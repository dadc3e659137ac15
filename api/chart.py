"""The night as a picture: flow, injection and EC over time, phases marked, planned beside actual. SVG, made here."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Final

from markupsafe import Markup, escape

from api.morning.reading import recipe_of
from api.words.amounts import Amount, converted
from api.words.words import Words
from daemon.ledger.readings import thinned
from daemon.ledger.reports import RunReport
from daemon.site import Site

_Scale = Callable[[float], float]
_WIDTH: Final = 720.0
_LEFT: Final = 46.0
_PANEL: Final = 110.0
_GAP: Final = 26.0
_TOP: Final = 46.0
_PARTS: Final = 320
"""Of the night: about two points of the picture each. Least and highest of a part are both drawn, so no spike goes."""
_LONGEST_GAP_MS: Final = 600_000
"""Between two readings that a line joins."""


@dataclass(frozen=True, slots=True)
class _Span:
    """Something that held for a time, in milliseconds since 1970-01-01 UTC."""

    from_ms: int
    to_ms: int
    value: float


@dataclass(frozen=True, slots=True)
class _Phase:
    name: str
    from_ms: int
    to_ms: int


@dataclass(frozen=True, slots=True)
class _Panel:
    """One of the pictures over each other."""

    key: str
    unit: str
    seen: Sequence[tuple[int, float, float]]
    """Moment, least and highest value."""
    planned: Sequence[_Span]


def night_chart(history: Path, site: Site, reports: Sequence[RunReport], words: Words) -> Markup | None:
    """Return the picture of the runs of a night; None where none of them left a reading.

    Raises sqlite3.Error where the readings cannot be read.
    """
    phases = [phase for report in reports for phase in _phases(report)]
    if not phases:
        return None
    from_ms, to_ms = phases[0].from_ms, max(phase.to_ms for phase in phases)
    if to_ms <= from_ms:
        return None

    def seen(point: str) -> list[tuple[int, float, float]]:
        return [(at, low, high) for at, low, _, high in thinned(history, point, from_ms, to_ms, _PARTS)]

    panels = [_Panel("flow", "m3/h", seen("flow_m3_h"), [*_planned_flow(reports)])]
    panels.append(_Panel("injection", "L/h", _rates(history, site, from_ms, to_ms), [*_planned_rate(reports)]))
    if site.main.line_ec is not None:
        panels.append(_Panel("ec", "mS/cm", seen("line_ec_ms_cm"), []))
    if not any(panel.seen for panel in panels):
        return None
    return _drawn(panels, phases, from_ms, to_ms, words)


def _phases(report: RunReport) -> Iterator[_Phase]:
    for phase in report.phases:
        yield _Phase(phase.row.phase, phase.at_ms - phase.row.duration_ms, phase.at_ms)


def _planned_flow(reports: Iterable[RunReport]) -> Iterator[_Span]:
    for report in reports:
        for phase in _phases(report):
            yield _Span(phase.from_ms, phase.to_ms, recipe_of(report).flow_m3_h)


def _planned_rate(reports: Iterable[RunReport]) -> Iterator[_Span]:
    """Yield the rate that the planned stock needs in the time that INJECT has at the shift's flow."""
    for report in reports:
        recipe = recipe_of(report)
        stock_l = sum(channel.stock_l for channel in recipe.channels)
        hours = recipe.inject_l / 1000.0 / recipe.flow_m3_h if recipe.flow_m3_h else 0.0
        for phase in _phases(report):
            if phase.name == "PREWET" and stock_l > 0.0 and hours > 0.0:
                yield _Span(phase.to_ms, phase.to_ms + round(hours * 3.6e6), stock_l / hours)


def _rates(history: Path, site: Site, from_ms: int, to_ms: int) -> list[tuple[int, float, float]]:
    """Return how fast all injectors together counted."""
    totals: dict[int, float] = {}
    for name in site.injector:
        counts = thinned(history, f"injector.{name}.stock_l", from_ms, to_ms, _PARTS)
        for before, after in pairwise(counts):
            between_ms = after[0] - before[0]
            if 0 < between_ms <= _LONGEST_GAP_MS and after[2] >= before[2]:
                rate_l_h = (after[2] - before[2]) / between_ms * 3.6e6
                totals[after[0]] = totals.get(after[0], 0.0) + rate_l_h
    return [(at, rate, rate) for at, rate in sorted(totals.items())]


def _drawn(panels: Sequence[_Panel], phases: Sequence[_Phase], from_ms: int, to_ms: int, words: Words) -> Markup:
    height = _TOP + len(panels) * (_PANEL + _GAP) + 14.0
    bottom = height - 14.0 - _GAP

    def x(at_ms: float) -> float:
        return _LEFT + (_WIDTH - _LEFT - 6.0) * (at_ms - from_ms) / (to_ms - from_ms)

    parts = [
        f'<svg class="chart" viewBox="0 0 {_WIDTH:g} {height:g}" role="img" aria-labelledby="chart-title chart-desc">'
        f'<title id="chart-title">{escape(words.say("chart.title"))}</title>'
        f'<desc id="chart-desc">{escape(words.say("chart.desc"))}</desc>'
    ]
    for phase in phases:
        left, width = x(phase.from_ms), x(phase.to_ms) - x(phase.from_ms)
        parts.append(
            f'<rect class="phase {phase.name.lower()}" x="{left:.1f}" y="{_TOP:g}" width="{max(0.0, width):.1f}" '
            f'height="{bottom - _TOP:.1f}"/>'
        )
        if width > 16.0:
            label = words.say(f"phase.{phase.name}")
            shown = label if width > 7.0 * len(label) else label[:1]
            parts.append(f'<text class="mark" x="{left + 3.0:.1f}" y="{_TOP - 28.0:g}">{escape(shown)}</text>')
    for number, panel in enumerate(panels):
        parts += _panel(panel, _TOP + number * (_PANEL + _GAP), x, words)
    for at in _hours(from_ms, to_ms, words):
        at_x = x(at.timestamp() * 1000.0)
        parts.append(
            f'<line class="hour" x1="{at_x:.1f}" y1="{_TOP:g}" x2="{at_x:.1f}" y2="{bottom:g}"/>'
            f'<text class="hours" x="{at_x:.1f}" y="{height - 20.0:g}">{escape(words.time(at))}</text>'
        )
    return Markup("".join([*parts, "</svg>"]))


def _panel(panel: _Panel, top: float, x: _Scale, words: Words) -> Iterator[str]:
    factor, unit = converted(Amount(1.0, panel.unit), words.system)
    values = [high for _, _, high in panel.seen] + [span.value for span in panel.planned]
    most = max([*values, 1e-9]) * 1.1

    def y(value: float) -> float:
        return top + _PANEL * (1.0 - max(0.0, value) / most)

    title = f"{words.say(f'chart.{panel.key}')}, {unit}"
    yield f'<text class="panel" x="{_LEFT + 4.0:g}" y="{top - 8.0:g}">{escape(title)}</text>'
    yield f'<path class="frame" d="M{_LEFT:g} {top:g}V{top + _PANEL:g}H{_WIDTH - 6.0:g}"/>'
    for value in (0.0, most / 1.1):
        shown = escape(words.number(value * factor))
        yield f'<text class="axis" x="{_LEFT - 5.0:g}" y="{y(value) + 4.0:.1f}">{shown}</text>'
    for span in panel.planned:
        yield f'<path class="planned" d="M{x(span.from_ms):.1f} {y(span.value):.1f}H{x(span.to_ms):.1f}"/>'
    if panel.seen:
        yield f'<path class="seen" d="{"".join(_line(panel.seen, x, y))}"/>'


def _line(seen: Sequence[tuple[int, float, float]], x: _Scale, y: _Scale) -> Iterator[str]:
    before_ms: int | None = None
    for at_ms, low, high in seen:
        joined = before_ms is not None and at_ms - before_ms <= _LONGEST_GAP_MS
        yield f"{'L' if joined else 'M'}{x(at_ms):.1f} {y(low):.1f}"
        if y(low) - y(high) > 0.5:
            yield f"V{y(high):.1f}"
        before_ms = at_ms


def _hours(from_ms: int, to_ms: int, words: Words) -> Iterator[datetime]:
    """Yield full hours of the site's clock, at most eight of them."""
    at = datetime.fromtimestamp(from_ms / 1000.0, UTC).astimezone(words.zone)
    at = at.replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
    step = max(1, -(-round((to_ms - from_ms) / 3.6e6) // 8))
    while at.timestamp() * 1000.0 < to_ms:
        if at.hour % step == 0:
            yield at
        at = (at.astimezone(UTC) + timedelta(hours=1)).astimezone(words.zone)

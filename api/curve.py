"""A result's curve as a small picture: an injector's rates, a pump's head, EC at an emitter. SVG, made here."""

from collections.abc import Sequence

from markupsafe import Markup

from daemon.commissioning.showing import plain

_WIDTH, _HEIGHT, _EDGE = 320.0, 140.0, 34.0


def curve_svg(points: Sequence[Sequence[float]], name: str) -> Markup:
    """Return the picture of points along a line; nothing for fewer than two, or where they do not differ."""
    if len(points) < 2:
        return Markup("")
    xs, ys = [point[0] for point in points], [point[1] for point in points]
    if max(xs) == min(xs) or max(ys) == min(ys):
        return Markup("")
    across = (_WIDTH - 2 * _EDGE) / (max(xs) - min(xs))
    up = (_HEIGHT - 2 * _EDGE) / (max(ys) - min(ys))
    drawn = " ".join(
        f"{_EDGE + (x - min(xs)) * across:.1f},{_HEIGHT - _EDGE - (y - min(ys)) * up:.1f}" for x, y in points
    )
    ends = tuple(map(plain, (min(xs), max(xs), min(ys), max(ys))))
    return Markup(
        '<svg role="img" aria-label="{name}" viewBox="0 0 {w:.0f} {h:.0f}" width="{w:.0f}" height="{h:.0f}">'
        '<polyline points="{drawn}" fill="none" stroke="currentColor" stroke-width="2"/>'
        '<text x="{e:.0f}" y="{base:.0f}" font-size="11" fill="currentColor">{x0}</text>'
        '<text x="{right:.0f}" y="{base:.0f}" font-size="11" fill="currentColor" text-anchor="end">{x1}</text>'
        '<text x="0" y="{low:.0f}" font-size="11" fill="currentColor">{y0}</text>'
        '<text x="0" y="{top:.0f}" font-size="11" fill="currentColor">{y1}</text></svg>'
    ).format(
        name=name, w=_WIDTH, h=_HEIGHT, drawn=drawn, e=_EDGE, base=_HEIGHT - 8, right=_WIDTH - _EDGE,
        low=_HEIGHT - _EDGE, top=_EDGE, x0=ends[0], x1=ends[1], y0=ends[2], y1=ends[3],
    )  # fmt: skip

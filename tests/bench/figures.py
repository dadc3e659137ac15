"""What the benches reached in one run, each figure beside its baseline: printed, and kept where somebody asked."""

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

ASKED = "SHIFTWRIGHT_FIGURES"
"""Names the file to which each figure is added as a line of JSON."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure."""

    issue: int
    """The subject that it belongs to, as in DEVELOPERS.md."""
    what: str
    reached: float
    unit: str
    aim: str
    baseline: str
    """What it stands beside; empty where nothing plainer does the same."""
    baseline_reached: float | None

    @property
    def ratio(self) -> float | None:
        """Return how many times its baseline it is."""
        return None if not self.baseline_reached else self.reached / self.baseline_reached


def keep(
    issue: int,
    what: str,
    reached: float,
    unit: str,
    aim: str,
    baseline: str = "",
    baseline_reached: float | None = None,
) -> None:
    """Print a figure, and keep it where the run was asked to."""
    figure = Figure(issue, what, reached, unit, aim, baseline, baseline_reached)
    beside = "" if baseline_reached is None else f" ({baseline}: {number(baseline_reached)})"
    print(f"\n{what}: {number(reached)} {unit}{beside}; aim {aim}")
    if asked := os.environ.get(ASKED):
        with Path(asked).open("a", encoding="utf-8") as file:
            file.write(json.dumps(asdict(figure)) + "\n")


def kept(path: Path) -> list[Figure]:
    """Return the figures of a file, in the order of their subjects."""
    lines = path.read_text("utf-8").splitlines() if path.exists() else []
    return sorted((Figure(**json.loads(line)) for line in lines), key=lambda figure: figure.issue)


def number(value: float) -> str:
    """Return a figure with as many digits as say something."""
    return f"{value:,.0f}" if abs(value) >= 100.0 else f"{value:.3g}"


def table(figures: list[Figure]) -> str:
    """Return them as a table of Markdown."""
    lines = ["| what | reached | aim | baseline in the same run | ratio |", "|---|---|---|---|---|"]
    for one in figures:
        beside = "" if one.baseline_reached is None else f"{one.baseline}: {number(one.baseline_reached)}"
        ratio = "" if one.ratio is None else f"{one.ratio:.2f}"
        lines.append(f"| {one.what} | {number(one.reached)} {one.unit} | {one.aim} | {beside} | {ratio} |")
    return "\n".join(lines)

"""The night's picture tells what the readings and the plan are: its lines, marks and axes, inside its frame."""

import re
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest

from api.chart import night_chart
from api.words.words import words_for
from daemon.folder import HISTORY, LEDGER
from daemon.ledger.history import History
from daemon.ledger.readings import read
from daemon.ledger.reports import RunReport, run_report
from tests.api.farms import Recorded
from tests.api.morning.nights import ZONE

_METRIC = words_for("en", "en_AU", "metric", ZONE)


def _report(made: Recorded) -> RunReport:
    found = run_report(made.folder / LEDGER, made.run)
    assert found is not None
    return found


def _drawn(made: Recorded, system: str = "metric", language: str = "en") -> ElementTree.Element:
    words = words_for(language, language, system, ZONE)
    chart = night_chart(made.folder / HISTORY, made.plant.site, [_report(made)], words)
    assert chart is not None
    return ElementTree.fromstring(str(chart))


def _of_class(svg: ElementTree.Element, name: str) -> list[ElementTree.Element]:
    return [one for one in svg.iter() if name in one.get("class", "").split()]


def _points(path: ElementTree.Element) -> list[tuple[float, float]]:
    points: list[tuple[float, float]] = []
    for letter, x, y in re.findall(r"([MLHV])([\d.-]+)(?: ([\d.-]+))?", path.get("d", "")):
        before = points[-1] if points else (0.0, 0.0)
        points.append({"H": (float(x), before[1]), "V": (before[0], float(x))}.get(letter, (float(x), float(y or 0))))
    return points


def test_three_lines_and_their_plan_inside_the_frame(record: Recorded) -> None:
    """Flow, injection and EC as they were; flow and injection as planned; and nothing outside of the picture."""
    svg = _drawn(record)
    _, _, width, height = (float(one) for one in svg.get("viewBox", "").split())
    seen, planned = _of_class(svg, "seen"), _of_class(svg, "planned")
    assert len(seen) == 3 and len(planned) >= 2
    for path in [*seen, *planned]:
        points = _points(path)
        assert len(points) >= 2 and all(0.0 <= x <= width and 0.0 <= y <= height for x, y in points)
        assert [x for x, _ in points] == sorted(x for x, _ in points)


def test_the_phases_are_marked_in_their_order(record: Recorded) -> None:
    """Side by side without a gap, as long as they lasted."""
    marks = [one for one in _drawn(record).iter() if "phase" in one.get("class", "").split()]
    assert [one.get("class", "").split()[1] for one in marks] == ["fill", "prewet", "inject", "flush"]
    spans = [(float(one.get("x", "")), float(one.get("width", ""))) for one in marks]
    for (x, width), (following, _) in pairwise(spans):
        assert x + width == pytest.approx(following, abs=0.3)
    lasted = [phase.row.duration_ms for phase in _report(record).phases]
    shares = [width / sum(one for _, one in spans) for _, width in spans]
    assert shares == pytest.approx([one / sum(lasted) for one in lasted], abs=0.01)


def test_the_axes_say_what_the_readings_were(record: Recorded) -> None:
    """Each panel's highest mark is the highest of what was measured or planned, in the reader's units."""
    phases = _report(record).phases
    from_ms, to_ms = phases[0].at_ms - phases[0].row.duration_ms, phases[-1].at_ms
    flows = [value for _, value in read(record.folder / HISTORY, "flow_m3_h", from_ms, to_ms)]
    axis = [one.text for one in _of_class(_drawn(record), "axis")]
    assert axis[1] == _METRIC.number(max(flows))
    customary = _drawn(record, "us")
    assert float(_of_class(customary, "axis")[1].text or "0") == pytest.approx(4.402868 * max(flows), rel=0.01)
    assert _of_class(customary, "panel")[0].text == "Flow, gpm"


@pytest.mark.parametrize(("language", "word"), [("en", "Flow"), ("es", "Caudal")])
def test_it_is_told_to_who_does_not_see_it(record: Recorded, language: str, word: str) -> None:
    """A title and a description, and panels named in the reader's language."""
    svg = _drawn(record, language=language)
    labels = svg.get("aria-labelledby", "").split()
    told = [one.text for one in svg.iter() if one.get("id") in labels]
    assert svg.get("role") == "img" and len(told) == 2 and all(told)
    assert (_of_class(svg, "panel")[0].text or "").startswith(word)


def test_a_night_without_readings_has_no_picture(record: Recorded, tmp_path: Path) -> None:
    """Nor has a night without a phase: the tables stand alone then."""
    empty = History(tmp_path / HISTORY)
    empty.append(0, {"flow_m3_h": 1.0})
    empty.close()
    reports: Sequence[RunReport] = [_report(record)]
    assert night_chart(tmp_path / HISTORY, record.plant.site, reports, _METRIC) is None
    assert night_chart(record.folder / HISTORY, record.plant.site, [], _METRIC) is None

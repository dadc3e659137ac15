"""Views of attempts as the daemon shows them, for tests of what is made of them."""

from typing import Any

from daemon.commissioning.attempt import Attempt, Seen, begun, granted
from daemon.commissioning.showing import shown_attempt, shown_result
from daemon.commissioning.step import Entry, Figure, Result, Verdict
from daemon.commissioning.steps import STEPS
from daemon.control.record import canonical
from daemon.evidence import Evidence, StepBegun, StepEnded, StepEntered
from daemon.site import Site, section_digest

ATTEMPT = "transit-of-creek"
_WAY = {"how": "meter in the hand", "injector": "a", "instrument": "a meter", "emitter": "the last"}
SEEN = Seen(
    at_s=100.0,
    readings={"flow_m3_h": 33.9, "pressure_kpa": 301.0, "water_l": 1200.0},
    on=frozenset(),
    forced=frozenset(),
    causes=frozenset(),
    is_active=False,
    is_owing=False,
)
RESULT = Result(
    (Figure("transit", 14000.0, "L", 300.0, 12000.0, 16000.0, "the pipes of the site file"),),
    Verdict.PASSED,
    ("It agrees.",),
    ("Block creek is flushed with less.",),
)


def attempt_rows(site: Site) -> tuple[Evidence, ...]:
    """Return the record of an accepted transit test of creek."""
    section = section_digest(STEPS["transit"].parts(site, "creek"))
    return (
        StepBegun(ATTEMPT, "transit", "creek", section, "Tomas"),
        StepEntered(ATTEMPT, "way", canonical(_WAY), "Tomas"),
        StepEnded(ATTEMPT, "ACCEPTED", RESULT.verdict.value, canonical(shown_result(RESULT)), "", "Tomas"),
    )


def view_of(site: Site, *entered: tuple[str, dict[str, Any]], cut_off: str = "", ended: bool = False) -> dict[str, Any]:
    """Return the view of a transit test of creek, after its way and what was entered besides."""
    entries = (Entry("way", _WAY), *(Entry(stage, values) for stage, values in entered))
    attempt = Attempt("try-1", STEPS["transit"], "creek", "Tomas", 0.0, entries, cut_off=cut_off)
    if not cut_off:
        attempt = granted(begun(attempt, site, SEEN)[0], 100.0)
    return shown_attempt(attempt, site, SEEN, RESULT if ended else None, "")

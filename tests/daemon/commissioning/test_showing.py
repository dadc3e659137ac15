"""What a technician is shown: plain figures, and nothing that JSON cannot carry."""

import json

import pytest

from daemon.commissioning.attempt import Attempt, begun, granted
from daemon.commissioning.showing import plain, shown_attempt
from daemon.commissioning.steps import STEPS
from tests.daemon.commissioning.walk import plant_of, seen, walk


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [(18954.7, 4, "18955"), (0.012345, 4, "0.01235"), (999.96, 4, "1000"), (-1234.5, 4, "-1234"), (95.4, 2, "95"),
     (2183.0, 2, "2183"), (0.0, 4, "0")],
)  # fmt: skip
def test_figures_are_plain(value: float, digits: int, text: str) -> None:
    """No power of ten, whatever the size."""
    assert plain(value, digits) == text


@pytest.mark.parametrize("name", list(STEPS))
def test_every_stage_can_be_shown(name: str) -> None:
    """Guards the phone: each stage goes out as JSON, with what is still off."""
    site = plant_of("every_kind").site
    step = STEPS[name]
    for subject in step.subjects(site)[:3]:
        for entries, _ in walk(step, site, subject, 1):
            attempt = granted(begun(Attempt("x", step, subject, "Tomas", 0.0, entries), site, seen())[0], 0.0)
            shown = json.loads(json.dumps(shown_attempt(attempt, site, seen(), None, ""), allow_nan=False))
            assert shown["stage"]["off"] == shown["stage"]["holds"] and shown["stage"]["do"]
            assert shown["behind"] == list(dict.fromkeys(entry.stage for entry in entries))

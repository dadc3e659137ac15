"""Where the commissioning stands, and what that holds up: fertiliser of the runs that it concerns, and no water."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from daemon.commissioning.status import Done, Stand, Standing, bars_of, notices_of, standings, unknown_required
from daemon.commissioning.steps import STEPS
from daemon.planning.bars import barring
from daemon.required import Commissioning
from daemon.site import Site, section_digest
from tests.daemon.commissioning.walk import plant_of

NOW = datetime(2026, 11, 20, 8, tzinfo=UTC)
BASE = plant_of("kestrel_bend").site


def _site(*required: str, **valid_days: int) -> Site:
    asked = Commissioning(required=required, valid_days=valid_days)
    return BASE.model_copy(update={"commissioning": asked})


def _done(step: str, subject: str, days: float = 10.0, verdict: str = "PASSED", **changes: Any) -> Done:
    section = section_digest(STEPS[step].parts(BASE, subject))
    at = NOW - timedelta(days=days)
    return Done(step, subject, section, round(at.timestamp() * 1000), verdict)._replace(**changes)


def _of(site: Site, done: list[Done], step: str = "transit", subject: str = "creek") -> Standing:
    return next(one for one in standings(site, done, NOW) if (one.step.name, one.subject) == (step, subject))


@pytest.mark.parametrize(
    ("done", "stand"),
    [
        ([], Stand.MISSING),
        ([_done("transit", "creek")], Stand.VALID),
        ([_done("transit", "creek", verdict="DOUBTFUL")], Stand.VALID),
        ([_done("transit", "creek", verdict="FAILED")], Stand.FAILED),
        ([_done("transit", "creek", days=334.9)], Stand.VALID),
        ([_done("transit", "creek", days=335.0)], Stand.DUE),
        ([_done("transit", "creek", days=364.9)], Stand.DUE),
        ([_done("transit", "creek", days=365.0)], Stand.EXPIRED),
        ([_done("transit", "creek", section="0" * 16)], Stand.CHANGED),
        ([_done("transit", "creek", days=5.0), _done("transit", "creek", days=400.0)], Stand.VALID),
        ([_done("transit", "creek", days=5.0, verdict="FAILED"), _done("transit", "creek", days=40.0)], Stand.FAILED),
        ([_done("transit", "bridge")], Stand.MISSING),
    ],
)
def test_how_a_step_stands(done: list[Done], stand: Stand) -> None:
    """The newest counts, for a year, until the part of the site that it is about is written anew."""
    assert _of(_site("transit"), done).stand is stand


def test_thirty_days_notice_before_fertiliser_is_kept_out() -> None:
    """Guards the crop: people are told thirty days before, and then that there is none."""
    site = _site("transit.creek", transit=90)
    for days, words in ((59.0, ""), (61.0, "runs out on 2026-12-19"), (91.0, "no fertiliser until it is done")):
        told = notices_of(standings(site, [_done("transit", "creek", days=days)], NOW))
        assert len(told) == bool(words) and words in "".join(told)
        assert bool(bars_of(site, [_done("transit", "creek", days=days)], NOW)) is (days > 90.0)


@pytest.mark.parametrize(
    ("required", "blocks", "channels", "is_barred"),
    [
        ("transit.creek", ("creek",), ("a",), True),
        ("transit.creek", ("bridge",), ("a",), False),
        ("transit", ("bridge",), ("a",), True),
        ("injector.b", ("creek",), ("a",), False),
        ("injector.b", ("creek",), ("a", "b"), True),
        ("meter", ("creek",), ("a",), True),
        ("proof.burst", ("river",), ("b",), True),
    ],
)
def test_a_bar_concerns_what_it_is_about(
    required: str, blocks: tuple[str, ...], channels: tuple[str, ...], is_barred: bool
) -> None:
    """A block's step its runs, an injector's those through it, anything else every one."""
    assert bool(barring(bars_of(_site(required), [], NOW), blocks, channels)) is is_barred


def test_nothing_is_required_unless_the_site_says_so() -> None:
    """And what it asks for that there is nothing of bars everything, and is told."""
    assert bars_of(_site(), [], NOW) == () and notices_of(standings(_site(), [], NOW)) == ()
    site = _site("transit.creeek", "proof.burst")
    assert unknown_required(site) == ("transit.creeek",)
    bars = bars_of(site, [_done("proof", "burst")], NOW)
    assert [bar.why for bar in bars] == ["commissioning.required: there is no transit.creeek"]
    assert barring(bars, ("creek",), ("a",))

"""Where the commissioning stands: what is valid, due, out of date, failed or missing, and what that holds up."""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from enum import Enum
from typing import Final, NamedTuple

from daemon.commissioning.step import Step, Verdict
from daemon.commissioning.steps import STEPS
from daemon.planning.bars import Bar
from daemon.site import Site, section_digest

NOTICE_DAYS: Final = 30
"""Before a result runs out, everybody is told."""


class Stand(Enum):
    """How one step of one subject stands."""

    VALID = "valid"
    DUE = "due"
    """Valid, and runs out within the notice."""
    EXPIRED = "out of date"
    CHANGED = "the site file was changed since"
    FAILED = "failed"
    MISSING = "never done"


_GOOD: Final = (Stand.VALID, Stand.DUE)


class Done(NamedTuple):
    """One accepted attempt."""

    step: str
    subject: str
    section: str
    at_ms: int
    """Milliseconds since 1970-01-01 UTC."""
    verdict: str


class Standing(NamedTuple):
    """One step of one subject."""

    step: Step
    subject: str
    stand: Stand
    is_required: bool
    done_at: datetime | None
    valid_until: datetime | None

    @property
    def holds_up(self) -> bool:
        """Whether it keeps fertiliser out."""
        return self.is_required and self.stand not in _GOOD

    @property
    def told(self) -> str:
        """In words, with what to do."""
        name = f"{self.step.title.lower()} of {self.subject}"
        if self.stand is Stand.DUE and self.valid_until is not None:
            return f"{name} runs out on {self.valid_until:%Y-%m-%d}: repeat it before then"
        return f"{name}: {self.stand.value}"


def standings(site: Site, done: Sequence[Done], now: datetime) -> tuple[Standing, ...]:
    """Return how every step of every subject stands. `done` is in any order; the newest of each counts."""
    newest: dict[tuple[str, str], Done] = {}
    for one in sorted(done, key=lambda one: one.at_ms):
        newest[one.step, one.subject] = one
    return tuple(
        _standing(site, step, subject, newest.get((step.name, subject)), now)
        for step in STEPS.values()
        for subject in step.subjects(site)
    )


def _standing(site: Site, step: Step, subject: str, done: Done | None, now: datetime) -> Standing:
    wanted = site.commissioning.required
    is_required = step.name in wanted or f"{step.name}.{subject}" in wanted
    if done is None:
        return Standing(step, subject, Stand.MISSING, is_required, None, None)
    at = datetime.fromtimestamp(done.at_ms / 1000.0, UTC)
    until = at + timedelta(days=site.commissioning.valid_days.get(step.name, step.valid_days))
    if done.verdict == Verdict.FAILED.value:
        stand = Stand.FAILED
    elif done.section != section_digest(step.parts(site, subject)):
        stand = Stand.CHANGED
    elif now >= until:
        stand = Stand.EXPIRED
    else:
        stand = Stand.DUE if now >= until - timedelta(days=NOTICE_DAYS) else Stand.VALID
    return Standing(step, subject, stand, is_required, at, until)


def unknown_required(site: Site) -> tuple[str, ...]:
    """Return what the site file asks for that there is nothing of: a step of a block that it has not."""
    known = {
        name for step in STEPS.values() for name in (step.name, *(f"{step.name}.{s}" for s in step.subjects(site)))
    }
    return tuple(name for name in site.commissioning.required if name not in known)


def bars_of(site: Site, done: Sequence[Done], now: datetime) -> tuple[Bar, ...]:
    """Return what keeps fertiliser out of which runs."""
    if not site.commissioning.required:
        return ()
    unknown = [Bar(f"commissioning.required: there is no {name}") for name in unknown_required(site)]
    return (*unknown, *(_bar(site, one) for one in standings(site, done, now) if one.holds_up))


def _bar(site: Site, standing: Standing) -> Bar:
    subject = standing.subject
    if standing.step.name == "injector":
        return Bar(standing.told, channel=subject)
    return Bar(standing.told, block=subject if subject in site.block else "")


def notices_of(found: Iterable[Standing]) -> tuple[str, ...]:
    """Return what people are told before fertiliser is kept out: what is required and runs out soon, or has."""
    return tuple(
        f"Commissioning: {one.told}" + (": no fertiliser until it is done." if one.holds_up else ".")
        for one in found
        if one.is_required and one.stand is not Stand.VALID
    )

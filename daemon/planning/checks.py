"""What a plan was checked for, and the refusal that says every reason."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Check:
    """One thing the plan was checked for."""

    what: str
    passed: bool
    reason: str
    warns: bool = False
    """It passed, and somebody should read its reason before the run."""


class PlanError(Exception):
    """The run cannot be planned. Says every reason and what to do."""

    code = "plan.refused"

    def __init__(self, checks: tuple[Check, ...]) -> None:
        super().__init__("; ".join(check.reason for check in checks if not check.passed))
        self.checks = checks


def warning(what: str, reason: str) -> Check:
    """Return a check that passed and warns."""
    return Check(what, True, reason, warns=True)


def refused(what: str, reason: str) -> PlanError:
    """Return the refusal for one reason."""
    return PlanError((Check(what, False, reason),))

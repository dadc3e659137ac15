"""What a plan was checked for, and the refusal that says every reason."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Check:
    """One thing the plan was checked for."""

    what: str
    passed: bool
    reason: str


class PlanError(Exception):
    """The run cannot be planned. Says every reason and what to do."""

    code = "plan.refused"

    def __init__(self, checks: tuple[Check, ...]) -> None:
        super().__init__("; ".join(check.reason for check in checks if not check.passed))
        self.checks = checks


def refused(what: str, reason: str) -> PlanError:
    """Return the refusal for one reason."""
    return PlanError((Check(what, False, reason),))

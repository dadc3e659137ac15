"""Refusals: roles that may only look, and commands that meet one that came first in the same scan."""

import pytest

from daemon.control.lease import BYPASS, FORCE, Lease
from daemon.control.requests import Request
from daemon.control.states import Phase, UnitMode
from daemon.messages import DAEMON, TECHNICIAN, Verb
from tests.daemon.control.plant import Rig, reached, short_recipe, small

_FORCED = Lease("l1", FORCE, "valve.creek", True, 60.0, "Mira", "a look")
_SET_ASIDE = Lease("l2", BYPASS, "injector-rate", True, 60.0, "Theo", "a new meter")


def _may_not(rig: Rig, *requests: Request) -> list[str]:
    return [answer.reason for answer in rig.scan(*requests).answers if not answer.accepted]


def test_whoever_may_only_look_may_still_stop() -> None:
    """Guards invariant 11 and the roles: a viewer's hold is refused, a viewer's stop is not."""
    rig = reached(Phase.INJECT)
    (reason,) = _may_not(rig, Request("h", Verb.HOLD, role="viewer"))
    assert "The role viewer may not ask for this" in reason
    assert not _may_not(rig, Request("s", Verb.STOP_EVERYTHING, role="viewer"))


def test_the_daemon_itself_may_only_start_and_stop() -> None:
    """Guards the timetable's role: it forces, resets and changes nothing."""
    (reason,) = _may_not(Rig(small()), Request("m", Verb.MODE, mode=UnitMode.MANUAL, role=DAEMON))
    assert reason == "Only a person may ask for this."


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (
            Request("m1", Verb.MODE, mode=UnitMode.MANUAL),
            Request("m2", Verb.MODE, mode=UnitMode.OUT_OF_SERVICE),
        ),
        (Request("s", Verb.START, (short_recipe(),)), Request("m", Verb.MODE, mode=UnitMode.MANUAL)),
        (Request("m", Verb.MODE, mode=UnitMode.MANUAL), Request("s", Verb.START, (short_recipe(),))),
        (Request("m", Verb.MODE, mode=UnitMode.MANUAL), Request("f", Verb.FORCE, lease=_FORCED)),
        (Request("r", Verb.RELEASE), Request("f", Verb.FORCE, lease=_FORCED)),
        (Request("x", Verb.STOP_EVERYTHING), Request("b", Verb.BYPASS, role=TECHNICIAN, lease=_SET_ASIDE)),
    ],
)
def test_what_an_earlier_command_of_the_scan_rules_out_is_refused(first: Request, second: Request) -> None:
    """Guards commands of one scan: nothing is granted that the one before would end in the same breath."""
    (reason,) = _may_not(rig := Rig(small()), first, second)
    assert reason == "Refused: another command came first. Ask again."
    assert not rig.state.leases


def test_a_mode_that_is_so_already_is_no_change() -> None:
    """Guards MODE: asking for the mode that is so ends no lease and is not refused, not even in a run."""
    rig = reached(Phase.INJECT)
    assert not _may_not(rig, Request("m", Verb.MODE, mode=rig.state.unit.mode))
    assert _may_not(rig, Request("o", Verb.MODE, mode=UnitMode.MANUAL))

"""A state machine of Hypothesis on the core: whatever comes next, the invariants hold on every scan and after a crash.

Where random nights play whole nights that must come to an end, here every step depends on nothing but chance: time
passes, commands come, faults come and go, the button is pressed, the controller dies and starts again.
"""

from collections import Counter

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import Phase as Stage
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule, run_state_machine_as_test

from daemon.control.image import SAFE
from daemon.control.interlocks import MATRIX
from daemon.control.lease import FORCE, Lease
from daemon.control.requests import Request
from daemon.control.states import ACTIVE
from daemon.evidence import RunEnded
from daemon.messages import Verb
from tests.daemon.control.plant import Rig, changed, short_recipe, small
from tests.daemon.control.spec import Watch
from tests.daemon.control.test_random_nights import FAULTS, clear
from tests.daemon.control.test_recovery import crash
from tests.figures import record

_PLAIN = [
    verb for verb in Verb if verb not in (Verb.START, Verb.MODE, Verb.FORCE, Verb.BYPASS, Verb.SHELVE, Verb.UNSHELVE)
]
"""Verbs that say all by themselves."""
_LATCHED = frozenset(row.code for row in MATRIX if row.latched)
_STEPS_A_RUN = 100
_CRASH = "crashed while loaded"
_MET = (
    "scans",
    "injector on",
    "injector opened",
    "flush owed",
    "forced off while injecting",
    "latched siphon",
    "crashed",
    _CRASH,
    "reading gone BAD",
)


class _Machine(RuleBasedStateMachine):
    """The small plant under chance."""

    counts: Counter[str]
    """Shared by all runs of one test."""

    def __init__(self) -> None:
        super().__init__()
        self.rig = Rig(small())
        self.rig.watch = Watch(self.counts, every=29)
        self._number = 0

    def _start(self) -> Request:
        self._number += 1
        return Request(f"start-{self._number}", Verb.START, (changed(short_recipe(), run=f"run-{self._number}"),))

    @rule(scans=st.sampled_from((1, 1, 2, 3, 6, 12, 30)), dt_s=st.sampled_from((1.0, 1.0, 1.0, 0.2, 2.0, 5.0, 0.0)))
    def time_passes(self, scans: int, dt_s: float) -> None:
        self.counts["steps"] += 1
        self.rig.scans(scans, dt_s)

    @rule()
    def goes_on_for_long(self) -> None:
        self.counts["steps"] += 1
        self.rig.scans(70)

    @rule(verbs=st.lists(st.sampled_from(_PLAIN), max_size=2), is_started=st.booleans())
    def commands_come(self, verbs: list[Verb], is_started: bool) -> None:
        """Several in one scan, a START among them or not."""
        self.counts["steps"] += 1
        self.rig.scan(*((self._start(),) if is_started else ()), *verbs)

    @rule()
    def a_run_is_wanted(self) -> None:
        """With everything well: else too few runs come far."""
        self.counts["steps"] += 1
        clear(self.rig)
        if self.rig.state.unit.procedure not in ACTIVE:
            self.rig.press_reset()
            self.rig.scan(Verb.RESET)
        self.rig.scan(self._start())
        self.rig.scans(40)

    @rule(
        name=st.sampled_from(list(FAULTS)), scans=st.sampled_from((1, 2, 5, 15)), stays=st.sampled_from((False, True))
    )
    def something_fails(self, name: str, scans: int, stays: bool) -> None:
        self.counts["steps"] += 1
        FAULTS[name](self.rig)
        self.rig.scans(scans)
        if not stays:
            clear(self.rig)

    @rule(held=st.sampled_from(("valve.creek", "pump", "injector.a")), left_s=st.sampled_from((3.0, 30.0, 300.0)))
    def somebody_holds_an_output_off(self, held: str, left_s: float) -> None:
        """Perhaps one that a run wants; the lease is over after a while."""
        self.counts["steps"] += 1
        self._number += 1
        lease = Lease(f"force-{self._number}", FORCE, held, False, left_s, "test", "a look")
        self.rig.scan(Request(lease.id, Verb.FORCE, lease=lease))
        self.rig.scans(2)

    @rule()
    def everything_is_mended(self) -> None:
        self.counts["steps"] += 1
        clear(self.rig)
        self.rig.scan()

    @rule()
    def the_button_is_pressed(self) -> None:
        self.counts["steps"] += 1
        self.rig.press_reset()

    @rule(down_s=st.sampled_from((2.0, 60.0, 3600.0)))
    def the_controller_dies(self, down_s: float) -> None:
        """Invariants 2 and 6: first of all everything is off; what lay in the pipes is owed; the run is closed once."""
        self.counts["steps"] += 1
        before = self.rig
        owed = {(owed.segment, owed.stock) for owed in before.state.lines.owed}
        is_active = before.state.unit.procedure in ACTIVE
        self.rig, rows = crash(before, down_s)
        self.counts["crashed"] += 1
        self.counts[_CRASH] += bool(owed)
        assert owed <= {(owed.segment, owed.stock) for owed in self.rig.state.lines.owed}
        assert sum(isinstance(row, RunEnded) for row in rows) == is_active
        assert self.rig.state.guard.active >= {code for code in before.state.guard.active if code in _LATCHED}
        assert self.rig.state.unit.procedure not in ACTIVE
        # What recovery said stands in the new rig's record too: the next crash reads it.
        self.rig.rows[:] = [*before.rows, *rows]
        self.rig.watch = Watch(self.counts, every=29)
        assert self.rig.scan().outputs == SAFE


def _run(steps: int) -> Counter[str]:
    counts = Counter[str]()

    class Machine(_Machine):
        pass

    Machine.counts = counts
    run_state_machine_as_test(
        Machine,
        settings=settings(
            derandomize=True,
            database=None,
            deadline=None,
            max_examples=-(-steps // _STEPS_A_RUN),
            stateful_step_count=_STEPS_A_RUN,
            phases=(Stage.generate,),
            report_multiple_bugs=False,
            suppress_health_check=list(HealthCheck),
        ),
    )
    return counts


def test_a_thousand_steps() -> None:
    """Guards invariants 1, 2, 3, 4, 6, 8, 10 and 11 in every order of events."""
    assert _run(1_000)["steps"] >= 600


@pytest.mark.proof
def test_twenty_thousand_steps() -> None:
    """Guards the same, and that each rule was tried."""
    counts = _run(24_000)
    assert counts["steps"] >= 20_000
    assert {rule: counts[rule] for rule in _MET if counts[rule] < 20} == {}


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_half_a_million_steps() -> None:
    """Guards the same, recorded."""
    counts = _run(550_000)
    assert counts["steps"] >= 500_000
    record(
        "stateful",
        claim="the core in any order of time, commands, faults, presses and crashes (Hypothesis stateful)",
        test="tests/daemon/control/test_stateful.py",
        aim="20,000 steps in CI, 500,000 recorded, 0 violations",
        reached=f"{counts['steps']:,} steps, {counts['scans']:,} scans, {counts['crashed']:,} crashes of which "
        f"{counts[_CRASH]:,} with stock in the pipes, {counts['injector opened']:,} openings; 0 violations",
        limit="random; one block, one channel",
    )

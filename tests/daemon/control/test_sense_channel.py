"""One injection channel's senses: silence, what flows while it is off, its counter's leaps, and its tank's level."""

import math

import pytest

from daemon.control.image import ChannelImage, ChannelOutput, Now
from daemon.control.sense_channel import ChannelFacts, ChannelSense, sense_channel
from daemon.control.tank_rest import TankRest
from drivers.reading import Quality, Reading
from tests.daemon.control.plant import changed, small

_ON = ChannelOutput(valve=True, run=True, drive=0.5)
_REST = ChannelOutput(valve=True)
_EACH_L = 0.01
_FULL_L_H = 500.0


class _Channel:
    """A meter of 10 mL a count and a level, read scan by scan."""

    def __init__(self) -> None:
        self.memory = ChannelSense()
        self.counts = 1000
        self.level_l = 600.0
        self.at_s = 100.0
        self.is_meter_bad = False
        self.is_level_bad = False
        self.is_reset = False

    def scan(
        self,
        held: ChannelOutput | None = None,
        counts: int = 0,
        *,
        dt_s: float = 1.0,
        is_auto: bool = True,
        is_obeyed: bool = True,
        is_tank_at_rest: bool = False,
    ) -> ChannelFacts:
        self.counts += counts
        self.at_s += dt_s
        seen = ChannelImage(
            self._reading(self.counts * _EACH_L, self.is_meter_bad), self._reading(self.level_l, self.is_level_bad)
        )
        now = Now(dt_s, self.at_s)
        self.memory, facts, self.is_reset = sense_channel(
            small(), "a", self.memory, seen, held, is_auto, is_obeyed, is_tank_at_rest, now
        )
        return facts

    def _reading(self, value: float, is_bad: bool) -> Reading:
        return Reading(math.nan, Quality.BAD, self.at_s) if is_bad else Reading(value, Quality.GOOD, self.at_s)


def _read() -> _Channel:
    channel = _Channel()
    channel.scan()
    return channel


def test_an_injector_is_silent_for_as_long_as_it_is_on_and_counts_nothing() -> None:
    """Guards the stroke window: any count, a closed valve or a meter that cannot be read begin it anew."""
    channel = _read()
    assert [channel.scan(_ON).silent_s for _ in range(3)] == [1.0, 2.0, 3.0]
    assert channel.scan(_ON, 1).silent_s == 0.0
    assert channel.scan(_ON, dt_s=2.5).silent_s == 2.5
    channel.is_meter_bad = True
    assert channel.scan(_ON).silent_s == 0.0
    channel.is_meter_bad = False
    assert channel.scan(_ON).silent_s == 1.0
    assert channel.scan().silent_s == 0.0, "off"


def test_a_pump_that_rests_between_strokes_is_not_silent_for_longer() -> None:
    """Guards a pump that is paced by its on-time: over its rests the silence neither grows nor is forgotten."""
    channel = _read()
    channel.scan(_ON)
    assert [channel.scan(_REST).silent_s for _ in range(3)] == [1.0, 1.0, 1.0]
    assert channel.scan(_ON).silent_s == 2.0


@pytest.mark.parametrize(("counts", "idle_l_h"), [(3, 0.0), (4, 4 * _EACH_L * 60.0)])
def test_a_siphon_is_more_than_three_counts_in_a_minute(counts: int, idle_l_h: float) -> None:
    """Guards the siphon's window: a minute with the injector off, and a valve that settles is none."""
    channel = _read()
    channel.scan(counts=counts)
    seen = [channel.scan().idle_l_h for _ in range(59)]
    assert set(seen[:-2]) == {0.0}
    assert max(seen) == pytest.approx(idle_l_h)
    assert [channel.scan().idle_l_h for _ in range(58)] == [pytest.approx(idle_l_h)] * 58, "until the next window"
    assert [channel.scan().idle_l_h for _ in range(3)][-1] == 0.0


def test_what_is_counted_right_after_it_was_on_is_no_siphon() -> None:
    """Guards the tail of an injection: the first scan after it may still show what was let in."""
    channel = _read()
    channel.scan(_ON, 10)
    channel.scan(None, 10)
    assert max(channel.scan().idle_l_h for _ in range(60)) == 0.0


@pytest.mark.parametrize("how", [{"is_auto": False}, {"is_obeyed": False}])
def test_what_a_hand_or_a_lost_module_lets_in_is_no_siphon(how: dict[str, bool]) -> None:
    """Guards rule 7: with the selector elsewhere, or outputs that are not known, what flows has another cause."""
    channel = _read()
    assert max(channel.scan(None, 1, **how).idle_l_h for _ in range(70)) == 0.0
    channel.scan(None, 10)
    assert max(channel.scan().idle_l_h for _ in range(60)) == 0.0, "and the first scan after it may be of that time"


def test_a_hand_begins_the_window_anew_and_a_lost_module_stops_it() -> None:
    """Guards what is known of a siphon: after a hand it must be seen for a whole minute, after a gap for the rest."""
    hand, gap = _read(), _read()
    for channel in (hand, gap):
        channel.scan(counts=30)
        for _ in range(30):
            channel.scan()
    hand.scan(is_auto=False)
    gap.scan(is_obeyed=False)
    assert max(gap.scan().idle_l_h for _ in range(30)) > 0.0
    assert max(hand.scan().idle_l_h for _ in range(30)) == 0.0


def test_a_count_that_comes_while_the_meter_was_away_is_of_the_time_it_was_on() -> None:
    """Guards a meter that is lost as the injector stops: what it shows when it is back was let in, and no siphon."""
    channel = _read()
    channel.scan(_ON, 5)
    channel.is_meter_bad = True
    for _ in range(5):
        channel.scan()
    channel.is_meter_bad = False
    channel.scan(None, 20)
    assert max(channel.scan().idle_l_h for _ in range(70)) == 0.0
    channel.scan(None, 20)
    assert max(channel.scan().idle_l_h for _ in range(70)) > 0.0


@pytest.mark.parametrize(("gap_s", "extra", "is_leap"), [(1.0, -1, False), (1.0, 1, True), (10.0, -1, False)])
def test_a_leap_is_ten_times_what_the_injector_can_make(gap_s: float, extra: int, is_leap: bool) -> None:
    """Guards the counter: more than ten times its highest rate since it was last read, and three counts, is a reset."""
    channel = _read()
    most = round(10.0 * _FULL_L_H / 3600.0 * gap_s / _EACH_L + 3.0)
    facts = channel.scan(_ON, most + extra, dt_s=gap_s)
    assert facts.leaps is channel.is_reset is is_leap
    assert facts.moved_l == (0.0 if is_leap else pytest.approx((most + extra) * _EACH_L))


def test_what_was_missed_in_a_gap_is_counted_after_it() -> None:
    """Guards invariant 7: a meter that was away has its litres booked when it is back, and they are no leap."""
    channel = _read()
    channel.is_meter_bad = True
    for _ in range(20):
        facts = channel.scan(_ON, 14)
        assert not facts.meter_good and facts.moved_l == 0.0 and not facts.leaps and not channel.is_reset
    channel.is_meter_bad = False
    facts = channel.scan(_ON, 14)
    assert facts.meter_good and facts.moved_l == pytest.approx(21 * 14 * _EACH_L) and not facts.leaps


_STEP_L = 2.0 * 0.005 * 1200.0 + 2.0 * _FULL_L_H / 3600.0
"""Twice what a level of 0.5 % of 1200 L may be off by, and what the injector draws in two scans: 12.28 L."""


@pytest.mark.parametrize(("step_l", "has_jumped"), [(_STEP_L - 0.1, False), (_STEP_L + 0.1, True)])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_level_that_steps_while_injecting_is_not_believed(step_l: float, has_jumped: bool, sign: float) -> None:
    """Guards the tank's level: up or down further than it can, it is in doubt until it has been steady for ten."""
    channel = _read()
    channel.scan(_ON)
    channel.level_l += sign * step_l
    facts = channel.scan(_ON)
    assert facts.content_jumped is has_jumped and facts.content_good is not has_jumped
    assert facts.content_l == (0.0 if has_jumped else channel.level_l)
    if has_jumped:
        seen = [channel.scan(_ON).content_jumped for _ in range(11)]
        assert seen == [True] * 9 + [False] * 2


def test_a_level_that_steps_with_the_injector_off_is_a_tank_being_filled() -> None:
    """Guards charging: somebody who pours in stock between runs raises no doubt."""
    channel = _read()
    channel.level_l += 300.0
    facts = channel.scan()
    assert facts.content_good and not facts.content_jumped and facts.content_l == channel.level_l


def test_a_tank_rests_while_its_level_is_read_and_nothing_draws_from_it() -> None:
    """Guards the slow leak: a level that is away adds no time to the rest, and what draws from the tank ends it."""
    channel = _read()
    assert channel.memory.rest == TankRest()
    rests_s = []
    for is_bad in (False, False, True, True, False):
        channel.is_level_bad = is_bad
        channel.scan(is_tank_at_rest=True)
        rests_s.append(channel.memory.rest.rests_s)
    assert rests_s == [1.0, 2.0, 2.0, 2.0, 3.0]
    channel.scan()
    assert channel.memory.rest == TankRest()


def test_a_level_that_goes_on_jumping_stays_in_doubt() -> None:
    """Guards a loose wire: each new step begins the ten seconds anew, with the injector off by then."""
    channel = _read()
    channel.scan(_ON)
    for sign in (1.0, -1.0, 1.0):
        channel.level_l += sign * 50.0
        assert channel.scan(None if sign < 0.0 else _ON).content_jumped
        assert all(channel.scan().content_jumped for _ in range(8))
    assert [channel.scan().content_jumped for _ in range(3)] == [True, False, False]


def test_a_level_that_is_bad_proves_nothing_and_leaves_the_last_one() -> None:
    """Guards a lost level: no content, no jump by being away, and a jump seen when it is back elsewhere."""
    channel = _read()
    channel.scan(_ON)
    channel.is_level_bad = True
    facts = channel.scan(_ON)
    assert not facts.content_good and not facts.content_jumped and facts.content_l == 0.0
    channel.is_level_bad = False
    assert channel.scan(_ON).content_good
    channel.is_level_bad = True
    channel.scan(_ON)
    channel.is_level_bad, channel.level_l = False, channel.level_l - 100.0
    assert channel.scan(_ON).content_jumped


def test_the_rate_is_judged_only_of_a_counter_that_was_not_reset() -> None:
    """Guards the band: a counter that is set back ends the window under way, and says nothing of the pump."""
    channel = _read()
    for _ in range(40):
        channel.scan(_ON, 7)
    assert channel.memory.rate.on_s == pytest.approx(40.0)
    channel.counts = 0
    assert channel.scan(_ON).leaps
    assert channel.memory.rate.on_s == 0.0


def test_without_an_output_the_channel_is_shut() -> None:
    """Guards the safe set: a channel that no output speaks of has its injector off."""
    channel, shut = _read(), _read()
    assert changed(channel.scan(None, 2)) == changed(shut.scan(ChannelOutput(), 2))


def test_a_meter_that_counts_litres_itself_leaps_by_its_rate_alone() -> None:
    """Guards a meter without counts of a size: ten times the injector's highest rate, and no count on top."""
    site = small().site
    meter = site.injector["a"].meter.model_copy(update={"per_count": None})
    injector = site.injector["a"].model_copy(update={"meter": meter})
    plant = changed(small(), site=site.model_copy(update={"injector": {"a": injector}}))
    most_l = 10.0 * _FULL_L_H / 3600.0
    for litres, is_leap in ((most_l - 0.4, False), (most_l + 1.6, True)):
        seen = [
            ChannelImage(Reading(value, Quality.GOOD, at_s), Reading(600.0, Quality.GOOD, at_s))
            for at_s, value in ((100.0, 50.0), (101.0, 50.0 + litres))
        ]
        told = (_ON, True, True, False)
        memory, _, is_first = sense_channel(plant, "a", ChannelSense(), seen[0], *told, Now(1.0, 100.0))
        _, facts, is_reset = sense_channel(plant, "a", memory, seen[1], *told, Now(1.0, 101.0))
        assert not is_first and is_reset is facts.leaps is is_leap

"""Group M of the chaos list: what a Modbus TCP link may do, in each phase, on the bus of each kind of device.

Invariants 1, 2, 4 and 7 in the plant's own truth: the injector is off within two scans where a sensor's bus is lost and
within the module's own time-out where the relays' is; nothing restarts by itself; a link that comes back soon costs no
water.
"""

import asyncio
import contextlib
import itertools
import math
import random
from collections.abc import AsyncIterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
import uvloop

from daemon.cli.simulator import Simulator
from daemon.control.states import Phase, ProcedureState
from daemon.evidence import Event, RunEnded
from sim.wire_faults import EXCEPTIONS
from sim.wire_proxy import Strike, WireProxy
from tests.chaos.plants import (
    LONGEST,
    READS_CLOCK,
    SCAN_S,
    TINY_PIPES,
    WATCHDOG_S,
    ChaosPlant,
    Seen,
    chaos_plant,
    nothing,
)
from tests.chaos.rewriting import Change, Registers, echo, misread, rewritten
from tests.night.spoilt import WRITE_COILS

pytestmark = pytest.mark.chaos

_SENSORS_S, _RELAYS_S = 2.0 * SCAN_S, WATCHDOG_S + 2.0 * SCAN_S
"""From the fault until the injector has no energy, by whose bus is lost."""
_STILL_S = 20.0
"""Until a totaliser that stands is known to: 5 s, and three of its 10 L at the least flow of 15 m3/h; and slack."""
_FROZEN_S = 5.0 + 4.0 * SCAN_S
_SILENCED_S = 10.0 + WATCHDOG_S
"""Until a module that was left in silence has dropped its outputs by itself."""
_WELL_AGAIN = 12
_COUNT1, _UPTIME = 8, 2
"""Where the counts begin in what the signal block shows, and the relay block's own clock in what that shows."""
_MOST_WATER_ML = 4_000_000
"""Nearly three times the plan."""
_RUN_PULSES, _RUN_COUNTS = 150, 310
"""Counts of water and of stock that a run makes."""
_METERS_WINDOW = 60
_SHORT = 3
"""Scans of a fault that is soon over."""
Form = tuple[str, int]
"""A wire fault and which of its forms."""


def _off_within(seen: Seen, limit_s: float) -> None:
    """Invariant 1: in INJECT commanded off within two scans and without energy in time; off all along in any other."""
    if seen.phase is Phase.INJECT:
        assert seen.commanded_off_s <= _SENSORS_S, seen
        assert seen.off_s <= limit_s, seen
    else:
        assert seen.off_s <= SCAN_S, seen


class _Form(Strike):
    """A strike that keeps to one form of its fault, where others go through all of them."""

    def hits(self, request: bytes) -> bool:
        """Return whether this transaction is to be spoilt."""
        is_hit = Strike.hits(self, request)
        self.turn -= is_hit and self.struck > 1
        return is_hit


def _lose(plant: ChaosPlant, bus: str, form: Form) -> Strike:
    strike = _Form(form[0], turn=form[1])
    plant.spoilt.proxies[bus].strike = strike
    return strike


async def _in_each_phase(folder: Path, lasting: list[Form], brief: list[Form]) -> None:
    """Lose each bus in each phase: for good by the lasting forms in turn, and for a moment by each brief one."""
    async with chaos_plant(folder) as plant:
        forms = itertools.cycle(lasting)
        for phase in Phase:
            for bus, limit_s in (("signals", _SENSORS_S), ("relays", _RELAYS_S)):
                await _lost_for_good(plant, phase, bus, next(forms), limit_s)
        for form in brief:
            await _lost_for_a_moment(plant, form)


async def _lost_for_good(plant: ChaosPlant, phase: Phase, bus: str, form: Form, limit_s: float) -> None:
    strikes = []

    async def lose() -> None:
        strikes.append(_lose(plant, bus, form))

    seen = await plant.faulty_run(phase, lose)
    assert strikes[0].struck
    _off_within(seen, limit_s)
    assert seen.on_again_s == math.inf, "the injector came back while the bus was lost"


async def _lost_for_a_moment(plant: ChaosPlant, form: Form) -> None:
    """In every phase of one run each bus is lost for a few scans: no wrong value, all of the water, the whole run."""
    await plant.spoilt.start_run()
    for phase in Phase:
        await plant.until(phase)
        for bus, scans in (("signals", _SHORT), ("relays", 1)):
            strike = _lose(plant, bus, form)
            plant.spoilt.compares = bus == "signals"
            await plant.scans(scans)
            plant.spoilt.compares = False
            assert strike.struck
            plant.spoilt.calm()
            await plant.scans(_WELL_AGAIN)
    run = await plant.to_the_end()
    assert run.water_l >= run.recipe.water_l
    assert not plant.spoilt.wrong


async def _changed_in_each_phase(
    plant: ChaosPlant, bus: str, change: Change, *, for_scans: int = LONGEST
) -> list[Seen]:
    """Run once with the fault in each phase: a device whose replies are changed so."""
    return [await _changed(plant, bus, change, phase, for_scans=for_scans) for phase in Phase]


async def _changed(plant: ChaosPlant, bus: str, change: Change, phase: Phase, *, for_scans: int = LONGEST) -> Seen:
    with ExitStack() as lie:

        async def begin() -> None:
            lie.enter_context(misread(plant.spoilt, bus, change))

        async def end() -> None:
            lie.close()

        return await plant.faulty_run(phase, begin, for_scans=for_scans, mend=end)


@pytest.mark.proof
def test_m1_dropped_before_send_after_send_and_in_mid_frame(tmp_path: Path) -> None:
    """The request is lost, its reply is, or the connection ends in the middle of it."""
    forms = [("lost_request", 0), ("lost_reply", 0), ("cut", 24)]
    uvloop.run(_in_each_phase(tmp_path, forms, forms))


@pytest.mark.proof
def test_m2_delayed_by_half_one_and_two_time_outs(tmp_path: Path) -> None:
    """What comes within the time-out is taken, what comes later is not."""
    uvloop.run(_in_each_phase(tmp_path, [("late", 2)], [("late", 0), ("late", 1), ("late", 2)]))


@pytest.mark.proof
def test_m3_a_late_reply_lands_during_the_next_request(tmp_path: Path) -> None:
    """Each third reply comes two time-outs late, among the replies to what was asked meanwhile: none is mistaken."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            plant.spoilt.compares = True
            for bus in plant.spoilt.proxies:
                await plant.spoilt.start_run()
                plant.spoilt.proxies[bus].strike = _Form("late", turn=2, every=3)
                await plant.to_the_end(any_end=True)
                plant.spoilt.calm()
                plant.spoilt.compares = bus == "signals"
                await plant.make_well()
            assert plant.spoilt.compared > 1000 and not plant.spoilt.wrong

    uvloop.run(night())


def test_m4_garbage_bytes(tmp_path: Path) -> None:
    """Noise, text, a length beyond the frame; the right reply with noise behind it may be taken."""
    forms = [("garbage", turn) for turn in range(4)]
    uvloop.run(_in_each_phase(tmp_path, forms[:3], forms))


def test_m5_wrong_unit(tmp_path: Path) -> None:
    """The reply is another unit's."""
    uvloop.run(_in_each_phase(tmp_path, [("wrong_unit", 0)], [("wrong_unit", 0)]))


def test_m6_wrong_transaction_id(tmp_path: Path) -> None:
    """The next one's, the last one's, and one far off."""
    forms = [("wrong_transaction", turn) for turn in range(3)]
    uvloop.run(_in_each_phase(tmp_path, forms, forms))


def test_m7_wrong_function_code(tmp_path: Path) -> None:
    """A neighbouring function's, which a client that does not check takes for good."""
    uvloop.run(_in_each_phase(tmp_path, [("wrong_function", 0)], [("wrong_function", 0)]))


def test_m8_short_and_long_register_list(tmp_path: Path) -> None:
    """A register fewer and one more, in frames that say so."""
    forms = [("wrong_length", 0), ("wrong_length", 1)]
    uvloop.run(_in_each_phase(tmp_path, forms, forms))


def test_m9_write_echo_with_other_value_and_other_address(tmp_path: Path) -> None:
    """The device has it and confirms something else."""
    forms = [("wrong_echo", 0), ("wrong_echo", 1)]
    uvloop.run(_in_each_phase(tmp_path, forms, forms))


def test_m10_read_reply_to_a_write(tmp_path: Path) -> None:
    """And a write's echo to a read."""
    uvloop.run(_in_each_phase(tmp_path, [("other_kind", 0)], [("other_kind", 0)]))


def test_m11_every_exception(tmp_path: Path) -> None:
    """01 02 03 04 05 06 0A 0B; after some of them the device has done what it was asked."""
    forms = [("exception", turn) for turn in range(len(EXCEPTIONS))]
    uvloop.run(_in_each_phase(tmp_path, forms, forms))


@pytest.mark.proof
def test_m12_byte_drip(tmp_path: Path) -> None:
    """One byte at a time: too slow for the time-out, or just in time."""
    uvloop.run(_in_each_phase(tmp_path, [("drip", 0)], [("drip", 0), ("drip", 1)]))


@pytest.mark.proof
def test_m13_reset_half_open_and_closed(tmp_path: Path) -> None:
    """FIN, RST, and a connection on which nothing is heard any more."""
    forms = [("cut", 0), ("cut", 1), ("cut", 2)]
    uvloop.run(_in_each_phase(tmp_path, forms, forms))


@pytest.mark.proof
def test_m14_accepted_but_silent(tmp_path: Path) -> None:
    """The connection is taken, and nobody answers."""
    uvloop.run(_in_each_phase(tmp_path, [("silent", 0)], [("silent", 0)]))


class _Seats:
    """A module that has no more than one connection to give: whoever comes second is hung up on."""

    def __init__(self, proxy: WireProxy) -> None:
        self._proxy, self._serve, self._open = proxy, proxy._serve, 0
        proxy._serve = self._take  # type: ignore[method-assign]

    async def _take(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._open:
            writer.close()
            return
        self._open += 1
        try:
            await self._serve(reader, writer)
        finally:
            self._open -= 1

    async def hang_up(self) -> None:
        """End the connection of whoever has it."""
        tasks = tuple(self._proxy._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    def close(self) -> None:
        """Have seats for all again."""
        self._proxy._serve = self._serve  # type: ignore[method-assign]


@contextlib.asynccontextmanager
async def _master(port: int) -> AsyncIterator[asyncio.StreamReader]:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        yield reader
    finally:
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()


def test_m15_a_module_with_one_seat_and_a_second_master(tmp_path: Path) -> None:
    """Who comes second is hung up on and harms nobody; one that takes the seat costs the fertiliser, not the safety."""
    uvloop.run(_one_seat(tmp_path))


async def _one_seat(folder: Path) -> None:
    async with chaos_plant(folder) as plant:
        for bus, limit_s in (("signals", _SENSORS_S), ("relays", _RELAYS_S)):
            proxy = plant.spoilt.proxies[bus]
            (port,) = (link.port for link in [_endpoint(plant, bus)])
            seats = _Seats(proxy)
            await seats.hang_up()
            await plant.scans(_WELL_AGAIN)
            async with _master(port) as reader:
                assert await reader.read(1) == b"", "the second master was let in"
                assert (await plant.faulty_run(Phase.FILL, nothing)).state is ProcedureState.COMPLETE
            for phase in Phase:
                async with contextlib.AsyncExitStack() as stranger:

                    async def take(seats: _Seats = seats, stack: contextlib.AsyncExitStack = stranger) -> None:
                        await seats.hang_up()
                        await stack.enter_async_context(_master(port))  # noqa: B023
                        await asyncio.sleep(0.01)

                    seen = await plant.faulty_run(phase, take, mend=stranger.aclose)
                    _off_within(seen, limit_s)
            seats.close()


def _endpoint(plant: ChaosPlant, bus: str) -> Any:
    return plant.spoilt.service.plant.site.bus[bus]


def test_m16_the_flow_signal_stands_still(tmp_path: Path) -> None:
    """A value stuck while the totaliser's is not, or the other way round: nothing is injected on it for long."""
    uvloop.run(_stuck_counts(tmp_path))


async def _stuck_counts(folder: Path) -> None:
    async with chaos_plant(folder, counts=False) as plant:
        kept: Registers = []

        def stand_still(first: int, shown: Registers) -> Registers:
            kept[:] = kept or shown[_COUNT1 : _COUNT1 + 2]
            return [*shown[:_COUNT1], *kept, *shown[_COUNT1 + 2 :]]

        for phase in Phase:
            kept.clear()
            seen = await _changed(plant, "signals", stand_still, phase)
            assert seen.state is not ProcedureState.COMPLETE, "a run ended by litres that nobody counted"
            assert seen.alarms & {"water-count-still", "phase-too-long", "shift-too-long"}, seen
            if phase is Phase.INJECT:
                assert seen.off_s <= _STILL_S and seen.owed


def test_m16_the_modules_own_clock_stands_still(tmp_path: Path) -> None:
    """Values flow and the heartbeat does not: what is shown is old. The injector is off, and later all of it."""
    uvloop.run(_frozen_clock(tmp_path))


async def _frozen_clock(folder: Path) -> None:
    async with chaos_plant(folder, {**TINY_PIPES, **READS_CLOCK}) as plant:
        kept: Registers = []

        def stand_still(first: int, shown: Registers) -> Registers:
            kept[:] = kept or shown[_UPTIME : _UPTIME + 2]
            return [*shown[:_UPTIME], *kept, *shown[_UPTIME + 2 :]]

        for phase in Phase:
            kept.clear()
            seen = await _changed(plant, "relays", stand_still, phase)
            assert "outputs-frozen" in seen.alarms
            assert seen.state is not ProcedureState.COMPLETE
            if phase is Phase.INJECT:
                assert seen.off_s <= _FROZEN_S and seen.owed


@pytest.mark.parametrize("value", [0x7FFF, 0x8000, 0xFFFF, 0x0000], ids=hex)
def test_m17_sentinels(value: int, tmp_path: Path) -> None:
    """Every analogue input shows what is no measurement: BAD, the injector off within two scans, the water goes on."""
    uvloop.run(_sentinels(tmp_path, value))


async def _sentinels(folder: Path, value: int) -> None:
    async with chaos_plant(folder) as plant:
        seen = await _changed_in_each_phase(
            plant, "signals", lambda first, shown: [value] * _COUNT1 + shown[_COUNT1:], for_scans=_SHORT
        )
        for one in seen:
            assert one.state is ProcedureState.COMPLETE, one
            if one.phase is Phase.INJECT:
                assert one.off_s <= _SENSORS_S


@pytest.mark.parametrize("value", [0x7FFFFFFF, 0x80000000, 0xFFFFFFFF], ids=hex)
def test_m17_sentinels_of_a_counter(value: int, tmp_path: Path) -> None:
    """A totaliser that shows what no flow could have made of it: nothing of the leap counts, there or back."""
    uvloop.run(_leaps(tmp_path, value))


async def _leaps(folder: Path, value: int) -> None:
    async with chaos_plant(folder, counts=False) as plant:
        leap = [value >> 16, value & 0xFFFF] * 2

        def change(first: int, shown: Registers) -> Registers:
            return [*shown[:_COUNT1], *leap, *shown[_COUNT1 + 4 :]]

        for seen in await _changed_in_each_phase(plant, "signals", change, for_scans=_SHORT):
            assert seen.ended.water_ml <= _MOST_WATER_ML, "a leap was counted"
            assert seen.phase is not Phase.FLUSH or seen.state is ProcedureState.COMPLETE
        told = [row for row in await plant.rows() if isinstance(row, Event) and row.code == "counter-reset"]
        assert told, "nobody was told that counts were lost"


@pytest.mark.parametrize("order", ["words", "bytes"])
def test_m18_swapped(order: str, tmp_path: Path) -> None:
    """Words or bytes in the wrong order from one moment on: not one litre is injected by them."""
    uvloop.run(_swapped(tmp_path, order))


async def _swapped(folder: Path, order: str) -> None:
    def words(first: int, shown: Registers) -> Registers:
        counts = shown[_COUNT1 : _COUNT1 + 8]
        swapped = [counts[n ^ 1] for n in range(len(counts))]
        return [*shown[:_COUNT1], *swapped, *shown[_COUNT1 + len(counts) :]]

    def octets(first: int, shown: Registers) -> Registers:
        return [(value << 8 | value >> 8) & 0xFFFF for value in shown]

    async with chaos_plant(folder, counts=False) as plant:
        for seen in await _changed_in_each_phase(plant, "signals", words if order == "words" else octets):
            limit_s = _SENSORS_S if order == "bytes" else _STILL_S
            assert seen.off_s <= limit_s, seen
            assert seen.ended.water_ml <= _MOST_WATER_ML, "a leap was counted"


def test_m19_a_totaliser_that_rolls_over_in_each_phase(tmp_path: Path) -> None:
    """Both 32 bit counts pass their end in INJECT: the dose is the planned one and every litre is in the record."""
    uvloop.run(_rollover(tmp_path))


async def _rollover(folder: Path) -> None:
    for part in (0.1, 0.4, 0.6, 0.9):
        async with chaos_plant(folder / f"{part:g}") as plant:
            ahead = [-round(part * _RUN_PULSES), -round(part * _RUN_COUNTS)]
            with misread(plant.spoilt, "signals", _added(ahead)):
                await plant.scans(2)
                await plant.begin(Phase.FILL)
                await plant.to_the_end()
            (ended,) = [row for row in await plant.rows() if isinstance(row, RunEnded)]
            assert ended.outcome == "DELIVERED", ended


def _added(counts: list[int]) -> Change:
    """Return the change that adds to the counts of water and of stock what `counts` has then, within 32 bits."""

    def change(first: int, shown: Registers) -> Registers:
        registers = list(shown)
        for number, more in enumerate(counts):
            at = _COUNT1 + 2 * number
            value = ((registers[at] << 16 | registers[at + 1]) + more) & 0xFFFFFFFF
            registers[at : at + 2] = [value >> 16, value & 0xFFFF]
        return registers

    return change


@pytest.mark.parametrize("step", ["to zero", "backwards"])
def test_m19_a_totaliser_that_goes_back(step: str, tmp_path: Path) -> None:
    """Reset to 0, or 500 L of water and 2 L of stock back: what it loses is told, and nothing is invented."""
    uvloop.run(_gone_back(tmp_path, step))


async def _gone_back(folder: Path, step: str) -> None:
    async with chaos_plant(folder, counts=False) as plant:
        await plant.faulty_run(Phase.FILL, nothing)
        for phase in Phase:
            with ExitStack() as lie:

                async def go_back(lie: ExitStack = lie) -> None:
                    truth = await plant.truth()
                    shown = 100.0 * truth["water_m3"], 100.0 * truth["stock_injected_l"]["a"]
                    counts = [-math.floor(count) for count in shown] if step == "to zero" else [-50, -200]
                    lie.enter_context(misread(plant.spoilt, "signals", _added(counts)))

                seen = await plant.faulty_run(phase, go_back)
            assert seen.state is ProcedureState.COMPLETE, seen
            assert seen.ended.water_ml <= _MOST_WATER_ML
            assert any(isinstance(row, Event) and row.code == "counter-reset" for row in seen.rows), seen


def test_m20_a_coil_that_takes_a_write_and_does_not_move(tmp_path: Path) -> None:
    """Writes are confirmed and not done. What is shown tells: all off, by the module's own time-out if need be."""
    uvloop.run(_does_not_move(tmp_path))


async def _does_not_move(folder: Path) -> None:
    async with chaos_plant(folder) as plant:
        for phase in Phase:
            with ExitStack() as lie:

                async def stick(lie: ExitStack = lie) -> None:
                    lie.enter_context(rewritten(plant.spoilt, "relays", WRITE_COILS, echo, is_kept_back=True))
                    await plant.fault("pressure_broken_wire")

                async def mend(lie: ExitStack = lie) -> None:
                    lie.close()
                    await plant.fault("pressure_broken_wire", on=False)

                seen = await plant.faulty_run(phase, stick, mend=mend)
            if phase is Phase.INJECT:
                assert seen.commanded_off_s <= _SENSORS_S
                assert seen.off_s <= _SILENCED_S, seen
                assert "outputs-differ" in seen.alarms and seen.owed


def test_m21_a_module_that_reboots_and_has_lost_its_time_out(tmp_path: Path) -> None:
    """Its outputs are off at once and its watchdog unset: no more fertiliser in this run, whatever the phase."""
    uvloop.run(_reboots(tmp_path))


async def _reboots(folder: Path) -> None:
    async with chaos_plant(folder) as plant:

        async def set_watchdog(seconds: float) -> None:
            await plant.spoilt.clean["relays"].write_registers(0, [round(10.0 * seconds)], device_id=1)

        async def reboot() -> None:
            await plant.fault("relay_reboot")
            await set_watchdog(0.0)

        for phase in Phase:
            seen = await plant.faulty_run(phase, reboot, mend=lambda: set_watchdog(WATCHDOG_S))
            assert seen.off_s <= SCAN_S
            assert seen.on_again_s == math.inf, "it was injected although the module would hold its outputs for ever"
            assert phase is Phase.FLUSH or "watchdog-unset" in seen.alarms


async def _take_the_siphon_back(plant: ChaosPlant) -> None:
    """Counts that were not so while the injector was off are a siphon, and one latches when its window is full."""
    await plant.scans(_METERS_WINDOW)
    await plant.make_well()


@pytest.mark.proof
def test_m22_another_device_answers(tmp_path: Path) -> None:
    """A second module at the same address, of a plant at rest, takes over the line: nothing is injected by its word."""
    uvloop.run(_impostor(tmp_path))


async def _impostor(folder: Path) -> None:
    async with chaos_plant(folder, counts=False) as plant:
        other = await Simulator.start(folder / "plant.toml", ["--perfect"])
        try:
            for phase in Phase:
                for bus, limit_s in (("signals", _SENSORS_S), ("relays", _RELAYS_S)):
                    proxy = plant.spoilt.proxies[bus]

                    async def switch(ports: dict[str, int], bus: str = bus, proxy: WireProxy = proxy) -> None:
                        proxy._server_port = ports[bus]
                        for task in tuple(proxy._tasks):
                            task.cancel()

                    seen = await plant.faulty_run(
                        phase, lambda: switch(other.ports), mend=lambda: switch(plant.spoilt.simulator.ports)
                    )
                    _off_within(seen, limit_s)
                    await plant.scans(
                        _METERS_WINDOW
                    )  # what flowed while the other said "off" is a siphon to the daemon
                    await plant.make_well()
        finally:
            await other.close()


@pytest.mark.proof
def test_m23_a_slow_network_that_drops_five_in_a_hundred(tmp_path: Path) -> None:
    """Requests and replies are lost at random: the nights are whole, the dose is the planned one, no value is wrong."""
    uvloop.run(_lossy(tmp_path))


async def _lossy(folder: Path) -> None:
    async with chaos_plant(folder) as plant:
        plant.spoilt.compares = True
        chance = random.Random(23)
        for fault in ("lost_request", "lost_reply", "late"):
            for proxy in plant.spoilt.proxies.values():
                proxy.strike = _Form(fault, turn=2, when=lambda request: chance.random() < 0.05)
            seen = await plant.faulty_run(Phase.FILL, nothing)
            assert seen.state is ProcedureState.COMPLETE
            assert seen.ended.outcome == "DELIVERED"
        assert plant.spoilt.compared > 1000 and not plant.spoilt.wrong

"""Well-formed replies that are not so: a proxy that rewrites what a device says, or answers in its place."""

import contextlib
import itertools
from collections.abc import Callable, Iterator

import pytest

from sim import wire_proxy
from sim.wire_faults import WIRE_FAULTS, Actions, Exchange, WireFault
from sim.wire_proxy import Strike
from tests.night.spoilt import READ, SpoiltPlant

_NUMBERS = itertools.count()
Registers = list[int]
Change = Callable[[int, Registers], Registers]
"""From the first address and what the device shows there to what is read."""


@contextlib.contextmanager
def rewritten(
    plant: SpoiltPlant, bus: str, function: int, act: Callable[[Exchange], Actions], *, is_kept_back: bool = False
) -> Iterator[Strike]:
    """Put `act` in the place of the bus's replies to a function; `is_kept_back`: the device hears none of it."""
    name = f"rewritten {next(_NUMBERS)}"
    fault = WireFault("a reply that is not so", act, lambda turn: is_kept_back)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(wire_proxy, "WIRE_FAULTS", {**WIRE_FAULTS, name: fault})
        strike = Strike(name, when=lambda request: request[7] == function)
        plant.proxies[bus].strike = strike
        try:
            yield strike
        finally:
            plant.proxies[bus].strike = None


@contextlib.contextmanager
def misread(plant: SpoiltPlant, bus: str, change: Change) -> Iterator[Strike]:
    """Let `change` alter the registers of each read, given the first address."""

    def act(exchange: Exchange) -> Actions:
        first = int.from_bytes(exchange.request[8:10], "big")
        data = exchange.pdu[2:]
        shown = [int.from_bytes(data[n : n + 2], "big") for n in range(0, len(data), 2)]
        values = b"".join((value & 0xFFFF).to_bytes(2, "big") for value in change(first, shown))
        return (exchange.framed(exchange.pdu[:2] + values),)

    with rewritten(plant, bus, READ, act) as strike:
        yield strike


def echo(exchange: Exchange) -> Actions:
    """Confirm a write of coils or registers that the device has not got."""
    return (exchange.framed(exchange.request[7:12]),)

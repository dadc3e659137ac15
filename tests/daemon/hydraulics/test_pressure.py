"""The pressure that is left for the last emitter, against the losses added up pipe by pipe."""

import pytest

from daemon.equipment import Lateral, MainLine, Pipe, Submain
from daemon.hydraulics.friction import darcy_m, outlets_darcy_m
from daemon.hydraulics.pressure import last_emitter_kpa
from tests.daemon.control.plant import kestrel
from tests.daemon.hydraulics.blocks import DRIP, block

_ONE = Submain(length_m=1e-6, bore_mm=500.0, laterals=1)
_ONE_EMITTER = Lateral(length_m=1e-6, bore_mm=500.0, emitters=1, emitter_l_h=36_000.0)


def _main(working_kpa: float | None, *pipes: Pipe) -> MainLine:
    return kestrel().site.main.model_copy(update={"working_kpa": working_kpa, "pipes": pipes})


def test_the_block_s_own_pipe_loses_its_friction() -> None:
    """Guards the unit: the domain sheet's pipe (H2) loses 1.4145 m of water, and 1 m is 9.789 kPa at 20 °C."""
    pipe = block(((100.0, 100.0),), _ONE, _ONE_EMITTER)
    assert last_emitter_kpa(_main(300.0), pipe, 36.0) == pytest.approx(300.0 - 1.4145 * 9.789, abs=0.01)


def test_the_shared_main_carries_the_whole_shift() -> None:
    """Guards the shared main: its friction is that of the shift's flow, whatever the block takes of it."""
    shared = Pipe(length_m=100.0, bore_mm=100.0)
    drip = block((), Submain(length_m=90.0, bore_mm=50.8, laterals=10), DRIP)
    alone, none = (last_emitter_kpa(main, drip, 36.0) for main in (_main(300.0, shared), _main(300.0)))
    assert none - alone == pytest.approx(1.4145 * 9.789, abs=0.01)


@pytest.mark.parametrize("lift_m", [-6.0, 0.0, 12.5])
def test_lift_costs_its_column_of_water(lift_m: float) -> None:
    """Guards the sign and ρ g h: uphill costs, downhill gives."""
    submain = Submain(length_m=90.0, bore_mm=50.8, laterals=10)
    level, there = (last_emitter_kpa(_main(300.0), block((), submain, DRIP, m), 3.2) for m in (0.0, lift_m))
    assert level - there == pytest.approx(lift_m * 998.2 * 9.80665 / 1000.0)


def test_submain_and_lateral_lose_by_their_outlets() -> None:
    """Guards the flows: the submain begins with the block's 3.2 m3/h, a lateral with a tenth of it."""
    submain = Submain(length_m=90.0, bore_mm=50.8, laterals=10)
    lost_m = outlets_darcy_m(submain, 10, 3.2) + outlets_darcy_m(DRIP, 200, 0.32)
    assert last_emitter_kpa(_main(300.0), block((), submain, DRIP), 3.2) == pytest.approx(
        300.0 - lost_m * 9.789, rel=1e-5
    )
    assert darcy_m(DRIP, 0.32) > outlets_darcy_m(DRIP, 200, 0.32) > darcy_m(DRIP, 0.32) / 3.0


def test_a_main_without_its_pressure_is_said_so() -> None:
    """Guards the message: which key is missing and what it is."""
    with pytest.raises(ValueError, match=r"main\.working_kpa: got none, expected the pressure"):
        last_emitter_kpa(_main(None), block((), _ONE, DRIP), 1.0)

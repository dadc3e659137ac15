"""Blocks laid pipe by pipe, and the domain sheet's drip lateral."""

from daemon.equipment import Block, Lateral, Pipe, Submain

DRIP = Lateral(length_m=100.0, bore_mm=13.6, emitters=200, emitter_l_h=1.6)


def block(pipes: tuple[tuple[float, float], ...], submain: Submain, lateral: Lateral, lift_m: float = 0.0) -> Block:
    """Return a block whose own pipes are given by length (m) and bore (mm)."""
    return Block(
        area_ha=1.0,
        valve="relays.out1",
        travel_s=5.0,
        pipes=tuple(Pipe(length_m=length_m, bore_mm=bore_mm) for length_m, bore_mm in pipes),
        submain=submain,
        lateral=lateral,
        volume_accuracy_pct=10.0,
        flow_accuracy_pct=10.0,
        drains=False,
        lift_m=lift_m,
    )

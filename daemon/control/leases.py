"""Leases granted, run down and ended. What a lease asks for is in `lease`; what it may not have, `gate` removes."""

from daemon.control.guard import Verdict
from daemon.control.interlocks import BY_CODE
from daemon.control.lease import Lease
from daemon.control.requests import Asked
from daemon.control.sense import Facts
from daemon.control.states import Effect
from daemon.evidence import Evidence, LeaseEnded, LeaseGranted
from daemon.site import Site


def follow_leases(
    site: Site, leases: tuple[Lease, ...], asked: Asked, verdict: Verdict, facts: Facts, emitted: int
) -> tuple[tuple[Lease, ...], tuple[Evidence, ...]]:
    """Return the leases after this scan: those that run on, less those that end, and those that were granted.

    `emitted` rows were made before these: each new lease remembers the number of its own.
    """
    if not leases and not asked.granted:
        return leases, ()
    rows: list[Evidence] = []
    kept: dict[tuple[str, str], Lease] = {}
    for lease in leases:
        kept[lease.kind, lease.target] = lease._replace(left_s=lease.left_s - facts.dt_s)
    for lease in asked.granted:
        replaced = kept.pop((lease.kind, lease.target), None)
        if replaced is not None:
            rows.append(LeaseEnded(replaced.id, replaced.target, "another one was granted in its place"))
        rows.append(_granted(lease))
        kept[lease.kind, lease.target] = lease._replace(row=emitted + len(rows))
    of_all = _end_of_all(asked, verdict, facts)
    running = []
    for lease in kept.values():
        why = of_all or _end(site, lease, asked, facts)
        if why:
            rows.append(LeaseEnded(lease.id, lease.target, why))
        else:
            running.append(lease)
    return tuple(running), tuple(rows)


def releasing(verdict: Verdict) -> tuple[str, ...]:
    """Return the causes in force that take all outputs away, now or in this scan."""
    severe = (Effect.RELEASE, Effect.ZERO)
    return tuple([code for code in verdict.causes if BY_CODE[code].effect in severe and code not in verdict.bypassed])


def waiting_for(leases: tuple[Lease, ...], row: int) -> tuple[Lease, ...]:
    """Return the leases with every forced injector waiting for `row` to be on disk: the flush that it will owe."""
    return tuple([lease._replace(row=row) if lease.forces_injector_on else lease for lease in leases])


def _end_of_all(asked: Asked, verdict: Verdict, facts: Facts) -> str:
    """Return why no lease goes on, or nothing."""
    if asked.stop_everything:
        return "everything was stopped"
    if facts.emergency_stop_healthy is False:
        return "the emergency stop is pressed"
    if facts.selector_auto is False:
        return "the selector in the shed is not in Auto"
    causes = releasing(verdict)
    if causes:
        return f"all outputs are off: {', '.join(causes)}"
    return "the mode was changed" if asked.mode is not None else ""


def _end(site: Site, lease: Lease, asked: Asked, facts: Facts) -> str:
    """Return why this lease does not go on, or nothing."""
    if asked.ended is not None and (not asked.ended or lease.target in asked.ended):
        return "released"
    if lease.left_s <= 0.0:
        return "its time is over"
    if not lease.forces_injector_on:
        return ""
    if asked.start or asked.restart:
        return "a run begins"
    channel = lease.target.partition(".")[2]
    if facts.channels[channel].silent_s >= site.injector[channel].stroke_window_s:
        return "the injector is on and its meter counts nothing"
    return ""


def _granted(lease: Lease) -> LeaseGranted:
    return LeaseGranted(lease.id, lease.kind, lease.target, lease.is_on, round(lease.left_s), lease.who, lease.reason)

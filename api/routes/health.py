"""Is it there: health for whoever asks, the version, and figures for Prometheus."""

from collections.abc import Iterator
from typing import Any

from fastapi import APIRouter, Response
from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, generate_latest
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector

from api.access.guard import VIEW, everybody
from api.farm import Farm, TheFarm
from api.shapes import Seconds, Shape
from daemon.messages import PROTOCOL

router = APIRouter(tags=["health"])
metrics_router = APIRouter(tags=["health"])


class Health(Shape):
    """Whether the controller is heard. Says nothing of the farm: it takes no log-in."""

    controller: str
    """heard or silent."""
    age_s: Seconds | None
    """Since it was last heard."""


class Version(Shape):
    """What runs."""

    version: str
    protocol: int
    """Of the local socket between this and the controller."""


@router.get("/health", **everybody())
def health(farm: TheFarm) -> Health:
    """Return whether the controller is heard."""
    return Health(controller="silent" if farm.link.is_silent() else "heard", age_s=farm.link.age_s())


@router.get("/version", **VIEW)
def version(farm: TheFarm) -> Version:
    """Return what runs."""
    return Version(version=farm.version, protocol=PROTOCOL)


@metrics_router.get("/metrics", response_class=Response, **VIEW)
def metrics(farm: TheFarm) -> Response:
    """Return the newest snapshot's figures in Prometheus' text form, in base units."""
    registry = CollectorRegistry()
    registry.register(_Figures(farm))
    return Response(generate_latest(registry), media_type=CONTENT_TYPE_LATEST)


class _Figures(Collector):
    def __init__(self, farm: Farm) -> None:
        self._farm = farm

    def collect(self) -> Iterator[Any]:
        """Yield the figures; those of the plant only while the controller is heard."""
        link = self._farm.link
        yield _gauge("controller_heard", "1 while the controller is heard.", 0.0 if link.is_silent() else 1.0)
        if link.heard is None or link.is_silent():
            return
        snapshot = link.heard.snapshot
        yield _gauge("snapshot_age_seconds", "Since the controller's newest word.", link.age_s() or 0.0)
        yield _gauge("scan_late_seconds", "How much later than its time the newest scan began.", snapshot.late_s)
        yield _gauge("scans_missed", "Since the start: begun more than a scan's time late.", snapshot.missed_scans)
        yield _gauge("scan_number", "The newest scan.", snapshot.scan)
        yield _gauge("run_active", "1 while a run is under way.", 0.0 if snapshot.run is None else 1.0)
        yield _gauge("record_writable", "1 while the record takes rows.", 1.0 if snapshot.ledger["writable"] else 0.0)
        yield _gauge("alarms", "Causes in force and alarms that stand.", len(snapshot.alarms))
        yield _gauge("flushes_owed", "Segments that owe a flush.", len(snapshot.owed))
        readings = GaugeMetricFamily("shiftwright_reading", "A reading that is good.", labels=["point"])
        for point, reading in snapshot.readings.items():
            if reading["value"] is not None and reading["quality"] == "GOOD":
                readings.add_metric([point], float(reading["value"]))
        yield readings
        failures = GaugeMetricFamily(
            "shiftwright_device_failures_in_a_row", "Requests that failed one after the other.", labels=["device"]
        )
        for device, counters in snapshot.devices.items():
            failures.add_metric([device], float(counters["failures_in_a_row"]))
        yield failures


def _gauge(name: str, words: str, value: float) -> Any:
    return GaugeMetricFamily(f"shiftwright_{name}", words, value=float(value))

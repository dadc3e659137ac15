"""OWASP API4:2023, unrestricted resource consumption: pages, parts and streams are bounded (bodies: test_limits)."""

import asyncio

import pytest

from api.access.roles import Role
from api.routes import live
from tests.api.farms import Given


@pytest.mark.parametrize(
    "path",
    [
        "/v1/runs?limit=201",
        "/v1/runs?limit=0",
        "/v1/runs?cursor=-1",
        "/v1/runs?cursor=1e9",
        "/v1/alarms/history?limit=100000",
        "/v1/readings/series?point=flow_m3_h&parts=2001",
        "/v1/applications?year=999999",
    ],
)
async def test_nobody_asks_for_all_at_once(given: Given, path: str) -> None:
    """Guards memory and time: what is asked for has a most."""
    assert (await given.person(Role.VIEWER).get(path)).status_code == 422


async def test_a_list_goes_on_page_by_page(given: Given) -> None:
    """Guards paging: a page says where the next one begins, and the last one that it is the last."""
    client = given.person(Role.VIEWER)
    page = (await client.get("/v1/runs?limit=1")).json()
    assert len(page["items"]) == 1 and page["next"] is None
    assert (await client.get("/v1/runs?cursor=1")).json() == {"items": [], "next": None}


async def test_streams_are_bounded(given: Given, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards seats: one stream too many is told so and ends; a seat is free again when its stream ends."""
    monkeypatch.setattr(live, "_MOST_STREAMS", 1)
    with given.farm.link.seat(1) as seated:
        assert seated
        answer = await asyncio.wait_for(given.person(Role.VIEWER).get("/v1/events"), 10.0)
        assert answer.status_code == 200 and "event: full" in answer.text
    with given.farm.link.seat(1) as seated:
        assert seated

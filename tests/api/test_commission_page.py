"""The guided pages of the commissioning: what a technician sees at each kind of stage, and what a form asks for."""

from dataclasses import replace
from typing import Any

import pytest

from api.access.roles import Role
from tests.api.farms import Given
from tests.api.steps import view_of

_HTML = {"Accept": "text/html"}
_KEPT: dict[str, Any] = {"first": {"water_l": 0.0}, "last": {"water_l": 0.0}, "seconds": 200.0}
_RUN = (("fill", _KEPT), ("pulse", _KEPT))


def _show(given: Given, view: dict[str, Any]) -> None:
    given.publish(replace(given.snapshot, step=view))


async def _heard(given: Given, view: dict[str, Any]) -> None:
    _show(given, view)
    async for heard in given.farm.link.snapshots():
        if heard.snapshot.step == view:
            return


async def test_without_an_attempt_a_technician_begins_one(given: Given) -> None:
    """Every step of every subject can be chosen; a viewer sees the state alone."""
    page = (await given.person(Role.TECHNICIAN).get("/commission", headers=_HTML)).text
    assert 'value="transit creek"' in page and 'value="proof burst"' in page
    viewer = (await given.person(Role.VIEWER).get("/commission", headers=_HTML)).text
    assert "<select" not in viewer and "Commissioning" in viewer


@pytest.mark.parametrize("language", ["en", "es"])
async def test_each_kind_of_stage_has_its_page(given: Given, language: str) -> None:
    """What the daemon does, what is entered again and again, what was cut off, a result: all in the reader's words."""
    site, technician = given.farm.plant.site, given.person(Role.TECHNICIAN)
    headers = {**_HTML, "Accept-Language": language}
    for view, shown in (
        (view_of(site), 'data-live="on_s"'),
        (view_of(site, *_RUN), 'name="value.ms_cm"'),
        (view_of(site, cut_off="the pump tripped"), "the pump tripped"),
        (view_of(site, *_RUN, ("watch", {"done": True}), ("rinse", _KEPT), ended=True), "14000 ± 300 L"),
    ):
        await _heard(given, view)
        answer = await technician.get("/commission", headers=headers)
        assert answer.status_code == 200 and shown in answer.text
        assert (view["cut_off"] or 'value="abort"' in answer.text) and "commission." not in answer.text


async def test_forms_ask_the_daemon(given: Given) -> None:
    """What is entered goes by its name, with the technician's own; nobody else may."""
    site, technician = given.farm.plant.site, given.person(Role.TECHNICIAN)
    await _heard(given, view_of(site, *_RUN))
    for form in (
        {"do": "enter", "stage": "watch", "value.ms_cm": "1,42"},
        {"do": "done", "stage": "watch"},
        {"do": "again", "stage": "fill"},
        {"do": "abort"},
        {"do": "begin", "step": "injector a"},
    ):
        answer = await technician.post("/commission/ask", data=form, headers=_HTML)
        assert answer.status_code == 200 and 'data-here="/commission"' in answer.text  # what is read again is a page
    asked = [{key: one[key] for key in one if key not in ("id", "who", "role")} for one in given.steps]
    assert asked == [
        {"do": "enter", "stage": "watch", "values": {"ms_cm": "1,42"}},
        {"do": "enter", "stage": "watch", "values": {"done": True}},
        {"do": "again", "stage": "fill"},
        {"do": "abort"},
        {"do": "begin", "step": "injector", "of": "a", "subject": "a"},
    ]
    assert {(one["who"], one["role"]) for one in given.steps} == {("technician", "technician")}
    operator = given.person(Role.OPERATOR)
    assert (await operator.post("/commission/ask", data={"do": "abort"}, headers=_HTML)).status_code == 403
    assert (await technician.post("/commission/ask", data={"do": "dance"}, headers=_HTML)).status_code == 422


async def test_the_same_through_the_api(given: Given) -> None:
    """Other software with a technician's token begins a step, and reads where everything stands."""
    software = given.software(Role.TECHNICIAN)
    answer = await software.post("/v1/commissioning", json={"do": "begin", "step": "transit", "of": "creek"})
    assert answer.json()["accepted"] and given.steps[0]["subject"] == "creek"
    stands = (await software.get("/v1/commissioning")).json()["steps"]
    assert {"step": "transit", "of": "creek", "stands": "valid"}.items() <= next(
        one for one in stands if (one["step"], one["of"]) == ("transit", "creek")
    ).items()
    assert (await software.get("/v1/commissioning/attempts/none")).status_code == 404

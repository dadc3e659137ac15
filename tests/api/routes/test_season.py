"""The season's account as it is read: it adds up to the night's doses, and says what the shed and the gauge add."""

import csv
import io
from typing import Any

import httpx
import pytest

from api.access.roles import Role
from tests.api.farms import Given

_HTML = {"Accept": "text/html", "Accept-Language": "en"}
_SALT = "calcium_nitrate_double_salt"


async def _got(given: Given, path: str) -> Any:
    answer = await given.person(Role.VIEWER).get(f"/v1{path}")
    assert answer.status_code == 200, answer.text
    return answer.json()


async def _sheet(given: Given, path: str) -> list[dict[str, str]]:
    answer = await given.person(Role.VIEWER).get(f"/v1{path}")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    return list(csv.DictReader(io.StringIO(answer.text)))


async def test_the_account_adds_up_to_the_doses(given: Given) -> None:
    """Guards the balance: by block in kg/ha of the run's doses, and by product of the litres that they stand for."""
    run, season = await _got(given, f"/runs/{given.run}"), await _got(given, "/seasons/mandarins")
    accounts = {(one["block"], one["nutrient"]): one for one in season["accounts"]}
    areas_ha = {block["block"]: block["area_ha"] for block in run["recipe"]["blocks"]}
    in_cycle = [dose for dose in run["doses"] if (dose["block"], dose["nutrient"]) in accounts]
    assert in_cycle
    for dose in in_cycle:
        account = accounts[dose["block"], dose["nutrient"]]
        # Budget and caps count by the meter, a run's report by all estimates together: as near as a meter's class.
        assert account["delivered_kg_ha"] == pytest.approx(dose["delivered_kg"] / areas_ha[dose["block"]], rel=0.01)
        assert account["planned_kg_ha"] == pytest.approx(dose["planned_kg"] / areas_ha[dose["block"]])
    assert all(
        one["left_kg_ha"] == pytest.approx(one["recommended_kg_ha"] - one["had_kg_ha"]) for one in accounts.values()
    )
    salt = next(one for one in season["products"] if one["product"] == _SALT)
    calcium_kg = sum(dose["injected_kg"] for dose in run["doses"] if dose["nutrient"] == "Ca")
    # 5 Ca of 40.078 in 5Ca(NO3)2.NH4NO3.10H2O of 1080.7 (IUPAC's standard atomic weights).
    assert salt["injected_kg"] == pytest.approx(calcium_kg / 0.1854, rel=0.02)
    # The record began after the tank was filled to 1,200 L: what was drawn before that nobody counted.
    assert (salt["tanks_before_kg"], salt["mixed_kg"]) == (240.0, 0.0) and salt["shed_left_kg"] is None
    assert salt["closes"] and salt["unaccounted_kg"] == pytest.approx(0.0, abs=1e-6)
    whole_kg = salt["tanks_before_kg"] + salt["mixed_kg"]
    left_kg = whole_kg - salt["injected_kg"] - salt["drained_kg"] - salt["in_tanks_kg"]
    assert salt["unaccounted_kg"] == pytest.approx(left_kg)


async def test_sheets_and_print_say_the_same(given: Given) -> None:
    """Guards the office: each table has the account's own lines, with units in its heads."""
    season = await _got(given, "/seasons/mandarins")
    blocks = await _sheet(given, "/seasons/mandarins/blocks.csv")
    products = await _sheet(given, "/seasons/mandarins/products.csv")
    assert [(row["block"], row["nutrient (elemental)"]) for row in blocks] == [
        (one["block"], one["nutrient"]) for one in season["accounts"]
    ]
    assert [float(row["unaccounted for (kg)"]) for row in products] == pytest.approx(
        [one["unaccounted_kg"] for one in season["products"]], abs=0.006
    )
    compared = await _got(given, "/seasons")
    rows = await _sheet(given, "/seasons/compared.csv")
    assert len(rows) == sum(len(one["delivered_kg_ha"]) for one in compared) and compared
    text = (await given.person(Role.VIEWER).get("/v1/seasons/mandarins/print.html")).text
    assert text.count("<table") == 3 and all(one["product"] in text for one in season["products"])


async def test_a_cycle_that_nobody_entered(given: Given) -> None:
    """Guards the way back: the cycles that there are."""
    answer = await given.person(Role.VIEWER).get("/v1/seasons/plums")
    assert answer.status_code == 404 and "avocados, mandarins, young_mandarins" in answer.json()["detail"]


async def _noted(given: Given, role: Role, **form: str) -> httpx.Response:
    return await given.person(role).post("/seasons/mandarins/note", data=form, headers=_HTML)


async def test_what_came_and_what_fell_is_noted(given: Given) -> None:
    """Guards the shed's book and the marks of rain: entered on the page, they are in the account."""
    for form in (
        {"do": "came", "product": _SALT, "kg": "1000", "lot": "CN-2240"},
        {"do": "rain", "mm": "31,5", "on": "2026-10-14"},
    ):
        answer = await _noted(given, Role.OPERATOR, **form)
        assert answer.status_code == 200 and "Noted." in answer.text, answer.text
    season = await _got(given, "/seasons/mandarins")
    salt = next(one for one in season["products"] if one["product"] == _SALT)
    # What was mixed before anybody told of the shed is not taken off what came later.
    assert (salt["bought_kg"], salt["shed_left_kg"]) == (1000.0, 1000.0)
    assert {(risk["night"], risk["why"], risk["figure"]) for risk in season["risks"]} == {("2026-10-13", "rain", 31.5)}
    page = await given.person(Role.VIEWER).get("/seasons/mandarins", headers=_HTML)
    assert "of rain fell soon after" in page.text and "Note it" not in page.text


async def test_a_form_that_is_sent_again_is_one_delivery(given: Given) -> None:
    """Guards the book: a page that is asked for again, or a tap too many, brings no second tonne, minutes later too."""
    for _ in range(2):
        answer = await _noted(given, Role.OPERATOR, do="came", product=_SALT, kg="1000", id="0123456789abcdef")
        assert answer.status_code == 200, answer.text
        given.clock.at_s += 90.0
    await _noted(given, Role.OPERATOR, do="came", product=_SALT, kg="50", id="another-form")
    season = await _got(given, "/seasons/mandarins")
    assert next(one for one in season["products"] if one["product"] == _SALT)["bought_kg"] == 1050.0


async def test_what_is_mistyped_is_said(given: Given) -> None:
    """Guards that nothing is recorded of it."""
    answer = await _noted(given, Role.OPERATOR, do="came", product=_SALT, kg="a lot")
    assert "delivery.kg" in answer.text and "Noted." not in answer.text
    assert (await _noted(given, Role.OPERATOR, do="sold", product=_SALT, kg="1")).status_code == 422
    assert (await _noted(given, Role.VIEWER, do="rain", mm="3", on="2026-10-14")).status_code == 403
    season = await _got(given, "/seasons/mandarins")
    assert all(one["bought_kg"] == 0.0 for one in season["products"]) and season["risks"] == []

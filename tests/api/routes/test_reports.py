"""What is read of the record: runs, doses, the application record, tanks, plan, readings, figures for Prometheus."""

import asyncio
import csv
import io
from typing import Any

import pytest

from api.access.roles import Role
from tests.api.farms import Given


async def _got(given: Given, path: str) -> Any:
    answer = await given.person(Role.VIEWER).get(f"/v1{path}")
    assert answer.status_code == 200, answer.text
    return answer.json()


async def _sheet(given: Given, path: str) -> list[dict[str, str]]:
    answer = await given.person(Role.VIEWER).get(f"/v1{path}")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert "attachment" in answer.headers["content-disposition"]
    return list(csv.DictReader(io.StringIO(answer.text)))


async def test_a_run_with_all_that_is_known_of_it(given: Given) -> None:
    """Guards the night's figures: phases in order, doses with their k = 2, and who speaks of them."""
    run = await _got(given, f"/runs/{given.run}")
    assert [phase["phase"] for phase in run["phases"]] == ["FILL", "PREWET", "INJECT", "FLUSH"]
    assert run["outcome"] == "DELIVERED" and run["state"] == "COMPLETE" and run["shift"] == "low"
    for dose in run["doses"]:
        assert abs(dose["delivered_kg"] - dose["planned_kg"]) <= max(0.1 * dose["planned_kg"], dose["u_delivered_kg"])
        total_kg = dose["delivered_kg"] + dose["in_lines_kg"] + dose["lost_kg"]
        assert total_kg == pytest.approx(dose["injected_kg"], abs=1e-5)
    assert {(dose["block"], dose["nutrient"]) for dose in run["doses"]} >= {("creek", "N"), ("bridge", "K")}
    for estimate in run["estimates"]:
        assert estimate["meter"]["litres"] > 0.0 and estimate["together"]["u_k2_litres"] > 0.0
    assert (await _got(given, "/runs"))["items"][0]["run"] == given.run
    rows = await _sheet(given, "/runs/doses.csv")
    assert len(rows) == len(run["doses"]) and float(rows[0]["planned (kg)"]) == run["doses"][0]["planned_kg"]


async def test_the_application_record_adds_up_to_the_doses(given: Given) -> None:
    """Guards what an auditor reads: nutrients and water are told once, products by the tank's own filling."""
    run = await _got(given, f"/runs/{given.run}")
    found = await _got(given, "/applications")
    for nutrient in ("N", "K", "Ca"):
        told_kg = sum(one["nutrients_kg"].get(nutrient, 0.0) for one in found)
        assert told_kg == pytest.approx(sum(d["delivered_kg"] for d in run["doses"] if d["nutrient"] == nutrient))
    assert sum(one["water_m3"] for one in found) == pytest.approx(run["water_m3"])
    creek = [one for one in found if one["block"] == "creek"]
    assert {one["product"] for one in creek} == {"calcium_nitrate_double_salt", "potassium_nitrate"}
    calcium = next(one for one in creek if one["product"] == "calcium_nitrate_double_salt")
    assert calcium["product_kg"] == pytest.approx(calcium["nutrients_kg"]["N"] / 0.155, rel=0.02)
    assert calcium["method"] == "fertigation" and calcium["person"] == "Mina" and calcium["area_ha"] == 3.2
    assert calcium["crop"].startswith("mandarins")
    rows = await _sheet(given, "/applications.csv")
    assert len(rows) == len(found)
    potassium = next(row for row in rows if row["product"] == "potassium_nitrate")
    assert float(potassium["K2O (kg)"]) == pytest.approx(1.2046 * float(potassium["K (kg)"]), abs=0.002)


@pytest.mark.parametrize(
    ("query", "is_there"),
    [
        ("", True),
        ("?starts=07-01", True),
        ("?year=2026&starts=07-01", True),
        ("?year=2025&starts=07-01", False),
        ("?year=2026&starts=10-13", True),
        ("?year=2026&starts=10-14", False),
        ("?year=2025&starts=10-14", True),
    ],
)
async def test_a_year_begins_when_somebody_says(given: Given, query: str, is_there: bool) -> None:
    """Guards the year: by the site's days; the night's run began on 13 October in its zone."""
    assert bool(await _got(given, f"/applications{query}")) == is_there


async def test_a_tank_with_its_log(given: Given) -> None:
    """Guards the tank log: what it holds, what the record says was drawn, and each entry with what it left."""
    tank = await _got(given, "/tanks/a")
    assert tank["stock"] == "calcium" and tank["ec_from"] == "bucket_test" and tank["drawn_l"] > 10.0
    assert tank["log"][-1]["litres_after"] == tank["litres_then"] == 1200.0
    assert [one["name"] for one in await _got(given, "/tanks")] == ["a", "b"]
    answer = await given.person(Role.VIEWER).get("/v1/tanks/z")
    assert answer.status_code == 404 and "known: a, b" in answer.json()["detail"]


async def test_a_draft_records_nothing(given: Given) -> None:
    """Guards drafts: what would run block by block, or why not; no row comes to the record."""
    client = given.person(Role.AGRONOMIST)
    seen = (given.farm.folder / "ledger.db").stat().st_size
    draft = (await client.post("/v1/plan/draft", json={"program": "low_night"})).json()
    assert draft["would_run"] is True and {one["block"] for one in draft["blocks"]} == {"creek", "bridge"}
    assert all(one["planned_kg"]["N"] > 0.0 for one in draft["blocks"])
    assert {one["channel"] for one in draft["channels"]} == {"a", "b"} and all(one["passed"] for one in draft["checks"])
    assert (given.farm.folder / "ledger.db").stat().st_size == seen and not given.commands
    assert (await client.post("/v1/plan/draft", json={"program": "no_such"})).status_code == 404
    plan = await _got(given, "/plan?night=2026-10-13")
    assert plan == {"night": "2026-10-13", "planned": None, "why": "", "plan": None}


async def test_readings_are_thinned(given: Given) -> None:
    """Guards charts: at most so many parts, each with the least, the mean and the most of what it holds."""
    whole = await _got(given, "/readings/series?point=flow_m3_h&parts=2000")
    few = await _got(given, "/readings/series?point=flow_m3_h&parts=5")
    assert whole["unit"] == "m3/h" and len(few["values"]) <= 5 < len(whole["values"])
    assert min(one["least"] for one in few["values"]) == min(one["least"] for one in whole["values"])
    assert all(one["least"] <= one["mean"] <= one["most"] for one in few["values"])
    rows = await _sheet(given, "/readings/series.csv?point=flow_m3_h")
    assert list(rows[0]) == ["at (UTC)", "flow_m3_h (m3/h)"] and len(rows) >= len(whole["values"])
    assert (await _got(given, "/readings/series?point=no.such"))["values"] == []


async def test_figures_for_prometheus(given: Given) -> None:
    """Guards /metrics: only what is good is shown, and while the controller is silent only that it is."""
    client = given.software(Role.VIEWER)
    text = (await client.get("/metrics")).text
    assert "shiftwright_controller_heard 1.0" in text and 'shiftwright_reading{point="flow_m3_h"}' in text
    given.clock.at_s += 60.0
    text = (await client.get("/metrics")).text
    assert "shiftwright_controller_heard 0.0" in text and "shiftwright_reading" not in text


async def test_a_site_without_a_record_yet(silent: Given) -> None:
    """Guards the first minutes: no record, no readings, and every list is empty."""
    (silent.farm.folder / "ledger.db").rename(silent.farm.folder / "gone.db")
    (silent.farm.folder / "history.db").unlink()
    for path in ("/decisions", "/shifts", "/tests", "/applications", "/readings", "/alarms"):
        assert await _got(silent, path) == []
    assert (await _got(silent, "/runs")) == {"items": [], "next": None} == await _got(silent, "/alarms/history")
    assert (await _got(silent, "/tanks/a"))["why_unknown"] == "nobody has entered a mix yet"
    assert (await silent.person(Role.VIEWER).get("/v1/runs/x")).status_code == 404


async def test_the_application_record_prints(given: Given) -> None:
    """Guards the sheet for the folder on the shelf: each line of it, and nothing that a browser would run."""
    answer = await given.person(Role.VIEWER).get("/v1/applications.html")
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert "<h1>Kestrel Bend: application record</h1>" in answer.text
    assert answer.text.count("<tr>") == 1 + len(await _got(given, "/applications"))
    assert "<script" not in answer.text and answer.text.endswith("</html>")


@pytest.mark.timeout(200)
async def test_a_night_is_simulated_before_it_is_tonight(given: Given) -> None:
    """Guards drafts: a process of its own, one at a time, and what the simulated plant then delivered."""
    client = given.person(Role.OPERATOR)
    assert (await client.get("/v1/plan/simulation")).json()["stand"] == "none"
    answer = await client.post("/v1/plan/simulation", json={"night": "2026-10-14"})
    assert answer.status_code == 202 and answer.json()["stand"] == "running"
    again = await client.post("/v1/plan/simulation", json={})
    assert again.status_code == 409 and again.json()["code"] == "simulation.running"
    found = answer.json()
    while found["stand"] == "running":
        await asyncio.sleep(0.2)
        found = (await client.get("/v1/plan/simulation")).json()
    assert found["stand"] == "done", found["said"]
    assert found["night"] == "2026-10-14" and "Rehearsed on the simulator" in found["said"]
    assert found["figures"]["simulated"]


async def test_a_simulation_that_is_ended_says_so(given: Given) -> None:
    """Guards the process: it does not outlive the api."""
    client = given.person(Role.OPERATOR)
    await client.post("/v1/plan/simulation", json={})
    await asyncio.sleep(0.1)
    await given.farm.rehearsal.close()
    assert (await client.get("/v1/plan/simulation")).json()["stand"] == "failed"


@pytest.mark.parametrize(
    "span", ["to=0001-01-01T00:00:01Z", "from=9999-12-31T23:59:59-14:00", "to=0001-01-01T00:00:00%2B14:00"]
)
async def test_any_moment_is_a_span(given: Given, span: str) -> None:
    """Guards the calendar's ends: no reading is there, and nothing breaks."""
    assert (await _got(given, f"/readings/series?point=flow_m3_h&{span}"))["values"] == []

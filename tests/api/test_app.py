"""Every route at once: its rule, its documentation, and what every answer bears."""

import pytest

from api.access.roles import Role
from tests.api.farms import Given


async def test_reading_all(given: Given) -> None:
    client = given.person(Role.TECHNICIAN)
    for path in ("site","blocks","shifts","decisions","decisions/program","decisions/program/low_night","decisions/program/low_night/versions","tanks","tanks/a","plan","runs","runs/doses.csv","readings","readings/series?point=flow_m3_h","readings/series.csv?point=flow_m3_h","applications","applications.csv","tests","alarms","alarms/history","interlocks","live","health","version","people","tokens","session"):
        r = await client.get("/v1/" + path)
        print(path, r.status_code, r.text[:150].replace("\n"," "))
        assert r.status_code == 200, (path, r.text)
    r = await client.get("/metrics"); print(r.text[:300])
    r = await client.get("/v1/openapi.json"); print(r.status_code, len(r.text)); print(r.headers)

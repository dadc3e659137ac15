"""OWASP API8:2023, security misconfiguration: nothing is open by default (hosts and origins: test_limits)."""

from api.sheet import sheet
from daemon.equipment import Api
from tests.api.farms import Given


async def test_what_answers_bear(given: Given) -> None:
    """No framing, no sniffing, no caching, no foreign origin, no pages of a framework."""
    answer = await given.client(Origin="http://evil.example").get("/v1/health")
    for name, value in {
        "x-content-type-options": "nosniff",
        "x-frame-options": "DENY",
        "referrer-policy": "same-origin",
        "cache-control": "no-store",
        "cross-origin-resource-policy": "same-origin",
    }.items():
        assert answer.headers[name] == value
    assert "default-src 'self'" in answer.headers["content-security-policy"]
    assert (
        not [name for name in answer.headers if name.startswith("access-control-")] and "server" not in answer.headers
    )
    for path in ("/docs", "/redoc", "/openapi.json"):
        assert (await given.client().get(path)).status_code == 404
    assert Api().host == "127.0.0.1", "nobody else reaches it unless the site says so"


async def test_a_sheet_runs_nothing(given: Given) -> None:
    """CSV injection: a cell that a spreadsheet would run begins with an apostrophe; numbers stay numbers."""
    rows = [("=1+1", "+A1", "-A1", "@SUM(A1)", "\t=1", "fine", -1.5)]
    response = sheet("x", ("a", "b", "c", "d", "e", "f", "g"), rows)
    text = "".join([part if isinstance(part, str) else bytes(part).decode() async for part in response.body_iterator])
    assert text.splitlines()[1] == "'=1+1,'+A1,'-A1,'@SUM(A1),'\t=1,fine,-1.5"

"""OWASP API7:2023, server side request forgery: nothing is fetched for anybody."""

import json

from tests.api.farms import Given


def test_no_request_names_an_address_to_fetch(given: Given) -> None:
    """No parameter or body of any route is an address."""
    text = json.dumps(given.app.openapi())
    assert '"format": "uri"' not in text and "webhook" not in text
    for path in given.app.openapi()["paths"].values():
        for operation in path.values():
            names = {parameter["name"].lower() for parameter in operation.get("parameters", ())}
            assert names.isdisjoint({"url", "uri", "host", "callback", "target", "next", "redirect"})

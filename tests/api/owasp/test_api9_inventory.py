"""OWASP API9:2023, improper inventory: all that is served is described, under one version."""

from tests.api.farms import Given


def test_all_of_it_is_under_one_version(given: Given) -> None:
    """One version, all of it described with a summary, a rule and its refusals."""
    described = given.app.openapi()
    assert described["openapi"].startswith("3.1")
    for path, item in described["paths"].items():
        assert path.startswith("/v1/") or path == "/metrics"
        for operation in item.values():
            assert operation["summary"] and operation["x-roles"] and "422" in operation["responses"]

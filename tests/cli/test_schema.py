"""The JSON Schema that editors go by: the shipped files fit it, what is wrong does not, each key says what it is."""

import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import daemon.cli
from daemon.cli.main import main

TESTS = Path(__file__).parents[1]
KESTREL_BEND = Path(daemon.cli.__file__).parent / "kestrel_bend"
_TYPES: dict[str, Any] = {
    "object": dict,
    "array": list,
    "string": str,
    "boolean": bool,
    "integer": int,
    "number": (int, float),
}
_READ = {
    *("$ref", "type", "anyOf", "oneOf", "enum", "const", "pattern", "required", "items", "prefixItems"),
    *("properties", "patternProperties", "additionalProperties", "propertyNames", "minProperties"),
    *("minimum", "maximum", "exclusiveMinimum", "exclusiveMaximum", "minLength", "maxLength", "minItems", "maxItems"),
    *("title", "description", "default", "discriminator", "format", "$schema", "$defs"),
}


@pytest.fixture
def schemas(capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    """Both schemas as the command prints them."""
    found = {}
    for file in ("site", "decisions"):
        assert main(["schema", file]) == 0
        found[file] = json.loads(capsys.readouterr().out)
    assert main(["schema"]) == 0
    assert json.loads(capsys.readouterr().out) == found["site"]
    return found


def _errors(schema: dict[str, Any], value: Any, root: dict[str, Any], at: str = "") -> Iterator[str]:
    """Yield where `value` does not fit `schema`: as much of draft 2020-12 as our schemas use, and no more."""
    assert schema.keys() <= _READ, schema.keys() - _READ
    if "$ref" in schema:
        yield from _errors(root["$defs"][schema["$ref"].removeprefix("#/$defs/")], value, root, at)
    for word in ("anyOf", "oneOf"):
        fits = [part for part in schema.get(word, ()) if not list(_errors(part, value, root, at))]
        if word in schema and (not fits or (word == "oneOf" and len(fits) > 1)):
            yield f"{at}: {len(fits)} of {word}"
    if "type" in schema:
        wanted = _TYPES.get(schema["type"], type(None))
        if not isinstance(value, wanted) or (isinstance(value, bool) and schema["type"] != "boolean"):
            yield f"{at}: no {schema['type']}"
            return
    if value not in schema.get("enum", [value]) or value != schema.get("const", value):
        yield f"{at}: no such choice"
    if isinstance(value, dict):
        yield from _object_errors(schema, value, root, at)
    if isinstance(value, list):
        heads = schema.get("prefixItems", [])
        for number, item in enumerate(value):
            part = heads[number] if number < len(heads) else schema.get("items", {})
            yield from _errors(part, item, root, f"{at}.{number}")
    if isinstance(value, str) and not re.search(schema.get("pattern", ""), value):
        yield f"{at}: another pattern"
    if isinstance(value, (int, float)):
        if value < schema.get("minimum", value) or value > schema.get("maximum", value):
            yield f"{at}: out of range"
        if value <= schema.get("exclusiveMinimum", value - 1):
            yield f"{at}: out of range"
    if isinstance(value, (dict, list, str)):
        least = max(schema.get(word, 0) for word in ("minLength", "minItems", "minProperties"))
        if len(value) < least or len(value) > schema.get("maxLength", schema.get("maxItems", len(value))):
            yield f"{at}: too short or too long"


def _object_errors(schema: dict[str, Any], value: dict[str, Any], root: dict[str, Any], at: str) -> Iterator[str]:
    yield from (f"{at}.{key}: missing" for key in schema.get("required", ()) if key not in value)
    for key, item in value.items():
        parts = [part for pattern, part in schema.get("patternProperties", {}).items() if re.search(pattern, key)]
        parts += [schema["properties"][key]] if key in schema.get("properties", {}) else []
        rest = schema.get("additionalProperties", True)
        if not parts and rest is False:
            yield f"{at}.{key}: unknown"
        parts += [rest] if not parts and isinstance(rest, dict) else []
        for part in parts:
            yield from _errors(part, item, root, f"{at}.{key}")


@pytest.mark.parametrize(
    ("file", "kind"),
    [
        (KESTREL_BEND / "site.toml", "site"),
        (TESTS / "creek" / "site.toml", "site"),
        (TESTS / "two_buses.toml", "site"),
        (KESTREL_BEND / "decisions.toml", "decisions"),
        (TESTS / "creek" / "decisions.toml", "decisions"),
    ],
    ids=lambda value: f"{value.parent.name}/{value.name}" if isinstance(value, Path) else "",
)
def test_what_is_shipped_fits(file: Path, kind: str, schemas: dict[str, Any]) -> None:
    """Guards the editor against crying wolf: a file that `check` passes has no error in it. To it a date is text."""
    content = json.loads(json.dumps(tomllib.loads(file.read_text("utf-8")), default=str))
    assert list(_errors(schemas[kind], content, schemas[kind])) == []


@pytest.mark.parametrize(
    ("old", "new", "at"),
    [
        ("travel_s = 8.0\n", "travel_s = 8.0\ntravle_s = 8.0\n", ".block.creek.travle_s: unknown"),
        ("travel_s = 8.0\n", "", ".block.creek.travel_s: missing"),
        ("area_ha = 3.2", "area_ha = 0.0", ".block.creek.area_ha: out of range"),
        ("laterals = 106", "laterals = 106.5", ".block.creek.submain.laterals: no integer"),
        ('"meter", "injection"', '"meter", "pump"', ".main.order.1: no such choice"),
        ('kind = "tcp"', 'kind = "udp"', ".bus.shed: 0 of oneOf"),
        ('"station.in3"', '"in3"', ".pump: 0 of anyOf"),
        ("[block.creek]", "[block.Creek]", ".block.Creek: unknown"),
        ("[limits]", "[limit]", ".limit: unknown"),
    ],
)
def test_what_is_wrong_does_not_fit(old: str, new: str, at: str, schemas: dict[str, Any]) -> None:
    """Guards the schema's teeth: unknown and missing keys, ranges, choices, kinds and names."""
    text = (TESTS / "creek" / "site.toml").read_text("utf-8")
    assert old in text
    assert at in list(_errors(schemas["site"], tomllib.loads(text.replace(old, new)), schemas["site"]))


@pytest.mark.parametrize("file", ["site", "decisions"])
def test_every_key_says_what_it_is(file: str, schemas: dict[str, Any]) -> None:
    """Guards what the editor shows at a key: a description or a title, its own or that of what it holds."""
    root = schemas[file]
    assert root["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert root["description"] and all(part.get("description") for part in root["$defs"].values())
    for part in (root, *root["$defs"].values()):
        for key, schema in part.get("properties", {}).items():
            held = [schema, *schema.get("anyOf", ())]
            held += [root["$defs"][each["$ref"].removeprefix("#/$defs/")] for each in held if "$ref" in each]
            assert any("description" in each or "title" in each for each in held), f"{part['title']}.{key}"


def test_docstrings_are_descriptions(schemas: dict[str, Any]) -> None:
    """Guards the one place where a key is described: the docstring under it in the models."""
    main_line = schemas["site"]["$defs"]["MainLine"]["properties"]
    assert main_line["order"]["description"].startswith("In what order the water meets")
    dose = schemas["decisions"]["$defs"]["Injection"]["properties"]["dose_kg_ha"]
    assert dose["description"] == "Mean dose of `nutrient` over the shift's area in use."


def test_a_file_that_has_no_schema(capsys: pytest.CaptureFixture[str]) -> None:
    """The two that have one are named."""
    with pytest.raises(SystemExit) as left:
        main(["schema", "ledger"])
    assert left.value.code == 2
    assert "choose from site, decisions" in capsys.readouterr().err.replace("'", "")

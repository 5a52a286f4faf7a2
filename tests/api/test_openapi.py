"""The OpenAPI document: the one checked in is the app's, it holds together, and it says what each route may answer."""

import json
import re
import runpy
from pathlib import Path
from typing import Any

import pytest

from service import errors

FOLDER = Path(__file__).parents[2] / "openapi"
DOCUMENT: dict[str, Any] = json.loads((FOLDER / "openapi.json").read_text(encoding="utf-8"))
OPERATIONS = [(method, path, said) for path, item in DOCUMENT["paths"].items() for method, said in item.items()]
V1 = [(method, path, said) for method, path, said in OPERATIONS if path.startswith("/v1")]
by_route = pytest.mark.parametrize(("method", "path", "said"), V1, ids=[f"{method} {path}" for method, path, _ in V1])
# Computed and not kept, or (imports) the same again by itself.
WITHOUT_EFFECT = {"/v1/imports", "/v1/athletes/{athlete_id}/menus", "/v1/athletes/{athlete_id}/menus/swap",
                  "/v1/athletes/{athlete_id}/targets/split"}  # fmt: skip
PROBLEM = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/ProblemDocument"}}}
# Keywords of JSON Schema 2020-12 that the document uses (json-schema.org/draft/2020-12), and OpenAPI's discriminator.
KEYWORDS = {
    "type", "properties", "required", "items", "prefixItems", "additionalProperties", "anyOf", "oneOf", "allOf",
    "enum", "const", "format", "pattern", "minimum", "maximum", "exclusiveMinimum", "exclusiveMaximum", "minLength",
    "maxLength", "minItems", "maxItems", "title", "description", "default", "examples", "$ref", "discriminator",
    "propertyNames", "minProperties", "maxProperties", "contentMediaType",
}  # fmt: skip


def walk(node: Any) -> Any:
    yield node
    for child in node.values() if isinstance(node, dict) else node if isinstance(node, list) else ():
        yield from walk(child)


def schemas(schema: Any) -> Any:
    """A schema and all within it."""
    yield schema
    for name, child in schema.items():
        if name in ("properties", "$defs"):
            for inner in child.values():
                yield from schemas(inner)
        elif name in ("items", "additionalProperties", "propertyNames") and isinstance(child, dict):
            yield from schemas(child)
        elif name in ("anyOf", "oneOf", "allOf", "prefixItems"):
            for inner in child:
                yield from schemas(inner)


def test_the_document_checked_in_is_the_apps() -> None:
    written = runpy.run_path(str(FOLDER / "generate.py"))["document"]()
    assert json.loads(written) == DOCUMENT, "run: python openapi/generate.py"


def test_what_changed_is_told_of_this_version_and_a_caller_may_read_it_by_version() -> None:
    told = re.findall(r"^## (\S+)$", (FOLDER / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert told[0] == DOCUMENT["info"]["version"]
    assert told == sorted(told, key=lambda version: tuple(map(int, version.split("."))), reverse=True)


def test_it_is_openapi_3_1_and_every_reference_leads_somewhere() -> None:
    assert re.fullmatch(r"3\.1\.\d+", DOCUMENT["openapi"])
    references = {node["$ref"] for node in walk(DOCUMENT) if isinstance(node, dict) and "$ref" in node}
    for reference in references:
        place: Any = DOCUMENT
        for part in reference.removeprefix("#/").split("/"):
            assert part in place, reference
            place = place[part]
    used = {reference.rsplit("/", 1)[1] for reference in references}
    assert used == set(DOCUMENT["components"]["schemas"]), "a schema that nobody refers to"


def test_operations_have_names_of_their_own() -> None:
    names = [said["operationId"] for _, _, said in OPERATIONS]
    assert len(names) == len(set(names))
    assert all(re.fullmatch(r"[a-z]+(_[a-z]+)*", name) for name in names), names


def test_schemas_use_json_schemas_words() -> None:
    found = [schema for part in DOCUMENT["components"]["schemas"].values() for schema in schemas(part)]
    found += [p["schema"] for _, _, said in OPERATIONS for p in said.get("parameters", ())]
    assert {word for schema in found for word in schema} <= KEYWORDS
    mass = DOCUMENT["components"]["schemas"]["WeighInBody"]["properties"]["mass_kg"]["anyOf"][0]
    assert mass == {"type": "number", "minimum": 1, "maximum": 1000}


@by_route
def test_every_route_says_which_problems_it_answers(method: str, path: str, said: dict[str, Any]) -> None:
    answers = said["responses"]
    wanted = {"400", "401", "403", "422"}
    parameters = {parameter["name"].lower() for parameter in said.get("parameters", ())}
    wanted |= {"404"} if "{" in path else set()
    wanted |= {"412"} if "if-match" in parameters else set()
    wanted |= {"413", "415"} if "requestBody" in said else set()
    wanted |= {"409"} if method in ("post", "put", "patch", "delete") else set()
    assert wanted <= answers.keys()
    titles = {str(problem.status): problem.title for problem in errors.tree()}
    for status, answer in answers.items():
        if status >= "400":
            assert answer["content"] == PROBLEM and answer["description"] == titles[status], status
    assert [status for status in answers if status < "300"]
    assert said["security"] == [{"HTTPBearer": []}]


@by_route
def test_every_parameter_of_a_path_is_described(method: str, path: str, said: dict[str, Any]) -> None:
    named = {parameter["name"] for parameter in said.get("parameters", ()) if parameter["in"] == "path"}
    assert named == set(re.findall(r"{(\w+)}", path))
    parameters = [(parameter["in"], parameter["name"]) for parameter in said.get("parameters", ())]
    assert len(parameters) == len(set(parameters))
    if method == "post" and path not in WITHOUT_EFFECT:
        assert ("header", "Idempotency-Key") in parameters


@by_route
def test_bodies_refuse_what_they_do_not_know(method: str, path: str, said: dict[str, Any]) -> None:
    content = said.get("requestBody", {}).get("content", {}).get("application/json")
    if content is None:
        return
    for schema in schemas(content["schema"]):
        name = schema.get("$ref", "").rsplit("/", 1)[-1]
        if name:
            assert DOCUMENT["components"]["schemas"][name].get("additionalProperties") is False, name

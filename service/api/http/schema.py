"""The OpenAPI document: what FastAPI derives from the routes, with problems, ranges and implied answers written out."""

from typing import Any

from fastapi import FastAPI

from service import errors
from service.api.http.problems import ProblemDocument, documented
from service.errors import Problem

_RANGES = {"ge": "minimum", "gt": "exclusiveMinimum", "le": "maximum", "lt": "exclusiveMaximum"}
WRITES = ("post", "put", "patch", "delete")


def publish_schema(app: FastAPI) -> None:
    """Make `app.openapi()` give the whole document."""
    derive = app.openapi

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is None:
            app.openapi_schema = _complete(derive())
        return app.openapi_schema

    app.openapi = openapi  # type: ignore[method-assign]


def _complete(document: dict[str, Any]) -> dict[str, Any]:
    problem = ProblemDocument.model_json_schema(ref_template="#/components/schemas/{model}")
    document["components"]["schemas"] |= {**problem.pop("$defs"), "ProblemDocument": problem}
    for path, item in document["paths"].items():
        for method, operation in item.items():
            if path.startswith("/v1"):
                implied = documented(*_implied(path, method, operation))
                known = operation["responses"]
                known |= {str(status): said for status, said in implied.items() if str(status) not in known}
    _write_ranges(document)
    return document


def _implied(path: str, method: str, operation: dict[str, Any]) -> list[type[Problem]]:
    """Problems that a route may answer by its form alone."""
    found: list[type[Problem]] = []
    if "{" in path:
        found.append(errors.NotFound)
    if method in WRITES:
        found.append(errors.Conflict)  # another request stored the same at the same moment
    if "requestBody" in operation:
        found += [errors.TooLarge, errors.UnsupportedMedia]
    return found


def _write_ranges(node: Any) -> None:
    """Pydantic leaves the limits of a number that has a validator of its own under names that JSON Schema lacks."""
    if isinstance(node, list):
        for item in node:
            _write_ranges(item)
    elif isinstance(node, dict):
        for short, name in _RANGES.items():
            if isinstance(node.get(short), int | float):
                node[name] = node.pop(short)
            elif isinstance(node.get(short), str) and node.get("type") == "string":
                del node[short]  # JSON Schema has no range of dates
        for item in node.values():
            _write_ranges(item)

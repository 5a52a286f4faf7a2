"""From exceptions to RFC 9457 answers."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import orjson
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel
from sqlalchemy.exc import IntegrityError
from starlette.exceptions import HTTPException
from starlette.routing import Match

from service import errors
from service.api.http.fields import HOW_TO_WRITE
from service.errors import Fault, Problem

MEDIA_TYPE = "application/problem+json"
ONE, MANY = "(one)", "(many)"  # tags of a body that is an object or an array; no part of a pointer
ALWAYS = (errors.Malformed, errors.Unauthorised, errors.Forbidden, errors.Invalid)  # any route may answer these
_IN_OUR_WORDS = {  # details of faults that a library would word for programmers, by their codes
    "date_parsing": HOW_TO_WRITE["date"],
    "date_from_datetime_parsing": HOW_TO_WRITE["date"],
    "date_from_datetime_inexact": HOW_TO_WRITE["date"],
    "datetime_parsing": HOW_TO_WRITE["instant"],
    "datetime_from_date_parsing": HOW_TO_WRITE["instant"],
    "timezone_aware": HOW_TO_WRITE["instant"],
}
_OWN_ID = "an id of this service is meant, a UUID; GET /v1/athletes?external_id= finds an athlete by your own"
_BY_STATUS = {problem.status: problem for problem in errors.tree()}


class ProblemDocument(BaseModel):
    """RFC 9457 problem details."""

    type: str
    title: str
    status: int
    detail: str
    errors: list[Fault]


def documented(*problems: type[Problem]) -> dict[int | str, dict[str, Any]]:
    """OpenAPI responses for problems; those that a route's form implies are added by `schema.py`."""
    return {
        problem.status: {
            "description": problem.title,
            "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/ProblemDocument"}}},
        }
        for problem in problems
    }


def faults_of(found: Sequence[Any], skip: int = 0) -> list[Fault]:
    """Pydantic's errors as faults with JSON Pointers; `skip` leading parts of the location are left out."""
    faults = []
    for error in found:
        place = [
            str(part).replace("~", "~0").replace("/", "~1") for part in error["loc"][skip:] if part not in (ONE, MANY)
        ]
        pointer = "".join(f"/{part}" for part in place).encode(errors="backslashreplace").decode()  # half a surrogate
        detail = _IN_OUR_WORDS.get(error["type"]) or str(error["msg"]).removeprefix("Value error, ")
        faults.append(Fault(pointer=pointer, code=str(error["type"]), detail=detail))
    return faults


def handle_problems(app: FastAPI) -> None:
    """Make every error of the application a problem."""
    app.add_exception_handler(Problem, _problem)
    app.add_exception_handler(RequestValidationError, _validation)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(IntegrityError, _at_the_same_moment)
    app.add_exception_handler(Exception, _unexpected)


def render(problem: Problem) -> Response:
    """A problem as a response."""
    return Response(orjson.dumps(problem.document()), problem.status, problem.headers, media_type=MEDIA_TYPE)


async def _problem(_: Request, error: Exception) -> Response:
    assert isinstance(error, Problem)
    return render(error)


async def _validation(_: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    found = error.errors()
    if any(item["type"] == "json_invalid" for item in found):
        return render(
            errors.Malformed("the body is not JSON: " + "; ".join(str(item["ctx"]["error"]) for item in found))
        )
    faults = []
    for item in found:
        where = item["loc"][0]
        if where == "body":
            faults += faults_of([item], skip=1)
        else:
            fault = faults_of([item], skip=1)[0]
            if item["loc"] == ("path", "athlete_id"):
                fault = replace(fault, detail=_OWN_ID)
            faults.append(replace(fault, pointer=fault.pointer.removeprefix("/")))
    return render(errors.Invalid(_summary(faults), faults))


def _summary(faults: Sequence[Fault]) -> str:
    first = faults[0]
    more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
    return f"{first.pointer or 'body'}: {first.detail}{more}"


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    kind = _BY_STATUS.get(error.status_code)
    if kind is None:
        kind = errors.Malformed if error.status_code < 500 else Problem
    problem = kind() if kind is errors.Unauthorised else kind(str(error.detail))
    problem.headers.update(error.headers or {})
    if error.status_code == 405:
        problem.headers["Allow"] = ", ".join(_methods(request))
    return render(problem)


def _methods(request: Request) -> list[str]:
    """What the path allows. Starlette's own Allow names the methods of the first route with that path alone."""
    return [
        listed
        for method, listed in {
            "GET": "GET, HEAD",
            "POST": "POST",
            "PUT": "PUT",
            "PATCH": "PATCH",
            "DELETE": "DELETE",
        }.items()
        if any(route.matches({**request.scope, "method": method})[0] is Match.FULL for route in request.app.routes)
    ]


async def _at_the_same_moment(_: Request, error: Exception) -> Response:
    """Two requests wrote the same key at once: what the second would have found, had it come later, is a conflict."""
    return render(errors.Conflict("somebody else wrote the same at the same moment; try again"))


async def _unexpected(_: Request, error: Exception) -> Response:
    return render(Problem())

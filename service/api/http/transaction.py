"""One request, one transaction: authenticate, run, keep the answer for repeats, commit, and only then respond."""

import hashlib
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from datetime import timedelta
from typing import Annotated, Any

from fastapi import Depends, Request, Response
from fastapi.routing import APIRoute
from pydantic import TypeAdapter, ValidationError
from sqlalchemy.exc import DBAPIError
from sqlalchemy.ext.asyncio import AsyncConnection
from starlette.types import Message

from service.auth import Principal, authenticate
from service.errors import Conflict, Invalid, Malformed, TooLarge, UnsupportedMedia
from service.store.engine import Database, met_another
from service.store.scope import Scope, table_of
from service.store.tables import IdempotentAnswer
from service.store.types import now

KEEP_ANSWERS_FOR = timedelta(hours=24)
IDEMPOTENCY_KEY = {
    "name": "Idempotency-Key",
    "in": "header",
    "required": False,
    "schema": {"type": "string", "minLength": 1, "maxLength": 255},
    "description": "the same key and body again within 24 hours get the first answer, and have no second effect",
}
_FLAG = TypeAdapter(bool)
Handler = Callable[[Request], Coroutine[Any, Any, Response]]


class CommittedRoute(APIRoute):
    """A route whose whole work is one transaction, committed before the response is sent.

    GETs read in autocommit. Other methods write: an error or `dry_run=true` rolls everything back. A POST with an
    `Idempotency-Key` keeps its answer with the write; the same key again within 24 hours gets that answer. The body
    is read before the transaction starts, so a slow sender holds none; a transaction that met another one's rows is run
    again.
    """

    def __init__(self, path: str, endpoint: Callable[..., Any], **options: Any) -> None:
        if "POST" in (options.get("methods") or ()):
            options["openapi_extra"] = {"parameters": [IDEMPOTENCY_KEY], **(options.get("openapi_extra") or {})}
        super().__init__(path, endpoint, **options)

    def get_route_handler(self) -> Handler:
        """Wrap FastAPI's handler."""
        inner = super().get_route_handler()

        async def handle(request: Request) -> Response:
            database: Database = request.app.state.database
            principal = await admit(request)
            if request.method == "GET":
                async with database.reading() as connection:
                    request.state.scope = Scope(connection, principal.practice_id)
                    return await inner(request)
            key = _idempotency_key(request, principal)
            return await _write(database, principal, await received(request), key, inner)

        return handle


class PreparedRoute(CommittedRoute):
    """A committed route that does its long work before it takes the writer.

    The endpoint is run on a reading connection first, to put what it has worked out into `request.state.prepared` and
    keep nothing, then in the transaction, to keep it if it still holds. A dry run needs the first only.
    """

    def get_route_handler(self) -> Handler:
        """Wrap FastAPI's handler."""
        inner = APIRoute.get_route_handler(self)

        async def handle(request: Request) -> Response:
            database: Database = request.app.state.database
            principal = await admit(request)
            key = _idempotency_key(request, principal)
            request = await received(request)
            request.state.prepared = Prepared()
            async with database.reading() as connection:
                request.state.scope = Scope(connection, principal.practice_id)
                answer = await inner(request)
            if is_dry_run(request):
                return answer
            request.state.prepared.keep = True
            return await _write(database, principal, request, key, inner)

        return handle


@dataclass
class Prepared:
    """What a route has worked out so far, and whether it is to keep something now."""

    work: Any = None
    keep: bool = False


class StreamedRoute(APIRoute):
    """A route that reads its body as a stream and commits in pieces of its own."""

    def get_route_handler(self) -> Handler:
        """Wrap FastAPI's handler."""
        inner = super().get_route_handler()

        async def handle(request: Request) -> Response:
            await admit(request)
            return await inner(request)

        return handle


async def admit(request: Request) -> Principal:
    """Who is calling, also as `request.state.principal`.

    Raises
    ------
    Unauthorised
        If there is no good key.
    Malformed
        If the address holds a NUL character, which no text column can be compared with.
    """
    principal = await authenticate(request.app.state.database, request.headers.get("authorization"))
    if "\0" in request.scope["path"] or any("\0" in value for value in request.query_params.values()):
        raise Malformed("the address holds a NUL character")
    request.state.principal = principal
    return principal


async def received(request: Request) -> Request:
    """The request with its whole body read.

    Raises
    ------
    TooLarge
        If the body is over the limit of the settings.
    UnsupportedMedia
        If there is a body that does not say it is JSON.
    """
    request = _limited(request, request.app.state.settings.max_body_bytes)
    if await request.body() and not _is_json(request.headers.get("content-type", "")):
        raise UnsupportedMedia("send Content-Type: application/json")
    return request


async def _write(
    database: Database, principal: Principal, request: Request, key: str | None, inner: Handler
) -> Response:
    async def work(connection: AsyncConnection) -> Response:
        request.state.after_commit = None
        scope = request.state.scope = Scope(connection, principal.practice_id)
        if key is not None:
            kept = await _claim(scope, request, key, await _digest(request))
            if kept is not None:
                return kept
        response = await inner(request)
        if is_dry_run(request):
            await connection.rollback()
            request.state.after_commit = None
        elif key is not None:
            await _keep(scope, request, key, response)
        return response

    try:
        response = await database.write(work)
    except DBAPIError as error:
        if met_another(error):
            raise Conflict("the same was stored at the same moment; read it again, then decide") from error
        raise
    after_commit: Callable[[], None] | None = request.state.after_commit
    if after_commit is not None:
        after_commit()
    return response


def _limited(request: Request, limit: int) -> Request:
    """The request, whose body is refused where it passes the limit. (Starlette's own limit answers in plain text.)"""
    size = 0

    async def receive() -> Message:
        nonlocal size
        message = await request.receive()
        size += len(message.get("body", b""))
        if size > limit:
            raise TooLarge(f"a body may have {limit} bytes")
        return message

    declared = request.headers.get("content-length", "")
    if declared.isdecimal() and int(declared) > limit:
        raise TooLarge(f"a body may have {limit} bytes")
    return Request(request.scope, receive)


def is_dry_run(request: Request) -> bool:
    """Whether the caller wants the answer without anything kept."""
    try:
        return _FLAG.validate_python(request.query_params.get("dry_run", False))
    except ValidationError as error:
        raise Invalid.field("dry_run", "bool_parsing", "must be true or false") from error


def _is_json(content_type: str) -> bool:
    media_type = content_type.partition(";")[0].strip().lower()
    return media_type == "application/json" or (media_type.startswith("application/") and media_type.endswith("+json"))


def _idempotency_key(request: Request, principal: Principal) -> str | None:
    """The caller's Idempotency-Key; each of a practice's keys has a space of its own, for they may see other things."""
    value = request.headers.get("idempotency-key")
    if value is None or request.method != "POST":
        return None
    key = value.strip().removeprefix('"').removesuffix('"')
    if not 1 <= len(key) <= 255:
        raise Malformed("Idempotency-Key must be a string of 1 to 255 characters")
    return f"{principal.key_id} {key}"


async def _digest(request: Request) -> str:
    return hashlib.sha256(f"{request.url.query}\n".encode() + await request.body()).hexdigest()


async def _claim(scope: Scope, request: Request, key: str, body_digest: str) -> Response | None:
    """Make the key this request's own, or return the answer kept for it. A concurrent twin waits here."""
    answer = table_of(IdempotentAnswer)
    await scope.run(scope.delete(IdempotentAnswer).where(answer.c.kept_at < now() - KEEP_ANSWERS_FOR))
    row = {"route": request.url.path, "key": key, "request_digest": body_digest}
    if await scope.insert_new(IdempotentAnswer, [row], key=("practice_id", "route", "key")):
        return None
    found = await scope.first(
        scope.select(IdempotentAnswer).where(answer.c.route == request.url.path, answer.c.key == key)
    )
    assert found is not None
    if found.request_digest != body_digest:
        raise Invalid("this Idempotency-Key was used with another body; use a new key for a new request")
    if found.status is None:
        raise Conflict("this Idempotency-Key was used; the answer held a secret, which is shown once and never kept")
    headers = {**(found.headers or {}), "idempotency-replayed": "true"}
    return Response(found.body, found.status, headers)


async def _keep(scope: Scope, request: Request, key: str, response: Response) -> None:
    """Keep the answer for a repeat, unless it holds a secret (`Cache-Control: no-store`)."""
    if response.headers.get("cache-control") == "no-store":
        return
    answer = table_of(IdempotentAnswer)
    headers = {name: value for name, value in response.headers.items() if name != "content-length"}
    await scope.run(
        scope.update(IdempotentAnswer)
        .where(answer.c.route == request.url.path, answer.c.key == key)
        .values(status=response.status_code, headers=headers, body=bytes(response.body).decode())
    )


async def _prepared(request: Request) -> Prepared:
    prepared: Prepared = request.state.prepared
    return prepared


InTwoSteps = Annotated[Prepared, Depends(_prepared)]


async def _scope(request: Request) -> Scope:
    scope: Scope = request.state.scope
    return scope


Here = Annotated[Scope, Depends(_scope)]


def dry_run(dry_run: bool = False) -> bool:
    """Answer as usual, keep nothing."""
    return dry_run


DryRun = Annotated[bool, Depends(dry_run)]

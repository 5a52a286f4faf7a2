"""One request, one transaction: authenticate, run, keep the answer for repeats, commit, and only then respond."""

import hashlib
from collections.abc import Callable, Coroutine
from datetime import timedelta
from typing import Annotated, Any

from fastapi import Depends, Request, Response
from fastapi.routing import APIRoute

from service.auth import Principal, authenticate
from service.errors import Invalid, Malformed
from service.store.engine import Database
from service.store.scope import Scope, table_of
from service.store.tables import IdempotentAnswer
from service.store.types import now

KEEP_ANSWERS_FOR = timedelta(hours=24)
Handler = Callable[[Request], Coroutine[Any, Any, Response]]


class CommittedRoute(APIRoute):
    """A route whose whole work is one transaction, committed before the response is sent.

    GETs read in autocommit. Other methods write: an error or `dry_run=true` rolls everything back. A POST with an
    `Idempotency-Key` keeps its answer with the write; the same key again within 24 hours gets that answer.
    """

    def get_route_handler(self) -> Handler:
        """Wrap FastAPI's handler."""
        inner = super().get_route_handler()

        async def handle(request: Request) -> Response:
            database: Database = request.app.state.database
            principal = await authenticate(database, request.headers.get("authorization"))
            request.state.principal = principal
            if request.method == "GET":
                async with database.reading() as connection:
                    request.state.scope = Scope(connection, principal.practice_id)
                    return await inner(request)
            return await _write(database, principal, request, inner)

        return handle


class StreamedRoute(APIRoute):
    """A route that reads its body as a stream and commits in pieces of its own."""

    def get_route_handler(self) -> Handler:
        """Wrap FastAPI's handler."""
        inner = super().get_route_handler()

        async def handle(request: Request) -> Response:
            header = request.headers.get("authorization")
            request.state.principal = await authenticate(request.app.state.database, header)
            return await inner(request)

        return handle


async def _write(database: Database, principal: Principal, request: Request, inner: Handler) -> Response:
    key = _idempotency_key(request)
    body_digest = "" if key is None else await _digest(request)
    async with database.writing() as connection:
        scope = request.state.scope = Scope(connection, principal.practice_id)
        if key is not None:
            kept = await _claim(scope, request, key, body_digest)
            if kept is not None:
                return kept
        response = await inner(request)
        if is_dry_run(request):
            await connection.rollback()
            return response
        if key is not None:
            await _keep(scope, request, key, response)
    after_commit: Callable[[], None] | None = getattr(request.state, "after_commit", None)
    if after_commit is not None:
        after_commit()
    return response


def is_dry_run(request: Request) -> bool:
    """Whether the caller wants the answer without anything kept."""
    return request.query_params.get("dry_run", "").lower() in ("true", "1", "yes", "on")


def _idempotency_key(request: Request) -> str | None:
    value = request.headers.get("idempotency-key")
    if value is None or request.method != "POST":
        return None
    key = value.strip().removeprefix('"').removesuffix('"')
    if not 1 <= len(key) <= 255:
        raise Malformed("Idempotency-Key must be a string of 1 to 255 characters")
    return key


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
    headers = {**(found.headers or {}), "idempotency-replayed": "true"}
    return Response(found.body, found.status, headers)


async def _keep(scope: Scope, request: Request, key: str, response: Response) -> None:
    answer = table_of(IdempotentAnswer)
    headers = {name: value for name, value in response.headers.items() if name != "content-length"}
    await scope.run(
        scope.update(IdempotentAnswer)
        .where(answer.c.route == request.url.path, answer.c.key == key)
        .values(status=response.status_code, headers=headers, body=bytes(response.body).decode())
    )


async def _scope(request: Request) -> Scope:
    scope: Scope = request.state.scope
    return scope


Here = Annotated[Scope, Depends(_scope)]


def dry_run(dry_run: bool = False) -> bool:
    """Answer as usual, keep nothing."""
    return dry_run


DryRun = Annotated[bool, Depends(dry_run)]

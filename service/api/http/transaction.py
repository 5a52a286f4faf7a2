"""One request, one transaction: authenticate, run, keep the answer for repeats, commit, and only then respond."""

from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Depends, Request, Response
from fastapi.routing import APIRoute
from pydantic import TypeAdapter, ValidationError
from sqlalchemy.exc import DBAPIError

from service.api.http.idempotency import IDEMPOTENCY_KEY, claim, idempotency_key, keep
from service.api.http.receiving import admit, received
from service.auth import Principal
from service.errors import Conflict, Invalid
from service.store.engine import Database, met_another
from service.store.scope import Scope
from service.store.shared_writer import Connection

RACES = 2  # so often work is done again because of what was stored meanwhile
_FLAG = TypeAdapter(bool)
Handler = Callable[[Request], Coroutine[Any, Any, Response]]
Writer = Callable[[Callable[[Connection], Coroutine[Any, Any, Response]]], Coroutine[Any, Any, Response]]


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
                    request.state.scope = Scope(connection, principal.practice_id, principal.clock_at)
                    return await inner(request)
            key = idempotency_key(request, principal)
            return await _write(database.write_small, principal, await received(request), key, inner)

        return handle


class PreparedRoute(CommittedRoute):
    """A committed route that does its long work before it takes the writer.

    The endpoint is run on a reading connection first, to put what it has worked out into `request.state.prepared` and
    keep nothing, then in the transaction, to keep it if it still holds. Where it raises `Overtaken` there, both are
    done again; the last time (`Prepared.last`) it keeps what it has. A dry run needs the first only.
    """

    answers_at_first = True

    def get_route_handler(self) -> Handler:
        """Wrap FastAPI's handler."""
        inner = APIRoute.get_route_handler(self)

        async def handle(request: Request) -> Response:
            database: Database = request.app.state.database
            principal = await admit(request)
            key = idempotency_key(request, principal)
            request = await received(request)
            for race in range(RACES + 1):
                request.state.prepared = Prepared(last=race == RACES)
                async with database.reading() as connection:
                    request.state.scope = Scope(connection, principal.practice_id, principal.clock_at)
                    answer = await inner(request)
                if self.answers_at_first and is_dry_run(request):
                    return answer
                request.state.prepared.keep = True
                try:
                    return await _write(database.write, principal, request, key, inner)
                except Overtaken:
                    pass
            raise RuntimeError("a prepared route has to keep what it has the last time")

        return handle


class CheckedRoute(PreparedRoute):
    """A prepared route whose answer is known only in the transaction: a dry run goes through it too, rolled back."""

    answers_at_first = False


@dataclass
class Prepared:
    """What a route has worked out so far, whether it is to keep something now, and whether it may not ask for more."""

    work: Any = None
    keep: bool = False
    last: bool = False


class Overtaken(Exception):
    """What was worked out does not hold any more."""


class ReadingRoute(APIRoute):
    """A POST that computes and keeps nothing: it reads in autocommit, so that nobody's write waits for a solver."""

    def get_route_handler(self) -> Handler:
        """Wrap FastAPI's handler."""
        inner = super().get_route_handler()

        async def handle(request: Request) -> Response:
            database: Database = request.app.state.database
            principal = await admit(request)
            request = await received(request)
            async with database.reading() as connection:
                request.state.scope = Scope(connection, principal.practice_id, principal.clock_at)
                return await inner(request)

        return handle


class StreamedRoute(APIRoute):
    """A route that reads its body as a stream and commits in pieces of its own."""

    def get_route_handler(self) -> Handler:
        """Wrap FastAPI's handler."""
        inner = super().get_route_handler()

        async def handle(request: Request) -> Response:
            await admit(request)
            return await inner(request)

        return handle


async def _write(write: Writer, principal: Principal, request: Request, key: str | None, inner: Handler) -> Response:
    async def work(connection: Connection) -> Response:
        request.state.after_commit = None
        scope = request.state.scope = Scope(connection, principal.practice_id, principal.clock_at)
        if key is not None:
            kept = await claim(scope, request, key)
            if kept is not None:
                return kept
        response = await inner(request)
        if is_dry_run(request):
            await connection.rollback()
            request.state.after_commit = None
        elif key is not None:
            await keep(scope, request, key, response)
        return response

    try:
        response = await write(work)
    except DBAPIError as error:
        if met_another(error):
            raise Conflict("the same was stored at the same moment; read it again, then decide") from error
        raise
    after_commit: Callable[[], None] | None = request.state.after_commit
    if after_commit is not None:
        after_commit()
    return response


def is_dry_run(request: Request) -> bool:
    """Whether the caller wants the answer without anything kept."""
    try:
        return _FLAG.validate_python(request.query_params.get("dry_run", False))
    except ValidationError as error:
        raise Invalid.field("dry_run", "bool_parsing", "must be true or false") from error


async def _prepared(request: Request) -> Prepared:
    prepared: Prepared = request.state.prepared
    return prepared


InTwoSteps = Annotated[Prepared, Depends(_prepared)]


async def _scope(request: Request) -> Scope:
    scope: Scope = request.state.scope
    return scope


Here = Annotated[Scope, Depends(_scope)]


async def dry_run(dry_run: bool = False) -> bool:
    """Answer as usual, keep nothing."""
    return dry_run


DryRun = Annotated[bool, Depends(dry_run)]

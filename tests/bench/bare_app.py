"""The floor of a write over HTTP: bare Starlette, one row inserted by the driver alone, at the service's durability.

SQLite: one connection on the event loop, write-ahead log, synchronous=FULL. PostgreSQL: a pool of asyncpg that resets
nothing. Run by uvicorn as the service is; the database is the one of `BARE_URL`.
"""

import os
import sqlite3
import uuid
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from datetime import date

import orjson
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

POOL = 16
TABLE = "CREATE TABLE bare (practice {id}, athlete {id}, day date, kg float, id {id}, PRIMARY KEY (practice, id))"
INDEX = "CREATE INDEX bare_day ON bare (practice, athlete, day)"
INSERT = "INSERT INTO bare (practice, athlete, day, kg, id) VALUES ($1, $2, $3, $4, $5)"
PRACTICE = uuid.UUID(int=7)
Add = Callable[[dict[str, str | float], uuid.UUID], Awaitable[None]]


@asynccontextmanager
async def on_sqlite(url: str) -> AsyncIterator[Add]:
    connection = sqlite3.connect(url.removeprefix("sqlite:///"), isolation_level=None)
    for statement in ("PRAGMA journal_mode=WAL", "PRAGMA synchronous=FULL", TABLE.format(id="text"), INDEX):
        connection.execute(statement)

    async def add(said: dict[str, str | float], entry: uuid.UUID) -> None:
        row = (PRACTICE.hex, said["athlete"], said["date"], said["mass_kg"], entry.hex)
        connection.execute(INSERT, row)

    yield add
    connection.close()


@asynccontextmanager
async def on_postgresql(url: str) -> AsyncIterator[Add]:
    import asyncpg

    async def nothing(_connection: object) -> None:
        """The pool's own reset is a round trip for each request."""

    pool = await asyncpg.create_pool(url, min_size=POOL, max_size=POOL, reset=nothing)
    await pool.execute(TABLE.format(id="uuid"))
    await pool.execute(INDEX)

    async def add(said: dict[str, str | float], entry: uuid.UUID) -> None:
        day, athlete = date.fromisoformat(str(said["date"])), uuid.UUID(str(said["athlete"]))
        async with pool.acquire() as connection:
            await connection.execute(INSERT, PRACTICE, athlete, day, said["mass_kg"], entry)

    yield add
    await pool.close()


def application() -> Starlette:
    """The application; `POST /w` inserts a row."""
    url = os.environ["BARE_URL"]

    @asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        async with (on_sqlite if url.startswith("sqlite") else on_postgresql)(url) as app.state.add:
            yield

    async def write(request: Request) -> Response:
        entry = uuid.uuid4()
        await request.app.state.add(orjson.loads(await request.body()), entry)
        return Response(b'{"id":"%b"}' % str(entry).encode(), status_code=201, media_type="application/json")

    return Starlette(routes=[Route("/w", write, methods=["POST"])], lifespan=life)

"""The service's own paths beside the least that the same drivers can do, in the same run: ratios, never seconds.

Processor time of this process is measured, which other work on the machine does not stretch; that of the PostgreSQL
server is in neither side. `python -m tests.bench.test_api_speed` prints the ratios with more rounds.

- A weigh-in over the API (key checked, body validated, history kept, roll-up, doubts and stale reviews settled, one
  commit) beside a bare Starlette route that inserts one row: requests handed to both applications directly.
- An import of weigh-ins and meals (validated, known lines recognised, roll-ups kept) beside an upsert of as many rows.
- A night's sweep (weekly reviews and check-ins) beside reading the same athletes' rows into arrays.
"""

import asyncio
import gc
import tempfile
import time
import uuid
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import aiosqlite
import orjson
import psycopg
from sqlalchemy.engine import make_url
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from service.api.imports import import_file
from service.application.evidence.gather import read_log
from service.application.practices import find_or_make_practice
from service.auth import SCOPES, Principal, insert_key
from service.jobs.clock import tick
from service.main import create_app
from service.settings import Settings
from service.store.engine import Database
from service.store.scope import Scope
from service.store.tables import Athlete, Review
from tests.databases import ENGINES, Databases

FIRST = date(2026, 1, 5)
TABLE = (
    "CREATE TABLE bare (practice text, athlete text, day date, kg float, id text, PRIMARY KEY (practice, athlete, id))"
)
INSERT = "INSERT INTO bare (practice, athlete, day, kg, id) VALUES (?, ?, ?, ?, ?)"
CHUNK = 500
Application = Callable[[Any, Any, Any], Awaitable[None]]


@dataclass(frozen=True)
class Measured:
    """Processor seconds for one unit of work: the service's and the bare one's."""

    service_s: float
    bare_s: float

    @property
    def ratio(self) -> float:
        """The share of the bare path's speed that the service reaches."""
        return self.bare_s / self.service_s


async def call(app: Application, path: str, body: dict[str, Any], key: str = "") -> int:
    """One POST, handed to an application as a server would."""
    content, status = orjson.dumps(body), []
    headers = [(b"content-type", b"application/json"), (b"authorization", b"Bearer " + key.encode())]
    headers.append((b"content-length", str(len(content)).encode()))
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "POST", "scheme": "http",
        "path": path, "raw_path": path.encode(), "query_string": b"", "root_path": "", "headers": headers,
        "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 80), "state": {},
    }  # fmt: skip
    messages = [{"type": "http.request", "body": content, "more_body": False}]

    async def receive() -> dict[str, Any]:
        return messages.pop() if messages else {"type": "http.disconnect"}

    async def send(message: dict[str, Any]) -> None:
        if message["type"] == "http.response.start":
            status.append(message["status"])

    await app(scope, receive, send)
    return status[0]


async def cpu_s(work: Callable[[], Awaitable[Any]], units: int) -> float:
    gc.collect()  # what earlier tests left behind is not collected inside the measurement
    begun = time.process_time()
    await work()
    return (time.process_time() - begun) / units


async def open_bare(url: str) -> Any:
    """A connection of the driver alone with an empty table."""
    if url.startswith("sqlite"):
        connection: Any = await aiosqlite.connect(str(make_url(url).database) + ".bare", isolation_level=None)
        await connection.execute("PRAGMA journal_mode=WAL")
        await connection.execute("PRAGMA synchronous=FULL")
    else:
        connection = await psycopg.AsyncConnection.connect(url, autocommit=True)
    await connection.execute(TABLE)
    return connection


def in_dialect(url: str, statement: str) -> str:
    return statement if url.startswith("sqlite") else statement.replace("?", "%s")


def row(number: int, on: str) -> tuple[str, str, str, float, str]:
    return (str(uuid.UUID(int=7)), str(uuid.UUID(int=number % 20)), on, 64.1, str(uuid.uuid4()))


async def weigh_in(url: str, count: int) -> Measured:
    """Single weigh-ins of twenty athletes who have six weeks of log."""
    app = create_app(Settings(database_url=url))
    bare = await open_bare(url)
    insert = in_dialect(url, INSERT)

    async def add(request: Request) -> Response:
        said = orjson.loads(await request.body())
        await bare.execute(insert, row(0, said["date"]))
        return Response(b"{}", status_code=201, media_type="application/json")

    least = Starlette(routes=[Route("/w", add, methods=["POST"])])
    async with app.router.lifespan_context(app):
        practice = await take_in(app.state.database, 20, 42)
        async with app.state.database.writing() as connection:
            scope = Scope(connection, practice)
            _, key = await insert_key(scope, "bench", SCOPES)
            ids = [athlete.id for athlete in await scope.rows(scope.select(Athlete))]
        bodies = [{"date": str(FIRST + timedelta(days=42 + n // 20)), "mass_kg": 64.1} for n in range(count)]
        paths = [f"/v1/athletes/{ids[n % 20]}/weigh-ins" for n in range(count)]

        async def post(app: Application, some: range, bare_path: str | None = None) -> None:
            for n in some:
                assert await call(app, bare_path or paths[n], bodies[n], "" if bare_path else key) == 201

        warm, timed = range(count // 5), range(count // 5, count)
        await post(app, warm)
        await post(least, warm, "/w")
        service_s = await cpu_s(lambda: post(app, timed), len(timed))
        bare_s = await cpu_s(lambda: post(least, timed, "/w"), len(timed))
    await bare.close()
    return Measured(service_s, bare_s)


def lines(athletes: int, days: int) -> list[dict[str, Any]]:
    made: list[dict[str, Any]] = []
    for number in range(athletes):
        name = f"a{number:04d}"
        who = {"external_id": name, "sex": "female", "birth_date": "1994-05-02", "height_cm": 168}
        made.append({"type": "athlete", **who})
        made.append(
            {"type": "phase", "athlete": name, "kind": "maintain", "starts_on": str(FIRST), "energy_kcal": 2050}
        )
        for day in range(days):
            entry = {"athlete": name, "date": str(FIRST + timedelta(days=day))}
            made.append({"type": "weigh_in", **entry, "mass_kg": 64 + day % 5 / 10})
            made.append({"type": "meal", **entry, "energy_kcal": 2050, "protein_g": 120, "slot": 1})
    return made


async def take_in(database: Database, athletes: int, days: int) -> uuid.UUID:
    async with database.writing() as connection:
        practice, _ = await find_or_make_practice(connection, "Fen Edge")
    await keep(database, practice, lines(athletes, days))
    return practice


async def keep(database: Database, practice: uuid.UUID, made: Sequence[dict[str, Any]]) -> None:
    caller = Principal(practice, uuid.uuid4(), frozenset(SCOPES), None)
    with tempfile.NamedTemporaryFile(suffix=".ndjson") as file:
        file.write(b"\n".join(map(orjson.dumps, made)))
        file.flush()
        done = await import_file(database, caller, Path(file.name), "ndjson")
    assert (done.state, done.lines_faulty) == ("done", 0)


async def imported(url: str, athletes: int, days: int) -> Measured:
    """Lines of an import beside as many upserted rows, in transactions of the same size."""
    database = Database(url)
    async with database.writing() as connection:
        practice, _ = await find_or_make_practice(connection, "Fen Edge")
    made = lines(athletes, days)
    service_s = await cpu_s(lambda: keep(database, practice, made), len(made))
    await database.close()
    bare = await open_bare(url)
    rows = [row(number, str(FIRST)) for number in range(len(made))]
    upsert = in_dialect(url, INSERT + " ON CONFLICT (practice, athlete, id) DO UPDATE SET kg = excluded.kg")

    async def put() -> None:
        for first in range(0, len(rows), CHUNK):
            await bare.execute("BEGIN")
            if isinstance(bare, aiosqlite.Connection):
                await bare.executemany(upsert, rows[first : first + CHUNK])
            else:
                await bare.cursor().executemany(upsert, rows[first : first + CHUNK])
            await bare.execute("COMMIT")

    bare_s = await cpu_s(put, len(rows))
    await bare.close()
    return Measured(service_s, bare_s)


async def sweep(url: str, athletes: int, days: int) -> Measured:
    """A tick that reviews and checks on everybody beside reading everybody's arrays; the best of three each."""
    database = Database(url)
    practice = await take_in(database, athletes, days)
    first = datetime.combine(FIRST + timedelta(days=days), datetime.min.time(), UTC) + timedelta(hours=6)
    nights = [first + timedelta(weeks=week) for week in range(3)]
    async with database.reading() as connection:
        scope = Scope(connection, practice)
        everybody = await scope.all(Athlete, scope.select(Athlete))

        async def load() -> None:
            (await read_log(scope, everybody, first.date(), first.date())).rosters()

        bare_s = [await cpu_s(load, athletes) for _ in nights]
    service_s = []
    for night in nights:
        service_s.append(await cpu_s(lambda at=night: tick(database, at), athletes))
        result = await tick(database, night)
        assert (result.reviews.done, result.check_ins.done) == (0, 0)  # the timed one did everything
    async with database.reading() as connection:
        assert len(await Scope(connection, practice).rows(scope.select(Review))) == athletes * len(nights)
    await database.close()
    return Measured(min(service_s), min(bare_s))


async def test_a_weigh_in_beside_a_bare_insert(database_url: str) -> None:
    measured = await weigh_in(database_url, 150)
    assert measured.ratio > 0.01, measured


async def test_an_import_beside_a_bare_upsert(database_url: str) -> None:
    measured = await imported(database_url, 20, 60)
    assert measured.ratio > 0.005, measured


async def test_a_sweep_beside_reading_the_same_rows(database_url: str) -> None:
    measured = await sweep(database_url, 120, 60)
    assert measured.ratio > 0.03, measured


async def _report(databases: Databases) -> None:
    for engine in ENGINES:
        for what, unit, run in (
            ("weigh-in over the API / bare Starlette insert", "requests", lambda url: weigh_in(url, 1000)),
            ("import / bare upsert", "lines", lambda url: imported(url, 60, 120)),
            ("night's sweep / reading alone", "athletes", lambda url: sweep(url, 300, 120)),
        ):
            with databases.fresh(engine) as url:
                found = await run(url)
            print(
                f"{engine:10} {what:46} ratio {found.ratio:.3f}:"
                f" {1 / found.service_s:,.0f} against {1 / found.bare_s:,.0f} {unit} per processor second"
            )


if __name__ == "__main__":
    every = Databases()
    asyncio.run(_report(every))
    every.close()

"""The service's own paths beside the least that the same drivers can do, in the same run: ratios, never seconds.

Processor time of this process is measured, which other work on the machine does not stretch; that of the PostgreSQL
server is in neither side. `python -m tests.bench.test_api_speed` prints the ratios with more rounds.

- An import of weigh-ins and meals (validated, known lines recognised, roll-ups kept) beside an upsert of as many rows.
- A night's sweep (weekly reviews and check-ins) beside reading the same athletes' rows into arrays.
"""

import asyncio
import gc
import time
import uuid
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import aiosqlite
import psycopg
from sqlalchemy.engine import make_url

from service.application.evidence.gather import read_log
from service.application.practices import find_or_make_practice
from service.auth import SCOPES, Principal
from service.jobs.clock import tick
from service.store.engine import Database
from service.store.scope import Scope
from service.store.tables import Athlete, Review
from tests.bench.loading import FIRST, keep
from tests.bench.measuring import Measured
from tests.databases import ENGINES, Databases

TABLE = (
    "CREATE TABLE bare (practice text, athlete text, day date, kg float, id text, PRIMARY KEY (practice, athlete, id))"
)
INSERT = "INSERT INTO bare (practice, athlete, day, kg, id) VALUES (?, ?, ?, ?, ?)"
CHUNK = 500


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


def caller_of(practice: uuid.UUID) -> Principal:
    return Principal(practice, uuid.uuid4(), frozenset(SCOPES), None)


async def take_in(database: Database, athletes: int, days: int) -> uuid.UUID:
    async with database.writing() as connection:
        practice, _ = await find_or_make_practice(connection, "Fen Edge")
    await keep(database, caller_of(practice), lines(athletes, days))
    return practice


async def imported(url: str, athletes: int, days: int) -> Measured:
    """Lines of an import beside as many upserted rows, in transactions of the same size."""
    database = Database(url)
    async with database.writing() as connection:
        practice, _ = await find_or_make_practice(connection, "Fen Edge")
    made = lines(athletes, days)
    service_s = await cpu_s(lambda: keep(database, caller_of(practice), made), len(made))
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


async def test_an_import_beside_a_bare_upsert(database_url: str) -> None:
    measured = await imported(database_url, 20, 60)
    assert measured.ratio > 0.005, measured


async def test_a_sweep_beside_reading_the_same_rows(database_url: str) -> None:
    measured = await sweep(database_url, 120, 60)
    assert measured.ratio > 0.03, measured


async def _report(databases: Databases) -> None:
    for engine in ENGINES:
        for what, unit, run in (
            ("import / bare upsert", "lines", lambda url: imported(url, 60, 120)),
            ("night's sweep / reading alone", "athletes", lambda url: sweep(url, 300, 120)),
        ):
            with databases.fresh(engine) as url:
                found = await run(url)
            print(
                f"{engine:10} {what:46} ratio {found.ratio:.3f}:"
                f" {1 / found.service_s:,.0f} against {1 / found.floor_s:,.0f} {unit} per processor second"
            )


if __name__ == "__main__":
    every = Databases()
    asyncio.run(_report(every))
    every.close()

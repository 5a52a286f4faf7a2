"""A single entry over real HTTP beside the floor: bare Starlette that inserts one row, at the same durability.

Both servers stand ready and are sent to in turn by the same clients; the processor time is that of the server's process
and, on PostgreSQL, of the database's server too, fsync on. The service checks the key, validates the body, keeps the
history, judges the reading, brings the roll-up up to date and marks what looked at it, and answers after its commit.
"""

import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import islice
from statistics import median
from typing import Any

import psutil

from service.application.practices import find_or_make_practice
from service.auth import SCOPES, Principal, insert_key
from service.store.engine import Database
from service.store.scope import Scope
from service.store.tables import Athlete
from tests.bench.clients import Load, request, send
from tests.bench.loading import FIRST, keep
from tests.bench.measuring import Measured, processor_s, server_of
from tests.bench.servers import Server, the_floor, the_service
from tests.databases import Databases

HISTORY_DAYS = 42
Body = Callable[[date], dict[str, Any]]


@dataclass(frozen=True)
class Size:
    """How many athletes there are, how many clients send, and how much in how many rounds."""

    athletes: int = 100
    clients: int = 24
    requests: int = 1000
    rounds: int = 4


async def weigh_in(databases: Databases, engine: str, size: Size = Size()) -> Measured:
    """The newest weigh-in of an athlete."""
    return await _single(databases, engine, size, "weigh-ins", lambda day: {"mass_kg": 64 + day.day % 5 / 10})


async def meal(databases: Databases, engine: str, size: Size = Size()) -> Measured:
    """A meal of today."""
    said = {"energy_kcal": 700, "protein_g": 45, "slot": 2}
    return await _single(databases, engine, size, "meals", lambda _: said)


async def _single(databases: Databases, engine: str, size: Size, path: str, content: Body) -> Measured:
    with databases.fresh(engine) as url, databases.fresh(engine, migrated=False) as bare_url:
        key, athletes = await _history(url, size)
        with the_service(url) as service, the_floor(bare_url) as floor:
            database = server_of(databases.engine(engine))
            ours = (_sent(path, content, athletes, key, bare=False), service)
            bare = (_sent(path, content, athletes, key, bare=True), floor)
            rounds: dict[Server, list[_Round]] = {service: [], floor: []}
            for number in range(size.rounds + 1):
                for requests, server in (ours, bare):
                    used = await _round(requests, server, database, size)
                    if number > 0:  # the first warms up
                        rounds[server].append(used)
    service_s, floor_s = (median(one.server_s + one.database_s for one in some) for some in rounds.values())
    return Measured(service_s, floor_s, f"{_said(rounds[service])}; floor {_said(rounds[floor])}")


async def _history(url: str, size: Size) -> tuple[str, list[uuid.UUID]]:
    """A practice whose athletes have logged for six weeks: a key, and the athletes' ids."""
    database = Database(url)
    async with database.writing() as connection:
        practice, _ = await find_or_make_practice(connection, "Fen Edge")
        _, key = await insert_key(Scope(connection, practice), "bench", SCOPES)
    made: list[dict[str, Any]] = []
    for number in range(size.athletes):
        name = f"a{number:04d}"
        who = {"external_id": name, "sex": "female", "birth_date": "1994-05-02", "height_cm": 168}
        made.append({"type": "athlete", **who})
        for day in range(HISTORY_DAYS):
            entry = {"athlete": name, "date": str(FIRST + timedelta(days=day))}
            made.append({"type": "weigh_in", **entry, "mass_kg": 64 + day % 5 / 10})
    await keep(database, Principal(practice, uuid.uuid4(), frozenset(SCOPES), None), made)
    async with database.reading() as connection:
        scope = Scope(connection, practice)
        athletes = [row.id for row in await scope.all(Athlete, scope.select(Athlete))]
    await database.close()
    return key, athletes


def _sent(path: str, content: Body, athletes: list[uuid.UUID], key: str, bare: bool) -> Any:
    """Requests without end: each athlete's next day in turn."""
    number = 0
    while True:
        day, athlete = FIRST + timedelta(days=HISTORY_DAYS + number // len(athletes)), athletes[number % len(athletes)]
        body = {"date": str(day), **content(day)}
        if bare:
            yield request("/w", {"mass_kg": 64.0, **body, "athlete": str(athlete)})
        else:
            yield request(f"/v1/athletes/{athlete}/{path}", body, key)
        number += 1


@dataclass(frozen=True)
class _Round:
    """Processor seconds for a request, of the server and of the database's own, and what the clients saw."""

    server_s: float
    database_s: float
    load: Load


async def _round(requests: Any, server: Server, database: list[psutil.Process], size: Size) -> _Round:
    some = list(islice(requests, size.requests))
    before = processor_s([server.process]), processor_s(database)
    load = await send(server.url, some, size.clients)
    assert load.others == (), load.others
    server_s, database_s = processor_s([server.process]) - before[0], processor_s(database) - before[1]
    return _Round(server_s / len(some), database_s / len(some), load)


def _said(rounds: list[_Round]) -> str:
    p50_ms, p99_ms = (median(getattr(one.load, name) for one in rounds) for name in ("p50_ms", "p99_ms"))
    database_us = 1e6 * median(one.database_s for one in rounds)
    of_database = f", {database_us:.0f} µs the database's" if database_us else ""
    return f"p50/p99 {p50_ms:.0f}/{p99_ms:.0f} ms{of_database}"

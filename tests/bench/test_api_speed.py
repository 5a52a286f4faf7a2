"""The service's own paths beside the least that the same drivers can do, in the same run: ratios, never seconds.

Processor time of this process is measured, which other work on the machine does not stretch; that of the PostgreSQL
server is in neither side. `python -m tests.bench.test_api_speed` prints the ratios with more rounds.

- A night's sweep (weekly reviews and check-ins) beside reading the same athletes' rows into arrays.
"""

import asyncio
import gc
import time
import uuid
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from typing import Any

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


async def cpu_s(work: Callable[[], Awaitable[Any]], units: int) -> float:
    gc.collect()  # what earlier tests left behind is not collected inside the measurement
    begun = time.process_time()
    await work()
    return (time.process_time() - begun) / units


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


async def test_a_sweep_beside_reading_the_same_rows(database_url: str) -> None:
    measured = await sweep(database_url, 120, 60)
    assert measured.ratio > 0.03, measured


async def _report(databases: Databases) -> None:
    for engine in ENGINES:
        for what, unit, run in (("night's sweep / reading alone", "athletes", lambda url: sweep(url, 300, 120)),):
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

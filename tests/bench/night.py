"""A night beside the least that its work can cost: processor time for one athlete, in the same run.

Twelve simulated lives of half a year, meals and training sessions included, are taken in through the import path and
copied, row by row and in SQL, to as many athletes as are asked for. Four nights:

- `review`: everybody's weekly review falls due, and the check-in with it; the week before was reviewed too;
- `news`: the check-in after something was stored of everybody;
- `quiet`: the check-in of a night before which all that was stored had been looked at;
- `silent`: a night later, nothing was stored of anybody.

The floor reads the same roll-ups, days and lifts, as packed columns by the driver alone, fills arrays, runs the
compiled filter of `test_filter_speed` over them and writes a row for each athlete.
"""

import sqlite3
import time
import uuid
from collections.abc import Awaitable, Callable, Iterator
from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import orjson
import psycopg
from sqlalchemy import insert, select, text, update
from sqlalchemy.engine import make_url
from sqlalchemy.ext.asyncio import AsyncConnection

from service.application.practices import find_or_make_practice
from service.auth import SCOPES, Principal
from service.demo.roster import demo_roster, screening_lines
from service.domain.records import Floats
from service.jobs.clock import TickResult, tick
from service.store.engine import Database
from service.store.guard import CROSS_PRACTICE
from service.store.scope import table_of
from service.store.tables import (
    Athlete,
    AthleteDay,
    FoodDay,
    Meal,
    Measurement,
    Phase,
    Screening,
    SessionLift,
    Target,
    TrainingPlan,
    TrainingSession,
    WeighIn,
    WellbeingNote,
)
from tests.bench.loading import keep
from tests.bench.measuring import Measured, processor_s, server_of
from tests.bench.test_filter_speed import MAINTENANCE, STATES, TISSUE, TRANSFER, compiled_filter
from tests.databases import Databases

ATHLETES, PRACTICES = 480, 8
LIVES, DAYS, SEED = 12, 182, 2026
LAST = date(2026, 6, 28)  # a Sunday
MONDAY = datetime(2026, 6, 29, 6, tzinfo=UTC)
DAY = timedelta(days=1)
COPIED = (
    Screening,
    Phase,
    Target,
    TrainingPlan,
    WeighIn,
    Meal,
    TrainingSession,
    Measurement,
    WellbeingNote,
    FoodDay,
    AthleteDay,
    SessionLift,
)
EVERYWHERE = {CROSS_PRACTICE: "a benchmark"}


async def used_s(engine: object, work: Callable[[], Awaitable[Any]]) -> float:
    """Processor seconds of some work, of this process and of the database's server."""
    server = server_of(engine)
    begun = time.process_time() + processor_s(server)  # finer than what is known of other processes
    await work()
    return time.process_time() + processor_s(server) - begun


async def take_in(database: Database, athletes: int, practices: int) -> None:
    """The lives, and copies of them in practices of equal size; everybody is reviewed on Mondays, in UTC."""
    async with database.writing() as connection:
        first, _ = await find_or_make_practice(connection, "Fen Edge 0")
    lines = [*demo_roster(LIVES, DAYS, LAST + 2 * DAY, SEED), *screening_lines(LIVES)]
    caller = Principal(first, uuid.uuid4(), frozenset(SCOPES), None)
    await keep(database, caller, [{**line, **_MONDAYS} if line["type"] == "athlete" else line for line in lines])
    table = table_of(Athlete)
    async with database.writing() as connection:
        lives = (await connection.execute(select(table), execution_options=EVERYWHERE)).all()
        homes = [first]
        for number in range(1, practices):
            homes.append((await find_or_make_practice(connection, f"Fen Edge {number}"))[0])
        for number in range(LIVES, athletes):
            await _copy(connection, lives[number % LIVES], homes[number * practices // athletes], number)
        await connection.execute(
            update(table).values(created_at=MONDAY - DAYS * DAY, next_review_at=None), execution_options=EVERYWHERE
        )
        if database.dialect == "postgresql":
            await connection.execute(text("ANALYZE"))


_MONDAYS = {"review_weekday": "monday", "time_zone": "UTC"}


async def _copy(connection: AsyncConnection, life: Any, home: uuid.UUID, number: int) -> None:
    copied = uuid.uuid4()
    row = {**life._mapping, "practice_id": home, "id": copied, "external_id": f"c-{number:06d}"}
    await connection.execute(insert(table_of(Athlete)).values(**row))
    sqlite = connection.dialect.name == "sqlite"
    fresh = "lower(hex(randomblob(16)))" if sqlite else "gen_random_uuid()"
    for of in COPIED:
        table = table_of(of)
        names = [column.name for column in table.columns]
        said = {"practice_id": ":home", "athlete_id": ":copied", "id": fresh}
        statement = text(
            f"INSERT INTO {table.name} ({', '.join(names)}) SELECT {', '.join(said.get(name, name) for name in names)}"
            f" FROM {table.name} WHERE practice_id = :from_home AND athlete_id = :life"
        )
        ids = {"home": home, "copied": copied, "from_home": life.practice_id, "life": life.id}
        await connection.exec_driver_sql(
            *_positional(str(statement), {name: one.hex if sqlite else one for name, one in ids.items()}, sqlite)
        )


def _positional(statement: str, values: dict[str, Any], sqlite: bool) -> tuple[str, Any]:
    """A statement with named parameters, as the drivers take them."""
    if sqlite:
        return statement, values
    for name in values:
        statement = statement.replace(f":{name}", f"%({name})s")
    return statement, values


async def stored_until(database: Database, day: date, *, news: bool) -> None:
    """As if the log had been stored up to a day and no further, and with `news` something of it since the last look."""
    table = table_of(Athlete)
    values = {"inputs_until": day, "inputs_revision": table.c.inputs_revision + int(news)}
    async with database.writing() as connection:
        await connection.execute(update(table).values(**values), execution_options=EVERYWHERE)


async def nights(url: str, engine: object, athletes: int, practices: int) -> dict[str, Measured]:
    """The nights by name; seconds of one athlete."""
    database = Database(url)
    await take_in(database, athletes, practices)
    floor_s = await floor_of(url, engine) / athletes
    service_s: dict[str, float] = {}

    async def night(name: str, at: datetime, reviews: int) -> None:
        done: list[TickResult] = []

        async def run() -> None:
            done.append(await tick(database, at))

        service_s[name] = await used_s(engine, run) / athletes
        (result,) = done
        assert (result.reviews.failed, result.check_ins.failed) == (0, 0)
        assert (result.reviews.done, result.check_ins.done) == (reviews, athletes), (name, result)

    await stored_until(database, LAST - 7 * DAY, news=True)
    await _due_now(database, MONDAY - 7 * DAY)
    await night("first", MONDAY - 7 * DAY, athletes)
    await stored_until(database, LAST, news=True)
    await night("review", MONDAY, athletes)
    await stored_until(database, LAST + DAY, news=True)
    await _due_now(database, MONDAY + DAY - timedelta(hours=3))
    await night("news", MONDAY + DAY - timedelta(hours=3), 0)
    await night("quiet", MONDAY + DAY, 0)
    await night("silent", MONDAY + 2 * DAY, 0)
    await database.close()
    said = f"{athletes} athletes of {practices} practices"
    return {name: Measured(one, floor_s, said) for name, one in service_s.items() if name != "first"}


async def _due_now(database: Database, at: datetime) -> None:
    """Checks fall due within seconds of what is stored."""
    table = table_of(Athlete)
    async with database.writing() as connection:
        await connection.execute(update(table).values(next_check_in_at=at), execution_options=EVERYWHERE)


async def floor_of(url: str, engine: object) -> float:
    """Processor seconds of the floor, of all athletes: the least of three."""
    means = np.zeros(STATES)
    means[[TISSUE, MAINTENANCE, TRANSFER]] = 80.0, 2400.0, 1.0
    compiled_filter(np.full((1, 2), 80.0), np.full((1, 2), 2300.0), means)

    async def work() -> None:
        _floor(url, means)

    return min([await used_s(engine, work) for _ in range(3)])


def _floor(url: str, means: Floats) -> None:
    """The roll-ups as packed columns, the compiled filter, and a row an athlete."""
    sqlite = url.startswith("sqlite")
    connection: Any = sqlite3.connect(str(make_url(url).database)) if sqlite else psycopg.connect(url, autocommit=True)
    with closing(connection):
        packed = list(_packed(connection, "athlete_day", ("mass_kg", "energy_kcal", "carbohydrate_g"), sqlite))
        length = max(int(days.max()) for _, days, *_ in packed) + 1
        mass_kg, intake_kcal = np.full((len(packed), length), np.nan), np.full((len(packed), length), 2300.0)
        for place, (_, days, mass, energy, _) in enumerate(packed):
            mass_kg[place, days] = mass
            intake_kcal[place, days] = np.where(np.isnan(energy), 2300.0, energy)
        lifted = list(_packed(connection, "session_lift", ("intercept_kg", "log_sd", "curve_exposure"), sqlite))
        tissue_kg = compiled_filter(mass_kg, intake_kcal, means)[:, -1].tolist()
        assert len(packed) == len(lifted)
        connection.execute("CREATE TEMP TABLE result (athlete_id text PRIMARY KEY, mass_kg float)")
        cursor = connection.cursor()
        cursor.execute("BEGIN")
        rows = [(str(who[0]), mass) for who, mass in zip(packed, tissue_kg, strict=True)]
        cursor.executemany(f"INSERT INTO result VALUES ({'?, ?' if sqlite else '%s, %s'})", rows)
        cursor.execute("COMMIT")


def _packed(connection: Any, table: str, columns: tuple[str, ...], sqlite: bool) -> Iterator[tuple[Any, ...]]:
    """By athlete the days, counted from the first of all, and the columns as arrays."""
    began = LAST + 2 * DAY - DAYS * DAY
    if sqlite:
        packs = (f"json_group_array({name})" for name in (f"julianday(date) - julianday('{began}')", *columns))
        statement = f"SELECT athlete_id, {', '.join(packs)} FROM {table} GROUP BY practice_id, athlete_id"
        for who, days, *values in connection.execute(statement):
            yield who, np.array(orjson.loads(days), np.int64), *(np.array(orjson.loads(v), np.float64) for v in values)
        return
    packs = (f"string_agg(float8send(coalesce({name}, 'NaN'::float8)), '')" for name in columns)
    statement = f"SELECT athlete_id, string_agg(int4send(date - date '{began}'), ''), {', '.join(packs)} FROM {table}"
    for who, days, *values in connection.execute(f"{statement} GROUP BY practice_id, athlete_id"):
        yield who, np.frombuffer(days, ">i4").astype(np.int64), *(np.frombuffer(v, ">f8").astype(float) for v in values)


_MEASURED: dict[tuple[int, str], dict[str, Measured]] = {}


def night(name: str) -> Callable[[Databases, str], Awaitable[Measured]]:
    """What measures one of the nights; all of them are lived through once for an engine."""

    async def measure(databases: Databases, engine: str) -> Measured:
        key = (id(databases), engine)
        if key not in _MEASURED:
            with databases.fresh(engine) as url:
                _MEASURED[key] = await nights(url, databases.engine(engine), ATHLETES, PRACTICES)
        return _MEASURED[key][name]

    return measure

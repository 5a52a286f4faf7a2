"""An import beside the least that its lines can cost: decoded and upserted in the same order, in one transaction.

The floor knows no athletes' facts, doubts, roll-ups, histories or faults: one narrow clustered table for each kind of
line, keyed by what makes a line the same again, and `executemany` (SQLite) or COPY to a staging table and one upsert
(PostgreSQL, whose server's processor time counts on both sides). Both commit durably.

    python -m tests.bench.imports                      every case on both engines
    python -m tests.bench.imports sqlite day replay    some of them
"""

import asyncio
import gc
import sqlite3
import sys
import tempfile
import time
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import orjson
import psutil
import psycopg

from service.api.imports import import_file
from service.application.practices import find_or_make_practice
from service.auth import SCOPES, Principal
from service.store.engine import Database
from tests.bench.measuring import Measured, processor_s, server_of
from tests.databases import ENGINES, Databases

FIRST = date(2026, 1, 5)
ATHLETES, DAYS = 40, 90
LIFTS = (("back-squat", 90.0), ("bench-press", 62.5), ("barbell-row", 55.0), ("romanian-deadlift", 80.0))

Line = dict[str, Any]
Row = tuple[Any, ...]


def athlete(number: int) -> Line:
    return {
        "type": "athlete", "external_id": f"a{number:05d}", "sex": ("female", "male")[number % 2],
        "birth_date": "1994-05-02", "height_cm": 168 + number % 20,
    }  # fmt: skip


def of_day(number: int, day: int) -> Iterator[Line]:
    """One athlete's lines of one day: a weigh-in, three meals, on three days a week a session of four lifts."""
    entry = {"athlete": f"a{number:05d}", "date": str(FIRST + timedelta(days=day))}
    kg = 64 + number % 20 + (day * 7 + number) % 13 / 10
    yield {"type": "weigh_in", **entry, "mass_kg": round(kg - day * 0.05, 1)}
    for slot in (1, 2, 3):
        kcal = 500 + 100 * slot + (day * 31 + number * 17) % 90
        yield {
            "type": "meal", **entry, "slot": slot, "energy_kcal": kcal, "protein_g": 30 + (day + slot) % 9,
            "fat_g": 22.5, "carbohydrate_g": 71.5 + day % 5,
        }  # fmt: skip
    if (day + number) % 7 in (0, 2, 4):
        yield {"type": "training_session", **entry, "ref": f"s-{number}-{day}", "sets": list(_sets(number, day))}


def _sets(number: int, day: int) -> Iterator[Line]:
    for slug, load_kg in LIFTS:
        for place in range(3):
            load = load_kg + 2.5 * ((number + day // 7) % 9)
            yield {"exercise": slug, "reps": 8 + (day + place) % 3, "load_kg": load, "rir": (number + place) % 4}


def lines(order: str, athletes: int = ATHLETES, days: int = DAYS) -> Iterator[Line]:
    """The lines of a file: each athlete's log after the other's, or each day's of all athletes."""
    yield from map(athlete, range(athletes))
    pairs: Iterable[tuple[int, int]] = ((number, day) for number in range(athletes) for day in range(days))
    if order == "day":
        pairs = ((number, day) for day in range(days) for number in range(athletes))
    for number, day in pairs:
        yield from of_day(number, day)


TABLES = {
    "athlete": "athlete text, sex text, birth_date text, height_cm float, PRIMARY KEY (athlete)",
    "weigh_in": "athlete text, date text, mass_kg float, PRIMARY KEY (athlete, date)",
    "meal": "athlete text, date text, slot int, energy_kcal float, protein_g float, fat_g float, carbohydrate_g float,"
    " PRIMARY KEY (athlete, date, slot)",
    "training_session": "athlete text, date text, ref text, sets text, PRIMARY KEY (athlete, date, ref)",
}
KEYS = {"athlete": 1, "weigh_in": 2, "meal": 3, "training_session": 3}  # so many of the first columns are the key
CELLS: dict[str, Callable[[Line], Row]] = {
    "athlete": lambda said: (said["external_id"], said["sex"], said["birth_date"], said["height_cm"]),
    "weigh_in": lambda said: (said["athlete"], said["date"], said["mass_kg"]),
    "meal": lambda said: (
        said["athlete"], said["date"], said["slot"], said["energy_kcal"], said["protein_g"], said["fat_g"],
        said["carbohydrate_g"],
    ),
    "training_session": lambda said: (said["athlete"], said["date"], said["ref"], orjson.dumps(said["sets"]).decode()),
}  # fmt: skip


def _decoded(path: Path) -> dict[str, list[Row]]:
    rows: dict[str, list[Row]] = {kind: [] for kind in TABLES}
    with path.open("rb") as file:
        for text in file:
            said = orjson.loads(text)
            rows[said["type"]].append(CELLS[said["type"]](said))
    return rows


def _columns(kind: str) -> list[str]:
    return [part.split()[0] for part in TABLES[kind].split(", PRIMARY KEY")[0].split(",")]


def _on_conflict(kind: str, distinct: str) -> str:
    names, key = _columns(kind), KEYS[kind]
    changed = ", ".join(f"{name} = excluded.{name}" for name in names[key:])
    old = ", ".join(f"floor_{kind}.{name}" for name in names[key:])
    new = ", ".join(f"excluded.{name}" for name in names[key:])
    return f"ON CONFLICT ({', '.join(names[:key])}) DO UPDATE SET {changed} WHERE ({old}) {distinct} ({new})"


def sqlite_floor(folder: Path) -> Callable[[Path], None]:
    """A load of the floor on SQLite: called again it is a replay."""
    with closing(_connect(folder)) as connection:
        for kind, columns in TABLES.items():
            connection.execute(f"CREATE TABLE floor_{kind} ({columns}) WITHOUT ROWID")

    def load(path: Path) -> None:
        with closing(_connect(folder)) as connection:
            connection.execute("BEGIN IMMEDIATE")
            for kind, rows in _decoded(path).items():
                marks = ", ".join("?" * len(_columns(kind)))
                connection.executemany(
                    f"INSERT INTO floor_{kind} VALUES ({marks}) {_on_conflict(kind, 'IS NOT')}", rows
                )
            connection.execute("COMMIT")

    return load


def _connect(folder: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(folder / "floor.db", isolation_level=None)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    return connection


def postgresql_floor(url: str) -> Callable[[Path], None]:
    """A load of the floor on PostgreSQL: called again it is a replay."""
    with psycopg.connect(url, autocommit=True) as connection:
        for kind, columns in TABLES.items():
            connection.execute(f"CREATE TABLE floor_{kind} ({columns})")

    def load(path: Path) -> None:
        with psycopg.connect(url) as connection:
            for kind, rows in _decoded(path).items():
                names = ", ".join(_columns(kind))
                connection.execute(f"CREATE TEMP TABLE staged (LIKE floor_{kind}) ON COMMIT DROP")
                with connection.cursor().copy(f"COPY staged ({names}) FROM STDIN") as copy:
                    for row in rows:
                        copy.write_row(row)
                connection.execute(
                    f"INSERT INTO floor_{kind} SELECT * FROM staged {_on_conflict(kind, 'IS DISTINCT FROM')}"
                )
                connection.execute("DROP TABLE staged")

    return load


async def measured(
    databases: Databases, engine: str, order: str, replay: bool = False, athletes: int = ATHLETES, days: int = DAYS
) -> Measured:
    """Processor seconds for a line of a file, the service's import and the floor's; `replay`: of its second import."""
    with databases.fresh(engine) as url, tempfile.TemporaryDirectory() as name:
        path = Path(name, "lines.ndjson")
        with path.open("wb") as file:
            file.writelines(orjson.dumps(line) + b"\n" for line in lines(order, athletes, days))
        count = len(path.read_bytes().splitlines())
        servers = server_of(databases.engine(engine))

        def used_s() -> float:
            while True:
                try:
                    return time.process_time() + processor_s(servers)
                except psutil.NoSuchProcess:  # a helper of the server ended while it was looked at
                    continue

        gc.collect()
        gc.freeze()  # as `steelyard serve` and `steelyard import` do when they start
        floor = sqlite_floor(Path(name)) if engine == "sqlite" else postgresql_floor(url)
        if replay:
            floor(path)
        begun = used_s()
        floor(path)
        floor_s = (used_s() - begun) / count
        database = Database(url)
        async with database.writing() as connection:
            practice, _ = await find_or_make_practice(connection, "Fen Edge")
        caller = Principal(practice, uuid.uuid4(), frozenset(SCOPES), None)
        for _ in range(1 + replay):
            begun = used_s()
            done = await import_file(database, caller, path, "ndjson")
            service_s = (used_s() - begun) / count
            assert (done.state, done.lines_kept, done.faults) == ("done", count, []), done
        await database.close()
    return Measured(service_s, floor_s, f"{1 / service_s:,.0f} lines/s")


def cases(chosen: Sequence[str]) -> Iterator[tuple[str, str, bool]]:
    for engine in ENGINES:
        for order, replay in (("athlete", False), ("day", False), ("day", True)):
            wanted = {engine, order, "replay" if replay else "first"}
            if all(word in wanted for word in chosen):
                yield engine, order, replay


if __name__ == "__main__":
    every = Databases(durable=True)
    try:
        for engine, order, replay in cases(sys.argv[1:]):
            found = asyncio.run(measured(every, engine, order, replay))
            print(
                f"{engine:10} {order:7} order {'replay' if replay else 'first ':6} ratio {found.ratio:.3f}: floor"
                f" {found.floor_s * 1e6:.1f} µs, service {found.service_s * 1e6:.1f} µs a line",
                flush=True,
            )
    finally:
        every.close()

"""A review is a function of what was logged: the same log gives the same document, byte for byte.

Whichever database keeps the log, in whichever order it came, alone or among others, in whichever process.
"""

import random
import subprocess
import sys
import tempfile
import uuid
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import orjson

from service.api.imports import import_file
from service.application.evidence.estimates import estimate_roster
from service.application.evidence.roster import assemble
from service.application.evidence.rows import read_rows
from service.application.practices import find_or_make_practice
from service.application.review.keep import keep_reviews
from service.application.review.make import Result, make_reviews
from service.auth import SCOPES, Principal
from service.store.engine import Database
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, Review
from service.store.types import now
from tests.databases import Databases

FIRST = date(2026, 1, 5)
DAYS = 70
AS_OF = FIRST + timedelta(days=DAYS - 1)
STARTS = {"long": 0, "middle": 23, "short": 45, "new": 61}  # day on which each athlete's log begins


def lines_of(name: str, first_day: int) -> list[dict[str, Any]]:
    """A full and untidy log: gaps, partial days, two weigh-ins a day, sessions, measurements, notes, a phase switch."""
    rng = random.Random(name)
    start = FIRST + timedelta(days=first_day)
    who = {"type": "athlete", "external_id": name, "sex": "male" if first_day % 2 else "female", "height_cm": 172}
    lines: list[dict[str, Any]] = [
        {**who, "birth_date": "1993-04-01", "activity_factor": 1.6, "goal": {"body_fat_pct": 16}},
        {"type": "phase", "athlete": name, "kind": "build", "starts_on": str(start), "energy_kcal": 2700},
    ]
    if first_day < 30:
        switch = str(FIRST + timedelta(days=40))
        cut = {"kind": "cut", "starts_on": switch, "planned_end_on": "2026-03-29", "energy_kcal": 2150}
        lines.append({"type": "phase", "athlete": name, **cut})
    for day in range(first_day, DAYS):
        entry = {"athlete": name, "date": str(FIRST + timedelta(days=day))}
        mass_kg = 78.0 + 0.01 * day + rng.gauss(0.0, 0.4)
        if rng.random() < 0.8:
            lines.append({"type": "weigh_in", **entry, "mass_kg": round(mass_kg, 1)})
        if rng.random() < 0.1:
            lines.append({"type": "weigh_in", **entry, "mass_kg": round(mass_kg + 0.4, 1)})
        if rng.random() < 0.85:
            for slot in (1, 2):
                meal = {"slot": slot, "energy_kcal": rng.randrange(1000, 1500), "protein_g": 70.5, "fat_g": 45.3}
                lines.append({"type": "meal", **entry, **meal, "carbohydrate_g": 120.1})
        if rng.random() < 0.2:
            lines.append({"type": "food_day", **entry, "state": rng.choice(["complete", "partial"])})
        if day % 7 in (0, 2, 4):
            sets = [
                {"exercise": exercise, key: load_kg, "reps": rng.randrange(6, 11), "rir": rng.randrange(0, 4)}
                for exercise, key, load_kg in (("romanian-deadlift", "load_kg", 90), ("pull-up", "added_kg", 5))
            ]
            lines.append({"type": "training_session", **entry, "sets": sets})
            if day % 7 == 4:  # once more the same day, lighter; the same weights go by another number of repetitions
                again = [{**one, "reps": rng.randrange(3, 6), "rir": 4} for one in sets]
                lines.append({"type": "training_session", **entry, "sets": again})
        if day % 14 == 3:
            lines.append({"type": "measurement", **entry, "body_fat_pct": 21.5, "method": "skinfold"})
        if day % 10 == 1:
            lines.append({"type": "wellbeing", **entry, "sleep_h": 7.5, "hunger": 2, "fatigue": 3})
    return lines


LINES = [line for name, day in STARTS.items() for line in lines_of(name, day)]


@asynccontextmanager
async def kept(url: str, lines: Sequence[dict[str, Any]]) -> AsyncIterator[tuple[Database, Principal]]:
    """A database with these lines in it."""
    database = Database(url, check_tenant_filter=True)
    try:
        async with database.writing() as connection:
            practice_id, _ = await find_or_make_practice(connection, "Fen Edge")
        caller = Principal(practice_id, uuid.uuid4(), frozenset(SCOPES), None)
        await take_in(database, caller, lines)
        yield database, caller
    finally:
        await database.close()


async def take_in(database: Database, caller: Principal, lines: Sequence[dict[str, Any]]) -> None:
    with tempfile.NamedTemporaryFile(suffix=".ndjson") as file:
        file.write(b"\n".join(map(orjson.dumps, lines)))
        file.flush()
        done = await import_file(database, caller, Path(file.name), "ndjson")
    assert (done.state, done.faults) == ("done", [])


async def reviews(
    database: Database, caller: Principal, names: Sequence[str] = tuple(STARTS), as_of: date = AS_OF
) -> dict[str, bytes]:
    """Documents, as bytes, of athletes reviewed in one batch in this order."""
    return {
        name: orjson.dumps(result.document) for name, result in (await results(database, caller, names, as_of)).items()
    }


async def results(
    database: Database, caller: Principal, names: Sequence[str], as_of: date = AS_OF
) -> dict[str, Result]:
    async with database.reading() as connection:
        scope = Scope(connection, caller.practice_id)
        rows = {row.external_id: row for row in await scope.rows(scope.select(Athlete))}
        made = await make_reviews(scope, [rows[name] for name in names], as_of)
    return dict(zip(names, made, strict=True))


async def test_an_athlete_alone_and_in_any_batch_gets_the_same_document(database_url: str) -> None:
    async with kept(database_url, LINES) as (database, caller):
        together = await reviews(database, caller)
        backwards = await reviews(database, caller, [*STARTS][::-1])
        assert backwards == together
        for name in STARTS:
            alone = (await reviews(database, caller, [name]))[name]
            assert orjson.loads(alone) == orjson.loads(together[name])
            assert alone == together[name]
        assert len(set(together.values())) == len(STARTS)


async def test_the_same_log_in_another_order_gives_the_same_document(database_url: str, databases: Databases) -> None:
    heads = [line for line in LINES if line["type"] in ("athlete", "phase")]
    entries = [line for line in LINES if line["type"] not in ("athlete", "phase")]
    random.Random(1).shuffle(entries)
    async with kept(database_url, LINES) as (database, caller):
        in_order = await reviews(database, caller)
    with databases.fresh(database_url.split(":")[0]) as other:
        async with kept(other, [*heads, *entries]) as (database, caller):
            assert await reviews(database, caller) == in_order


async def test_both_databases_give_the_same_document(databases: Databases) -> None:
    documents = []
    for engine in ("sqlite", "postgresql"):
        with databases.fresh(engine) as url:
            async with kept(url, LINES) as (database, caller):
                documents.append(await reviews(database, caller))
    assert documents[0] == documents[1]


_ANOTHER_PROCESS = """
import asyncio, sys, uuid
from service.auth import SCOPES, Principal
from service.store.engine import Database
from tests.application.review.test_review import reviews
async def main(url, practice):
    database = Database(url)
    caller = Principal(uuid.UUID(practice), uuid.uuid4(), frozenset(SCOPES), None)
    for name, document in (await reviews(database, caller)).items():
        print(name, document.hex())
    await database.close()
asyncio.run(main(*sys.argv[1:]))
"""


async def test_another_process_gives_the_same_document(database_url: str) -> None:
    async with kept(database_url, LINES) as (database, caller):
        here = await reviews(database, caller)
        command = [sys.executable, "-c", _ANOTHER_PROCESS, database_url, str(caller.practice_id)]
        done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=120)
    there = dict(line.split() for line in done.stdout.splitlines())
    assert {name: bytes.fromhex(document) for name, document in there.items()} == here


CHANGES: dict[str, dict[str, Any]] = {
    "a weigh-in": {"type": "weigh_in", "date": str(AS_OF), "mass_kg": 77.9, "ref": "new"},
    "a meal": {"type": "meal", "date": str(AS_OF - timedelta(days=3)), "energy_kcal": 300, "slot": 3},
    "a food day": {"type": "food_day", "date": str(AS_OF - timedelta(days=2)), "state": "fast"},
    "a measurement": {"type": "measurement", "date": str(AS_OF), "body_fat_pct": 18.0, "method": "skinfold"},
    "a session": {
        "type": "training_session",
        "date": str(AS_OF),
        "sets": [{"exercise": "pull-up", "added_kg": 10, "reps": 8, "rir": 1}],
    },
    "a note": {"type": "wellbeing", "date": str(AS_OF), "symptoms": ["dizziness"]},
    "targets": {"type": "targets", "from_date": str(AS_OF - timedelta(days=5)), "energy_kcal": 2000},
    "screening": {"type": "screening", "kidney_disease": True},
}


async def test_the_digest_changes_with_everything_that_a_review_looks_at(database_url: str) -> None:
    async with kept(database_url, LINES) as (database, caller):
        before = (await results(database, caller, ["long"]))["long"].inputs_digest
        assert before.startswith("sha256:") and len(before) == len("sha256:") + 64
        for what, line in CHANGES.items():
            await take_in(database, caller, [{"athlete": "long", **line}])
            after = (await results(database, caller, ["long"]))["long"].inputs_digest
            assert after != before, what
            before = after


async def test_the_digest_does_not_change_with_what_comes_later_or_belongs_to_others(database_url: str) -> None:
    async with kept(database_url, LINES) as (database, caller):
        before = await results(database, caller, ["long"])
        tomorrow = {"date": str(AS_OF + timedelta(days=1)), "athlete": "long"}
        await take_in(
            database,
            caller,
            [
                {"type": "weigh_in", **tomorrow, "mass_kg": 70.0},
                {"type": "phase", "athlete": "long", "kind": "maintain", "starts_on": tomorrow["date"]},
                {"type": "weigh_in", "athlete": "new", "date": str(AS_OF), "mass_kg": 77.0},
            ],
        )
        assert await results(database, caller, ["long"]) == before


async def test_a_late_entry_marks_the_reviews_stale_that_looked_at_its_day(database_url: str) -> None:
    weeks = [AS_OF - timedelta(weeks=1), AS_OF]
    names = [*CHANGES, "nobody"]
    async with kept(database_url, [line for name in names for line in lines_of(name, 50)]) as (database, caller):
        for as_of in weeks:
            made = await results(database, caller, names, as_of)
            async with database.writing() as connection:
                kept_now = await keep_reviews(Scope(connection, caller.practice_id), [*made.values()], now())
            assert kept_now == len(names)
        await take_in(database, caller, [{"athlete": what, **line} for what, line in CHANGES.items()])
        async with database.reading() as connection:
            scope = Scope(connection, caller.practice_id)
            athlete, review = table_of(Athlete), table_of(Review)
            statement = scope.select(review.c.as_of, review.c.stale, athlete.c.external_id, of=[Athlete, Review])
            rows = await scope.rows(statement.where(review.c.athlete_id == athlete.c.id))
    expected = set()
    for what, line in CHANGES.items():
        on = date.fromisoformat(line.get("date", line.get("from_date", str(FIRST))))
        expected |= {(what, as_of) for as_of in weeks if as_of >= on}
    assert {(row.external_id, row.as_of) for row in rows if row.stale} == expected


async def test_a_week_keeps_the_review_that_it_has(database_url: str) -> None:
    async with kept(database_url, LINES) as (database, caller):
        made = [*(await results(database, caller, ["long"])).values()]
        async with database.writing() as connection:
            scope = Scope(connection, caller.practice_id)
            assert [await keep_reviews(scope, made, now()) for _ in range(2)] == [1, 0]
            (row,) = await scope.rows(scope.select(Review))
        assert orjson.dumps(row.document) == orjson.dumps(made[0].document)


async def test_estimates_of_a_day_do_not_depend_on_how_far_back_the_batch_reaches(database_url: str) -> None:
    """The arrays of a batch begin with its longest log; what comes before an athlete's own must not count."""
    async with kept(database_url, LINES) as (database, caller), database.reading() as connection:
        scope = Scope(connection, caller.practice_id)
        rows = {row.external_id: row for row in await scope.rows(scope.select(Athlete))}
        alone, among = [
            assemble(some, AS_OF, AS_OF, await read_rows(scope, some, AS_OF))
            for some in ([rows["new"]], [rows["long"], rows["new"]])
        ]
        days = alone.log.days.shape[0]
        assert among.log.days.shape[0] > days + 50
        for name in ("average_mass_kg", "maintenance_kcal", "body_fat_pct"):
            single = getattr(estimate_roster(alone).body, name).mean[0]
            batched = getattr(estimate_roster(among).body, name).mean[1, -days:]
            assert single.tobytes() == batched.tobytes(), name

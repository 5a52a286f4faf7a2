"""Instants, identifiers, the one tenant filter's statements, and one writer at a time."""

import asyncio
import datetime as dt
import uuid
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.exc import StatementError

from service.application.practices import find_or_make_practice
from service.store.engine import Database
from service.store.guard import CROSS_PRACTICE
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, AthleteDay, Practice, WeighIn
from service.store.types import new_id

ATHLETE = table_of(Athlete)
SAID: dict[str, Any] = {"external_id": "n-1", "sex": "female", "birth_date": dt.date(1994, 5, 2), "height_cm": 168.0}
NOON_IN_LAHORE = dt.datetime(2026, 3, 1, 12, tzinfo=dt.timezone(dt.timedelta(hours=5)))


async def test_an_instant_comes_back_as_utc(database: Database, practice: uuid.UUID) -> None:
    async with database.writing() as connection:
        scope = Scope(connection, practice)
        await scope.insert(Athlete, [{**SAID, "next_review_at": NOON_IN_LAHORE}])
    async with database.reading() as connection:
        scope = Scope(connection, practice)
        row = await scope.first(scope.select(Athlete).where(ATHLETE.c.next_review_at == NOON_IN_LAHORE))
        assert row is not None
        assert row.next_review_at == NOON_IN_LAHORE and row.next_review_at.utcoffset() == dt.timedelta(0)
        assert row.next_review_at.hour == 7
        later = NOON_IN_LAHORE.astimezone(dt.UTC) + dt.timedelta(seconds=1)
        assert await scope.first(scope.select(Athlete).where(ATHLETE.c.next_review_at < later)) is not None


async def test_an_instant_without_an_offset_is_refused(database: Database, practice: uuid.UUID) -> None:
    with pytest.raises(StatementError, match="offset"):
        async with database.writing() as connection:
            naive = dt.datetime(2026, 3, 1, 12)  # noqa: DTZ001 - the point of the test
            await Scope(connection, practice).insert(Athlete, [{**SAID, "next_review_at": naive}])


def test_identifiers_sort_by_the_time_of_their_making() -> None:
    """UUID version 7 (RFC 9562, section 5.7): 48 bits of Unix milliseconds lead."""
    before = dt.datetime.now(dt.UTC)
    made = [new_id() for _ in range(5000)]
    assert made == sorted(made) and len(set(made)) == len(made)
    assert {item.version for item in made} == {7}
    first = dt.datetime.fromtimestamp((made[0].int >> 80) / 1000, dt.UTC)
    assert abs((first - before).total_seconds()) < 5


async def test_new_rows_only_and_counted(database: Database, practice: uuid.UUID) -> None:
    key = ("practice_id", "external_id")
    async with database.writing() as connection:
        scope = Scope(connection, practice)
        assert await scope.insert_new(Athlete, [SAID, {**SAID, "external_id": "n-2"}], key=key) == 2
        again = [{**SAID, "height_cm": 170.0}, {**SAID, "external_id": "n-3"}]
        assert await scope.insert_new(Athlete, again, key=key) == 1
        rows = await scope.rows(scope.select(Athlete).order_by(ATHLETE.c.external_id))
    assert [(row.external_id, row.height_cm) for row in rows] == [("n-1", 168), ("n-2", 168), ("n-3", 168)]
    assert rows[0].review_weekday == "monday" and rows[0].revision == 1, "defaults are filled in"


async def test_an_upsert_changes_the_named_columns_alone(database: Database, practice: uuid.UUID) -> None:
    key = ("practice_id", "athlete_id", "date")
    async with database.writing() as connection:
        scope = Scope(connection, practice)
        athlete = new_id()
        await scope.insert(Athlete, [{**SAID, "id": athlete}])
        place = {"athlete_id": athlete, "date": dt.date(2026, 3, 1)}
        await scope.upsert(AthleteDay, [{**place, "mass_kg": 64.0}], key=key, only=["mass_kg"])
        await scope.upsert(AthleteDay, [{**place, "meals": 2, "energy_kcal": 900.0}], key, ["meals", "energy_kcal"])
        await scope.upsert(AthleteDay, [{**place, "mass_kg": None}], key=key, only=["mass_kg"])
        await scope.upsert(AthleteDay, [], key=key)
        (day,) = await scope.rows(scope.select(AthleteDay))
    assert (day.mass_kg, day.meals, day.energy_kcal) == (None, 2, 900)


async def test_a_scope_sees_and_changes_its_own_practice_alone(database: Database, practice: uuid.UUID) -> None:
    async with database.writing() as connection:
        other, made = await find_or_make_practice(connection, "Two")
        assert made and (await find_or_make_practice(connection, "Two")) == (other, False)
        mine, theirs = Scope(connection, practice), Scope(connection, other)
        same = new_id()
        for scope in (mine, theirs):
            await scope.insert(Athlete, [{**SAID, "id": same}])
        assert await mine.run(mine.update(Athlete).where(ATHLETE.c.id == same).values(name="mine")) == 1
        assert await theirs.run(theirs.delete(Athlete).where(ATHLETE.c.id == same)) == 1
        assert [row.name for row in await mine.rows(mine.select(Athlete))] == ["mine"]
        assert await theirs.rows(theirs.select(Athlete)) == []
        weigh_in = table_of(WeighIn)
        assert await theirs.rows(theirs.select(weigh_in.c.id, of=[WeighIn])) == []


async def test_an_error_rolls_all_of_it_back(database: Database, practice: uuid.UUID) -> None:
    with pytest.raises(RuntimeError):
        async with database.writing() as connection:
            await Scope(connection, practice).insert(Athlete, [SAID])
            raise RuntimeError
    async with database.reading() as connection:
        assert await Scope(connection, practice).rows(Scope(connection, practice).select(Athlete)) == []


async def _count_up(database: Database, times: int) -> None:
    """Read, then write what was read plus one: a lost update shows."""
    table = table_of(Practice)
    for _ in range(times):
        async with database.writing() as connection:
            row = (await connection.execute(select(table).where(table.c.name == "One").with_for_update())).one()
            await asyncio.sleep(0)
            await connection.execute(table.update().where(table.c.id == row.id).values(revision=row.revision + 1))


async def test_eight_writers_of_one_service_lose_nothing(database: Database, practice: uuid.UUID) -> None:
    await asyncio.gather(*(_count_up(database, 8) for _ in range(8)))
    assert await _revision(database) == 1 + 8 * 8


async def test_writers_of_four_services_lose_nothing(
    database: Database, practice: uuid.UUID, database_url: str
) -> None:
    """With a plain BEGIN most of these fail on SQLite: each reads, then wants to write what another one has changed."""
    others = [Database(database_url) for _ in range(4)]
    await asyncio.gather(*(_count_up(other, 10) for other in others))
    for other in others:
        await other.close()
    assert await _revision(database) == 1 + 4 * 10


async def test_reading_goes_on_beside_a_writer(database: Database, practice: uuid.UUID) -> None:
    async with database.writing() as connection:
        await Scope(connection, practice).insert(Athlete, [SAID])
        async with database.reading() as reader:
            count = await reader.execute(
                select(func.count()).select_from(ATHLETE), execution_options={CROSS_PRACTICE: "a test"}
            )
            assert count.scalar() == 0


async def _revision(database: Database) -> int:
    async with database.reading() as connection:
        table = table_of(Practice)
        return int((await connection.execute(select(table.c.revision).where(table.c.name == "One"))).scalar_one())

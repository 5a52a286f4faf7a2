"""A practice made in this process through the import path, and the clock's tick run on it at any instant."""

import tempfile
import uuid
from collections.abc import AsyncIterator, Iterable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import orjson
import pytest

from service.api.imports import import_file
from service.application.attention.attention_list import AthleteToSee, attention_list
from service.application.practices import find_or_make_practice, move_clock
from service.auth import SCOPES, Principal
from service.jobs.clock import tick
from service.store.engine import Database
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, Review
from service.store.types import now


class Practice:
    """Some athletes of one practice."""

    def __init__(self, database: Database, practice_id: uuid.UUID) -> None:
        self.database = database
        self.practice_id = practice_id
        self.caller = Principal(practice_id, uuid.uuid4(), frozenset(SCOPES), None)

    async def take_in(self, lines: Iterable[dict[str, Any]]) -> None:
        with tempfile.NamedTemporaryFile(suffix=".ndjson") as file:
            file.write(b"\n".join(map(orjson.dumps, lines)))
            file.flush()
            done = await import_file(self.database, self.caller, Path(file.name), "ndjson")
        assert (done.state, done.faults) == ("done", [])

    async def tick(self, at: datetime) -> Any:
        """What a clock does when the practice, one for tests, has come to an instant."""
        await self.come_to(at)
        return await tick(self.database, now())

    async def come_to(self, at: datetime) -> None:
        """Move the practice's clock; what was planned by the real time before are checks, which are due then."""
        async with self.database.writing() as connection:
            scope = Scope(connection, self.practice_id, at)
            await move_clock(scope, at)
            if self.caller.clock_at is None:
                await scope.run(scope.update(Athlete).values(next_check_in_at=at))
        self.caller = replace(self.caller, clock_at=at)

    async def rows(self, table: Any, external_id: str | None = None) -> list[Any]:
        """Rows of a table of athletes' rows, of one athlete or of all."""
        athlete, there = table_of(Athlete), table_of(table)
        async with self.database.reading() as connection:
            scope = Scope(connection, self.practice_id)
            statement = scope.select(table, of=[Athlete]).where(athlete.c.id == there.c.athlete_id)
            if external_id is not None:
                statement = statement.where(athlete.c.external_id == external_id)
            return list(await scope.rows(statement))

    async def reviews(self, external_id: str) -> list[Any]:
        return sorted(await self.rows(Review, external_id), key=lambda row: row.as_of)

    async def athlete(self, external_id: str) -> Any:
        async with self.database.reading() as connection:
            scope = Scope(connection, self.practice_id)
            return await scope.first(scope.select(Athlete).where(table_of(Athlete).c.external_id == external_id))

    async def put(self, external_id: str | None = None, **values: Any) -> None:
        """Set columns of an athlete's row, or of all athletes' rows, as time or another process might."""
        async with self.database.writing() as connection:
            scope = Scope(connection, self.practice_id)
            statement = scope.update(Athlete)
            if external_id is not None:
                statement = statement.where(table_of(Athlete).c.external_id == external_id)
            await scope.run(statement.values(**values))

    async def claimed(self) -> int:
        """How many athletes some process holds for their reviews."""
        async with self.database.reading() as connection:
            scope, column = Scope(connection, self.practice_id), table_of(Athlete).c.review_claimed_until
            return len(await scope.rows(scope.select(table_of(Athlete).c.id, of=[Athlete]).where(column.is_not(None))))

    async def attention(self) -> dict[str, AthleteToSee]:
        async with self.database.reading() as connection:
            items = await attention_list(Scope(connection, self.practice_id))
        return {item.external_id: item for item in items}


@pytest.fixture
async def practice(database_url: str) -> AsyncIterator[Practice]:
    database = Database(database_url, check_tenant_filter=True)
    async with database.writing() as connection:
        practice_id, _ = await find_or_make_practice(connection, "Fen Edge", test=True)
    yield Practice(database, practice_id)
    await database.close()


def athlete(name: str, **more: Any) -> dict[str, Any]:
    """An import line."""
    line = {"type": "athlete", "external_id": name, "sex": "female", "birth_date": "1994-05-02", "height_cm": 168}
    return {**line, **more}


def log(name: str, first: date, days: int, *, food: bool = True, mass_kg: float = 64.0) -> list[dict[str, Any]]:
    """Import lines: a weigh-in a day, mass gently waving, and one meal."""
    lines: list[dict[str, Any]] = []
    for day in range(days):
        on = str(first + timedelta(days=day))
        wave_kg = 0.1 * ((day * 7) % 5 - 2)
        lines.append({"type": "weigh_in", "athlete": name, "date": on, "mass_kg": round(mass_kg + wave_kg, 1)})
        if food:
            lines.append({"type": "meal", "athlete": name, "date": on, "energy_kcal": 2050, "protein_g": 120})
    return lines


def phase(name: str, starts_on: date, kind: str = "maintain", **more: Any) -> dict[str, Any]:
    """An import line."""
    return {"type": "phase", "athlete": name, "kind": kind, "starts_on": str(starts_on), "energy_kcal": 2050, **more}


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)

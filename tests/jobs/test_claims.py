"""Many athletes that fall due at one instant are claimed in time that grows with their number and no faster."""

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import event

from service.jobs.check_in import CheckInJob
from service.jobs.times import ACROSS, ATHLETE, Time
from service.jobs.weekly_review import WeeklyReview
from service.store.engine import Database
from tests.jobs.conftest import Practice, athlete, utc

MONDAY = utc(2026, 3, 16, 6)


@pytest.mark.parametrize("job", [CheckInJob(), WeeklyReview()], ids=lambda job: job.name)
async def test_claims_follow_an_index_and_sort_nothing(practice: Practice, job: Any) -> None:
    """Of SQLite, whose plans do not depend on how full a table is; PostgreSQL has the same indices."""
    if practice.database.dialect != "sqlite":
        pytest.skip("PostgreSQL scans a small table whatever indices it has")
    await practice.take_in([athlete(f"a{number}") for number in range(3)])
    await practice.put(next_review_at=MONDAY, next_check_in_at=MONDAY)
    said = statements(practice.database)
    assert len(await job._claim(practice.database, Time(MONDAY))) == 3
    plans = [plan for statement in said if "athlete" in statement[0] for plan in await explained(practice, *statement)]
    assert any(f"ix_athlete_due_{job.due_column}" in plan for plan in plans)
    assert [plan for plan in plans if plan.startswith("SCAN athlete") or "TEMP B-TREE" in plan] == []


def statements(database: Database) -> list[tuple[str, Any]]:
    """All that is executed from now on."""
    said: list[tuple[str, Any]] = []
    for engine in (database._reader, database._writer):
        event.listen(
            engine.sync_engine,
            "before_cursor_execute",
            lambda _connection, _cursor, statement, values, _context, _many: said.append((statement, values)),
        )
    return said


async def explained(practice: Practice, statement: str, values: Any) -> list[str]:
    if statement.startswith(("BEGIN", "EXPLAIN")):
        return []
    async with practice.database.reading() as connection:
        return [row[3] for row in await connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", values)]


async def test_who_is_claimed_already_or_not_active_is_left_alone(practice: Practice) -> None:
    await practice.take_in([athlete(name) for name in "abc"])
    await practice.put(next_check_in_at=MONDAY)
    await practice.put("a", status="paused")
    await practice.put("b", next_check_in_at=MONDAY + timedelta(hours=1))
    job = CheckInJob()
    assert [row.external_id for row in await job._claim(practice.database, Time(MONDAY))] == ["c"]
    assert await job._claim(practice.database, Time(MONDAY)) == []
    async with practice.database.reading() as connection:
        rows = await connection.execute(ATHLETE.select(), execution_options=ACROSS)
        assert {row.external_id for row in rows if row.check_in_claimed_until is not None} == {"c"}

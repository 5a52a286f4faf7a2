"""When a check falls due after a write: within seconds, once for what comes together, once for a file at its end."""

from datetime import date, datetime, timedelta
from typing import Any

import pytest

from service.api import import_order
from service.api.imports import run_import
from service.application.log.stale import CHECK_AFTER, CHECK_HISTORY_AFTER, mark_all_stale, mark_stale
from service.application.practices import find_or_make_practice
from service.jobs.clock import tick
from service.store.scope import Scope
from service.store.tables import Athlete, CheckIn
from service.store.types import now
from tests.jobs.conftest import Practice, athlete, log

SLACK = timedelta(seconds=20)  # of a slow machine


@pytest.fixture
async def real(practice: Practice) -> Practice:
    """A practice that lives by the real time, with an athlete whose first check is that of the night."""
    async with practice.database.writing() as connection:
        practice_id, _ = await find_or_make_practice(connection, "Dyke End")
    real = Practice(practice.database, practice_id)
    await real.take_in([athlete("a")])
    assert (await real.athlete("a")).next_check_in_at > now()
    return real


async def store(practice: Practice, *days_ago: int) -> datetime:
    """Something of the athlete on these days; when the check is due."""
    row = await practice.athlete("a")
    days = {(row.id, now().date() - timedelta(days=ago)) for ago in days_ago}
    async with practice.database.writing() as connection:
        await mark_stale(Scope(connection, practice.practice_id), days)
    due: datetime = (await practice.athlete("a")).next_check_in_at
    return due


async def test_recent_entries_are_looked_at_within_seconds_and_history_within_half_a_minute(real: Practice) -> None:
    begun = now()
    history = await store(real, 30, 40)
    assert begun + CHECK_HISTORY_AFTER <= history <= now() + CHECK_HISTORY_AFTER
    recent = await store(real, 1, 30)
    assert begun + CHECK_AFTER <= recent <= now() + CHECK_AFTER < history


async def test_what_comes_after_moves_no_check_further_away(real: Practice) -> None:
    first = await store(real, 0)
    assert await store(real, 0) == await store(real, 50) == first
    async with real.database.writing() as connection:
        await mark_all_stale(Scope(connection, real.practice_id), (await real.athlete("a")).id)
    assert (await real.athlete("a")).next_check_in_at == first


async def test_answers_to_the_screening_are_looked_at_within_seconds(real: Practice) -> None:
    begun = now()
    async with real.database.writing() as connection:
        await mark_all_stale(Scope(connection, real.practice_id), (await real.athlete("a")).id)
    assert (await real.athlete("a")).next_check_in_at <= begun + CHECK_AFTER + SLACK


async def test_a_file_is_followed_by_one_check_of_each_of_its_athletes(
    real: Practice, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While it is taken in, window by window, nothing is due; a file that says nothing new makes nothing due."""
    seen: list[datetime] = []
    put_window = run_import.__globals__["put_window"]

    async def put(scope: Scope, *more: Any) -> Any:
        kept = await put_window(scope, *more)
        athletes = await scope.all(Athlete, scope.select(Athlete))
        assert all(row.next_check_in_at is not None and row.next_check_in_at > now() for row in athletes)
        seen.append(now())
        return kept

    monkeypatch.setitem(run_import.__globals__, "put_window", put)
    monkeypatch.setattr(import_order, "LINES", 200)
    lines = [line for name in "ab" for line in log(name, now().date() - timedelta(days=400), 400)]
    await real.take_in([athlete("b"), *lines])
    assert len(seen) > 2
    for name in "ab":
        assert seen[-1] <= (await real.athlete(name)).next_check_in_at <= now()
    assert (await tick(real.database, now())).check_ins.done == 2
    monkeypatch.undo()
    await real.take_in([athlete("b"), *lines])
    assert (await tick(real.database, now())).check_ins.done == 0


async def test_a_check_is_of_today_once_anything_is_stored_of_today(practice: Practice) -> None:
    """Nights are of yesterday; a plan that begins later is not of today."""
    last = date(2026, 3, 15)
    await practice.take_in([athlete("a"), *log("a", last - timedelta(days=20), 20)])
    noon = datetime.fromisoformat("2026-03-15T12:00:00+00:00")
    for at, day in ((noon, last - timedelta(days=1)), (noon + timedelta(hours=1), last)):
        await practice.tick(at)
        assert [row.date for row in await practice.rows(CheckIn)] == [day]
        await practice.take_in(log("a", last, 1))
    await practice.tick(noon + timedelta(hours=17))  # at five in the morning
    assert [row.date for row in await practice.rows(CheckIn)] == [last]

"""The server's own clock runs what is due, from its start on; several clocks share the work."""

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from typing import Any

import pytest

from service.jobs import clock
from service.jobs.due import CHUNK
from service.jobs.weekly_review import WeeklyReview
from service.store.tables import CheckIn, Review
from service.store.types import now
from tests.conftest import LiveServer
from tests.jobs.conftest import Practice, athlete, log, phase, utc

GUARD = {"STEELYARD_CHECK_TENANT_FILTER": "1"}
DONE_WITHIN_S = 40


async def wait_for(practice: Practice, count: int) -> None:
    deadline = time.monotonic() + DONE_WITHIN_S
    while time.monotonic() < deadline:
        if min(len(await practice.rows(Review)), len(await practice.rows(CheckIn))) >= count:
            return
        time.sleep(0.1)
    raise AssertionError(f"{len(await practice.rows(Review))} reviews, {len(await practice.rows(CheckIn))} check-ins")


async def test_two_servers_with_clocks_review_everybody_once(
    practice: Practice, database_url: str, live_server: Callable[..., LiveServer]
) -> None:
    names = [f"a{number:03d}" for number in range(2 * CHUNK + 20)]
    first = now().date() - timedelta(days=15)
    lines = [line for name in names for line in log(name, first, 4, food=False)]
    await practice.take_in([*map(athlete, names), *lines])
    with ThreadPoolExecutor(2) as starters:
        servers = list(starters.map(lambda _: live_server(database_url, clock=True, settings=GUARD), range(2)))
    await wait_for(practice, len(names))
    reviews = await practice.rows(Review)
    assert len({row.athlete_id for row in reviews}) == len(reviews) == len(names)
    for server in servers:
        server.stop()
        assert "Traceback" not in server.log()
        assert "ERROR" not in server.log()


async def test_a_server_without_a_clock_runs_nothing(
    practice: Practice, database_url: str, live_server: Callable[..., LiveServer]
) -> None:
    await practice.take_in([athlete("a"), phase("a", now().date() - timedelta(days=21))])
    live_server(database_url, settings=GUARD)
    time.sleep(1.0)
    assert await practice.rows(Review) == await practice.rows(CheckIn) == []


@pytest.mark.engines("sqlite")
async def test_a_tick_that_fails_as_a_whole_does_not_stop_the_clock(
    practice: Practice, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What `Clock` runs each minute, with trouble in the first run."""
    await practice.take_in([athlete("a"), phase("a", utc(2026, 1, 1).date())])
    ticking = clock.Clock(practice.database)
    whole, troubles = WeeklyReview.run, [OSError("the database is away")]

    async def run(*arguments: Any) -> Any:
        if troubles:
            raise troubles.pop()
        return await whole(*arguments)

    monkeypatch.setattr(WeeklyReview, "run", run)
    with pytest.raises(OSError):
        await ticking._tick()
    await ticking._tick()
    assert len(await practice.reviews("a")) == 1

"""The clock: one tick a minute runs whatever is due. Any number of clocks may run."""

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.cron import CronTrigger
from sqlalchemy import update

from service.jobs.check_in import NightlyCheckIn
from service.jobs.due import Tally
from service.jobs.times import ACROSS, Time, times
from service.jobs.weekly_review import WeeklyReview
from service.store.engine import Database
from service.store.scope import table_of
from service.store.tables import Review
from service.store.types import now

LAPSE_AFTER = timedelta(days=7)
_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class TickResult:
    """What a tick did."""

    lapsed: int = 0
    reviews: Tally = Tally()  # noqa: RUF009 - frozen
    check_ins: Tally = Tally()  # noqa: RUF009

    def __add__(self, other: "TickResult") -> "TickResult":
        return TickResult(self.lapsed + other.lapsed, self.reviews + other.reviews, self.check_ins + other.check_ins)


async def tick(
    database: Database,
    at: datetime,
    advance: Callable[[str, int], None] | None = None,
    proceed: Callable[[], bool] = lambda: True,
) -> TickResult:
    """Run whatever is due at an instant, once.

    Parameters
    ----------
    database : Database
        Where.
    at : datetime
        The instant that counts as now; aware. A test practice whose clock was moved lives by that instead.
    advance : callable
        Told the job's name and a number of athletes after each chunk.
    proceed : callable
        Asked before each chunk; what is not begun then stays due.
    """
    if at.tzinfo is None:
        raise ValueError("the instant of a tick needs an offset")
    done = TickResult()
    for time in await times(database, at):
        lapsed, weekly = await _lapse(database, time), WeeklyReview()
        reviews = await weekly.run(database, time, advance and (lambda count: advance("reviews", count)), proceed)
        check_ins = await NightlyCheckIn(weekly.check_ins).run(
            database, time, advance and (lambda count: advance("check-ins", count)), proceed
        )
        done += TickResult(lapsed, reviews, check_ins)
    return done


async def _lapse(database: Database, time: Time) -> int:
    """Close recommendations that nobody answered within a week."""
    review = table_of(Review)
    statement = (
        update(review)
        .where(review.c.state == "open", review.c.made_at < time.at - LAPSE_AFTER, time.of(review.c.practice_id))
        .values(state="lapsed", revision=review.c.revision + 1)
    )
    async with database.writing() as connection:
        return (await connection.execute(statement, execution_options=ACROSS)).rowcount


class Clock:
    """APScheduler's minute tick in this process."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._scheduler = AsyncIOScheduler(timezone=UTC)
        self._scheduler.add_job(
            self._tick, CronTrigger(second=0, timezone=UTC), coalesce=True, max_instances=1, misfire_grace_time=None
        )
        self._running: asyncio.Task[TickResult] | None = None
        self._stopping = False

    def start(self) -> None:
        """Start ticking, with a first tick at once."""
        self._scheduler.start()
        self._scheduler.add_job(self._tick)

    async def stop(self) -> None:
        """Stop ticking; a chunk under way is finished first, so that its lease holds up nobody."""
        self._stopping = True
        self._scheduler.pause()
        if self._running:
            await asyncio.wait({self._running})
        self._scheduler.shutdown(wait=False)

    async def _tick(self) -> None:
        if self._running or self._stopping:
            return
        self._running = asyncio.create_task(tick(self._database, now(), proceed=lambda: not self._stopping))
        try:
            result = await self._running
        finally:
            self._running = None
        if result.reviews.done or result.check_ins.done or result.reviews.failed or result.check_ins.failed:
            _log.info("tick: %s", result)

"""The clock: one tick a minute runs whatever is due. Any number of clocks may run."""

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.cron import CronTrigger
from sqlalchemy import select, update

from service.application.log.stale import CHECK_AFTER, CHECK_HISTORY_AFTER
from service.jobs.check_in import CheckInJob
from service.jobs.due import Tally
from service.jobs.times import ACROSS, Time, times
from service.jobs.weekly_review import WeeklyReview
from service.store.engine import Database
from service.store.scope import table_of
from service.store.tables import Review
from service.store.types import now

LAPSE_AFTER = timedelta(days=7)
LOOK_EVERY_S = CHECK_AFTER.total_seconds() + 0.1
LOOK_FOR_S = CHECK_HISTORY_AFTER.total_seconds() + 2 * LOOK_EVERY_S  # after the last write: then all is done
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
        done += await _run(database, time, advance, proceed)
    return done


async def look_again(database: Database, at: datetime, proceed: Callable[[], bool]) -> TickResult:
    """Run the check-ins that are due at an instant, and all that is due in test practices; parameters as `tick`."""
    done = TickResult()
    for time in await times(database, at):
        if time.practice_id is not None:
            done += await _run(database, time, None, proceed)
        else:
            done += TickResult(check_ins=await CheckInJob().run(database, time, None, proceed))
    return done


async def _run(
    database: Database, time: Time, advance: Callable[[str, int], None] | None, proceed: Callable[[], bool]
) -> TickResult:
    lapsed = await _lapse(database, time)
    reviews = await WeeklyReview().run(database, time, advance and (lambda count: advance("reviews", count)), proceed)
    check_ins = await CheckInJob().run(database, time, advance and (lambda count: advance("check-ins", count)), proceed)
    return TickResult(lapsed, reviews, check_ins)


async def _lapse(database: Database, time: Time) -> int:
    """Close recommendations that nobody answered within a week."""
    review = table_of(Review)
    old = (review.c.state == "open", review.c.made_at < time.at - LAPSE_AFTER, time.of(review.c.practice_id))
    async with database.reading() as connection:  # a look that takes no writer
        if (
            await connection.execute(select(review.c.id).where(*old).limit(1), execution_options=ACROSS)
        ).first() is None:
            return 0
    lapse = update(review).where(*old).values(state="lapsed", revision=review.c.revision + 1)
    async with database.writing() as connection:
        return (await connection.execute(lapse, execution_options=ACROSS)).rowcount


class Clock:
    """APScheduler's minute tick in this process, and a look at what this process has just stored.

    What other processes store is looked at by the tick of any clock.
    """

    def __init__(self, database: Database) -> None:
        self._database = database
        self._scheduler = AsyncIOScheduler(timezone=UTC)
        self._scheduler.add_job(
            self._tick, CronTrigger(second=0, timezone=UTC), coalesce=True, max_instances=1, misfire_grace_time=None
        )
        self._running: asyncio.Task[TickResult] | None = None
        self._looking: asyncio.Task[TickResult] | None = None
        self._worker: asyncio.Task[None] | None = None
        self._stopping = False

    def start(self) -> None:
        """Start ticking, with a first tick at once."""
        self._scheduler.start()
        self._scheduler.add_job(self._tick)
        self._worker = asyncio.create_task(self._follow_writes())

    async def stop(self) -> None:
        """Stop ticking; a chunk under way is finished first, so that its lease holds up nobody."""
        self._stopping = True
        self._scheduler.pause()
        under_way = {task for task in (self._running, self._looking) if task}
        if under_way:
            await asyncio.wait(under_way)
        if self._worker:
            self._worker.cancel()
            await asyncio.wait({self._worker})
        self._scheduler.shutdown(wait=False)

    async def _follow_writes(self) -> None:
        """Look every few seconds for as long as something has been stored lately; sleep until something is."""
        loop = asyncio.get_running_loop()
        while not self._stopping:
            await self._database.committed.wait()
            until = loop.time()
            while loop.time() <= until or self._database.committed.is_set():
                if self._database.committed.is_set():
                    self._database.committed.clear()
                    until = loop.time() + LOOK_FOR_S
                await asyncio.sleep(LOOK_EVERY_S)
                await self._look()

    async def _look(self) -> None:
        if self._running or self._stopping:
            return  # the tick looks at everything
        self._looking = asyncio.create_task(look_again(self._database, now(), lambda: not self._stopping))
        try:
            result = await self._looking
        except Exception:  # noqa: BLE001 - as of a tick that fails: the next one tries again
            _log.exception("a look at what was stored failed")
        else:
            _tell(result)
        finally:
            self._looking = None

    async def _tick(self) -> None:
        if self._running or self._stopping:
            return
        self._running = asyncio.create_task(tick(self._database, now(), proceed=lambda: not self._stopping))
        try:
            result = await self._running
        finally:
            self._running = None
        _tell(result)


def _tell(result: TickResult) -> None:
    if result.reviews != Tally() or result.check_ins != Tally():
        _log.info("tick: %s", result)

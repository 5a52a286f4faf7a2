"""The weekly review of each athlete, on their weekday, in their zone."""

import uuid
from collections.abc import Callable, Collection, Sequence
from datetime import date, datetime, timedelta
from typing import NamedTuple, cast

from sqlalchemy import ColumnElement, bindparam, func, select, update

from service.application import schedule
from service.application.evidence.gather import OfPractice
from service.application.review.keep import keep_reviews
from service.application.review.make import Result, make_reviews_across
from service.jobs.check_in import CheckInResult, keep_newer
from service.jobs.due import DueJob, Tally
from service.jobs.times import ACROSS, ACTIVE, ATHLETE, Time
from service.store.engine import Database
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, AthleteDay, Phase
from service.store.types import Weekday

CATCH_UP = timedelta(days=28)  # weeks missed longer ago than this are not reviewed any more
FIRST_WEEK = timedelta(days=7)


class NotReviewedYet(NamedTuple):
    """An athlete without a planned review, with the first days that were logged and planned."""

    practice_id: uuid.UUID
    id: uuid.UUID
    time_zone: str
    review_weekday: Weekday
    logged: date | None
    planned: date | None


class WeeklyReview(DueJob[Result]):
    """Reviews; one a week and athlete, by its unique key. Missed weeks are caught up one by one."""

    name = "weekly_review"
    due_column = "next_review_at"
    claim_column = "review_claimed_until"

    async def run(
        self,
        database: Database,
        time: Time,
        advance: Callable[[int], None] | None = None,
        proceed: Callable[[], bool] = lambda: True,
    ) -> Tally:
        """Plan the first review of athletes who have begun to log, then do everything that is due."""
        await self._plan_first(database, time)
        return await super().run(database, time, advance, proceed)

    async def _plan_first(self, database: Database, time: Time) -> None:
        """The first review is on the first review day with a whole week behind it, or the latest one of a long log."""
        day, phase = table_of(AthleteDay), table_of(Phase)
        logged = select(func.min(day.c.date)).where(
            day.c.practice_id == ATHLETE.c.practice_id, day.c.athlete_id == ATHLETE.c.id
        )
        planned = select(func.min(phase.c.starts_on)).where(
            phase.c.practice_id == ATHLETE.c.practice_id, phase.c.athlete_id == ATHLETE.c.id
        )
        columns = (ATHLETE.c[name] for name in NotReviewedYet._fields[:4])
        starts = (logged.scalar_subquery().label("logged"), planned.scalar_subquery().label("planned"))
        new = select(*columns, *starts).where(ATHLETE.c.next_review_at.is_(None), ACTIVE)
        new = new.where(time.of(ATHLETE.c.practice_id))
        async with database.reading() as connection:
            athletes = cast(Sequence[NotReviewedYet], (await connection.execute(new, execution_options=ACROSS)).all())
        dues = []
        for athlete in athletes:
            begun = [
                first for first in (athlete.logged, athlete.planned) if first is not None and first <= time.at.date()
            ]
            if begun:
                first = max(min(begun) + FIRST_WEEK, schedule.last_review_day(athlete, time.at)) - timedelta(days=1)
                key = {"of_practice": athlete.practice_id, "of_athlete": athlete.id}
                dues.append({**key, "due": schedule.next_review_at(athlete, first)})
        if dues:
            plan = update(ATHLETE).where(
                ATHLETE.c.practice_id == bindparam("of_practice"),
                ATHLETE.c.id == bindparam("of_athlete"),
                ATHLETE.c.next_review_at.is_(None),
            )
            async with database.writing() as connection:
                await connection.execute(plan.values(next_review_at=bindparam("due")), dues)

    def is_due(self, at: datetime) -> ColumnElement[bool]:
        """Its time has come."""
        due: ColumnElement[bool] = ATHLETE.c.next_review_at <= at
        return due

    def as_of(self, athlete: Athlete, at: datetime) -> date:
        """The day before the review day: that day's weigh-in is still to come."""
        assert athlete.next_review_at is not None  # it is due
        latest = schedule.last_review_day(athlete, at)
        day = max(schedule.local_date(athlete.next_review_at, athlete.time_zone), latest - CATCH_UP)
        return min(day, latest) - timedelta(days=1)

    def next_due(self, athlete: Athlete, as_of: date, at: datetime) -> datetime:
        """The next review day after this one."""
        return schedule.next_review_at(athlete, as_of + timedelta(days=1))

    async def compute(self, groups: Sequence[OfPractice], as_of: date) -> dict[uuid.UUID, Result]:
        """Review them."""
        return {result.athlete_id: result for result in await make_reviews_across(groups, as_of)}

    async def keep(
        self, scope: Scope, results: Sequence[Result], at: datetime, overtaken: Collection[uuid.UUID]
    ) -> None:
        """Store the reviews, and what the check-in of the same day finds; earlier open reviews lapse."""
        await keep_reviews(scope, results, at, overtaken=overtaken)
        await keep_newer(scope, [_checked(result) for result in results], at)


def _checked(result: Result) -> CheckInResult:
    return CheckInResult(
        result.athlete_id, result.as_of, result.inputs_revision, result.document["policy"], **result.check_in
    )

"""The weekly review of each athlete, on their weekday, in their zone."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import and_, exists, or_

from service import moments
from service.jobs.due import ATHLETE, DueJob
from service.review import Result, keep_reviews, make_reviews
from service.store.scope import Scope, table_of
from service.store.tables import AthleteDay, Phase

CATCH_UP = timedelta(days=28)  # weeks missed longer ago than this are not reviewed any more
FIRST_WEEK = timedelta(days=7)


class WeeklyReview(DueJob):
    """Reviews; one a week and athlete, by its unique key. Missed weeks are caught up one by one."""

    name = "weekly_review"
    due_column = "next_review_at"
    claim_column = "review_claimed_until"

    def is_due(self, at: datetime) -> Any:
        """Its time has come, or there was no review yet and the log is a week old."""
        day, phase = table_of(AthleteDay), table_of(Phase)
        week_ago = at.date() - FIRST_WEEK
        logged = exists().where(
            day.c.practice_id == ATHLETE.c.practice_id, day.c.athlete_id == ATHLETE.c.id, day.c.date <= week_ago
        )
        planned = exists().where(
            phase.c.practice_id == ATHLETE.c.practice_id,
            phase.c.athlete_id == ATHLETE.c.id,
            phase.c.starts_on <= week_ago,
        )
        return or_(ATHLETE.c.next_review_at <= at, and_(ATHLETE.c.next_review_at.is_(None), or_(logged, planned)))

    def as_of(self, athlete: Any, at: datetime) -> date:
        """The day before the review day: that day's weigh-in is still to come."""
        latest = moments.last_review_day(athlete, at)
        due = athlete.next_review_at
        day = latest if due is None else max(moments.local_date(due, athlete.time_zone), latest - CATCH_UP)
        return min(day, latest) - timedelta(days=1)

    def next_due(self, athlete: Any, as_of: date, at: datetime) -> datetime:
        """The next review day after this one."""
        return moments.next_review_at(athlete, as_of + timedelta(days=1))

    async def compute(self, scope: Scope, athletes: Sequence[Any], as_of: date) -> list[Result]:
        """Review them."""
        return await make_reviews(scope, athletes, as_of)

    async def keep(self, scope: Scope, results: list[Result], at: datetime) -> None:
        """Store the reviews; earlier open ones lapse."""
        await keep_reviews(scope, results, at)

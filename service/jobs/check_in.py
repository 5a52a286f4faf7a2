"""The check-in: missing data, red flags, phases about to end; each night, and within seconds of what was stored."""

import asyncio
import uuid
from collections.abc import Collection, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement

from service.application import schedule
from service.application.evidence.gather import RosterEvidence, evidence_for
from service.application.review.reasons import CheckInFindings, check_in_body
from service.jobs.due import DueJob
from service.jobs.times import ATHLETE
from service.store.scope import Scope
from service.store.tables import Athlete, CheckIn


class Checked(NamedTuple):
    """What a check-in of a day found, as long as the athlete's inputs are of that revision."""

    inputs_revision: int
    as_of: date
    findings: CheckInFindings


class CheckInResult(NamedTuple):
    """A check-in to be kept."""

    athlete_id: uuid.UUID
    date: date
    severity: int
    attention: dict[str, Any] | None
    holding: list[str]


class CheckInJob(DueJob[CheckInResult]):
    """The latest check-in of each athlete; missed nights are not caught up, they would say nothing new."""

    name = "check_in"
    due_column = "next_check_in_at"
    claim_column = "check_in_claimed_until"

    def __init__(self, done: Mapping[uuid.UUID, Checked] | None = None) -> None:
        self._done = done or {}

    def is_due(self, at: datetime) -> ColumnElement[bool]:
        """Its time has come."""
        due: ColumnElement[bool] = ATHLETE.c.next_check_in_at <= at
        return due

    def as_of(self, athlete: Athlete, at: datetime) -> date:
        """Yesterday, where the athlete lives; today as soon as anything is stored of today."""
        today = schedule.local_date(at, athlete.time_zone)
        yesterday = today - timedelta(days=1)
        return min(today, max(yesterday, athlete.inputs_until or yesterday))

    def next_due(self, athlete: Athlete, as_of: date, at: datetime) -> datetime:
        """The coming night."""
        return schedule.next_check_in_at(athlete, at)

    async def compute(self, scope: Scope, athletes: Sequence[Athlete], as_of: date) -> dict[uuid.UUID, CheckInResult]:
        """Check on them; of those reviewed in this very night, the review has."""
        findings = {
            athlete.id: done.findings
            for athlete in athletes
            if (done := self._done.get(athlete.id)) and done[:2] == (athlete.inputs_revision, as_of)
        }
        left = [athlete for athlete in athletes if athlete.id not in findings]
        if left:
            new = {athlete.id for athlete in left if _is_new(athlete, scope.now())}
            findings |= await asyncio.to_thread(_check, await evidence_for(scope, left, [as_of]), new)
        return {
            athlete_id: CheckInResult(athlete_id, as_of, **of_athlete) for athlete_id, of_athlete in findings.items()
        }

    async def keep(self, scope: Scope, results: Sequence[CheckInResult], at: datetime) -> None:
        """Replace the check-ins before."""
        rows = [{**result._asdict(), "made_at": at} for result in results]
        await scope.upsert(CheckIn, rows, key=("practice_id", "athlete_id"))


def _is_new(athlete: Athlete, at: datetime) -> bool:
    """Whether the first night since the athlete was taken on is still to come."""
    return athlete.created_at <= at < schedule.next_check_in_at(athlete, athlete.created_at)


def _check(batches: Sequence[RosterEvidence], new: Collection[uuid.UUID]) -> dict[uuid.UUID, CheckInFindings]:
    return {
        athlete.id: check_in_body(
            batch.evidence[athlete.id, batch.roster.to],
            batch.policies[athlete.id].policy,
            first_day=athlete.id in new,
        )
        for batch in batches
        for athlete in batch.roster.athletes
    }

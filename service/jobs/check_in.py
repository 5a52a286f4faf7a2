"""The check-in: missing data, red flags, phases about to end; each night, and within seconds of what was stored."""

import asyncio
import uuid
from collections.abc import Collection, Sequence
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple, cast

from sqlalchemy import ColumnElement

from service.application import schedule
from service.application.evidence.gather import OfPractice, RosterEvidence, evidence_across
from service.application.evidence.policies import Named, in_force
from service.application.review.reasons import check_in_body
from service.jobs.due import DueJob
from service.jobs.times import ATHLETE
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, CheckIn

CHECK_IN = table_of(CheckIn)


class CheckInResult(NamedTuple):
    """A check-in to be kept, with the revision of the athlete's inputs and the policy that it was made from."""

    athlete_id: uuid.UUID
    date: date
    inputs_revision: int
    policy: Named
    severity: int
    attention: dict[str, Any] | None
    holding: list[str]


class _Kept(NamedTuple):
    """What tells whether a stored check-in would say the same if it were made now."""

    athlete_id: uuid.UUID
    date: date
    inputs_revision: int | None
    policy: Named | None
    made_at: datetime


class CheckInJob(DueJob[CheckInResult | None]):
    """The latest check-in of each athlete; missed nights are not caught up, they would say nothing new.

    The one of the same day, inputs and policy says the same: it stays, whether a check made it or a review.
    """

    name = "check_in"
    due_column = "next_check_in_at"
    claim_column = "check_in_claimed_until"

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

    async def compute(self, groups: Sequence[OfPractice], as_of: date) -> dict[uuid.UUID, CheckInResult | None]:
        """Check on them; None of those whose stored check-in holds."""
        new: set[uuid.UUID] = set()
        left: list[OfPractice] = []
        results: dict[uuid.UUID, CheckInResult | None] = {}
        for scope, athletes in groups:
            hold = await _which_hold(scope, athletes, as_of)
            results |= dict.fromkeys(hold)
            new |= {athlete.id for athlete in athletes if _is_new(athlete, scope.now())}
            if others := [athlete for athlete in athletes if athlete.id not in hold]:
                left.append((scope, others))
        if left:
            results |= await asyncio.to_thread(_check, await evidence_across(left, [as_of]), new)
        return results

    async def keep(
        self, scope: Scope, results: Sequence[CheckInResult | None], at: datetime, overtaken: Collection[uuid.UUID]
    ) -> None:
        """Replace the check-ins before; of the overtaken too: they are of other inputs, and so hold no longer."""
        await _keep(scope, [result for result in results if result is not None], at)


async def keep_newer(scope: Scope, results: Sequence[CheckInResult], at: datetime) -> None:
    """Replace the check-ins before, but none of a later day, nor one that says the same."""
    there = await _stored(scope, [result.athlete_id for result in results])
    news = [
        result for result in results if result.athlete_id not in there or _says_more(result, there[result.athlete_id])
    ]
    await _keep(scope, news, at)


def _says_more(result: CheckInResult, kept: _Kept) -> bool:
    before, now = (kept.date, kept.inputs_revision, kept.policy), result[1:4]
    return result.date >= kept.date and now != before


async def _keep(scope: Scope, results: Sequence[CheckInResult], at: datetime) -> None:
    rows = [{**result._asdict(), "made_at": at} for result in results]
    await scope.upsert(CheckIn, rows, key=("practice_id", "athlete_id"))


async def _stored(scope: Scope, ids: Sequence[uuid.UUID]) -> dict[uuid.UUID, _Kept]:
    columns = (CHECK_IN.c[name] for name in _Kept._fields)
    stored = scope.select(*columns, of=[CheckIn]).where(CHECK_IN.c.athlete_id.in_(ids))
    return {row.athlete_id: row for row in cast(Sequence[_Kept], await scope.rows(stored))}


async def _which_hold(scope: Scope, athletes: Sequence[Athlete], as_of: date) -> set[uuid.UUID]:
    """Those whose stored check-in was made of the same day from the same inputs and policy, as early or late as now."""
    ids = [athlete.id for athlete in athletes]
    stored = {who: kept for who, kept in (await _stored(scope, ids)).items() if kept.date == as_of}
    same = [row for row in athletes if row.id in stored and stored[row.id].inputs_revision == row.inputs_revision]
    policies = await in_force(scope, [row.id for row in same]) if same else {}
    return {
        row.id
        for row in same
        if stored[row.id].policy == policies[row.id].named
        and _is_new(row, stored[row.id].made_at) == _is_new(row, scope.now())
    }


def _is_new(athlete: Athlete, at: datetime) -> bool:
    """Whether the first night since the athlete was taken on is still to come."""
    return athlete.created_at <= at < schedule.next_check_in_at(athlete, athlete.created_at)


def _check(batches: Sequence[RosterEvidence], new: Collection[uuid.UUID]) -> dict[uuid.UUID, CheckInResult]:
    return {
        athlete.id: _checked(batch, athlete, first_day=athlete.id in new)
        for batch in batches
        for athlete in batch.roster.athletes
    }


def _checked(batch: RosterEvidence, athlete: Athlete, *, first_day: bool) -> CheckInResult:
    day, policy = batch.roster.to, batch.policies[athlete.id]
    found = check_in_body(batch.evidence[athlete.id, day], policy.policy, first_day=first_day)
    return CheckInResult(athlete.id, day, athlete.inputs_revision, policy.named, **found)

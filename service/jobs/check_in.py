"""The nightly check-in: missing data, red flags, phases about to end."""

import asyncio
import uuid
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import or_

from service.application import schedule
from service.application.evidence.estimates import estimate_roster
from service.application.evidence.evidence import Notes, evidence_of, load_notes
from service.application.evidence.policies import InForce, in_force
from service.application.evidence.roster import Roster, load_by_span
from service.application.review.review import check_in_body
from service.jobs.due import ATHLETE, DueJob
from service.store.scope import Scope
from service.store.tables import CheckIn


class Checked(NamedTuple):
    """What a check-in of a day found, as long as the athlete's inputs are of that revision."""

    inputs_revision: int
    as_of: date
    found: dict[str, Any]


class NightlyCheckIn(DueJob):
    """The latest check-in of each athlete; missed nights are not caught up, they would say nothing new."""

    name = "check_in"
    due_column = "next_check_in_at"
    claim_column = "check_in_claimed_until"

    def __init__(self, done: Mapping[uuid.UUID, Checked] | None = None) -> None:
        self._done = done or {}

    def is_due(self, at: datetime) -> Any:
        """Its time has come, or there was none yet."""
        return or_(ATHLETE.c.next_check_in_at <= at, ATHLETE.c.next_check_in_at.is_(None))

    def as_of(self, athlete: Any, at: datetime) -> date:
        """Yesterday, where the athlete lives."""
        return schedule.local_date(at, athlete.time_zone) - timedelta(days=1)

    def next_due(self, athlete: Any, as_of: date, at: datetime) -> datetime:
        """The coming night."""
        return schedule.next_check_in_at(athlete, at)

    async def compute(self, scope: Scope, athletes: Sequence[Any], as_of: date) -> dict[uuid.UUID, dict[str, Any]]:
        """Check on them; of those reviewed in this very night, the review has."""
        found = {
            athlete.id: done.found
            for athlete in athletes
            if (done := self._done.get(athlete.id)) and done[:2] == (athlete.inputs_revision, as_of)
        }
        left = [athlete for athlete in athletes if athlete.id not in found]
        if left:
            rosters = await load_by_span(scope, left, as_of)
            notes = await load_notes(scope, [athlete.id for athlete in left], as_of)
            policies = await in_force(scope, [athlete.id for athlete in left])
            found |= await asyncio.to_thread(_check, rosters, notes, policies)
        return {athlete: {"athlete_id": athlete, "date": as_of, **row} for athlete, row in found.items()}

    async def keep(self, scope: Scope, results: Sequence[dict[str, Any]], at: datetime) -> None:
        """Replace the check-ins of the night before."""
        rows = [{**result, "made_at": at} for result in results]
        await scope.upsert(CheckIn, rows, key=("practice_id", "athlete_id"))


def _check(
    rosters: Sequence[Roster], notes: Notes, policies: Mapping[uuid.UUID, InForce]
) -> dict[uuid.UUID, dict[str, Any]]:
    rows = {}
    for known in rosters:
        chosen = [policies[athlete.id].policy for athlete in known.athletes]
        found = estimate_roster(known, main_lifts_only=True, policies=chosen, on=[known.to])
        for index, athlete in enumerate(known.athletes):
            rows[athlete.id] = check_in_body(evidence_of(known, found, notes, index), chosen[index])
    return rows

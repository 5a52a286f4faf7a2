"""The nightly check-in: missing data, red flags, phases about to end."""

import asyncio
import uuid
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import or_

from service import moments
from service.domain.checkin import check_in
from service.domain.findings import Severity
from service.evidence import Notes, evidence_of, load_notes
from service.jobs.due import ATHLETE, DueJob
from service.policies import InForce, in_force
from service.review import attention_body
from service.roster import Roster, estimate_roster, load
from service.store.scope import Scope
from service.store.tables import CheckIn


class NightlyCheckIn(DueJob):
    """The latest check-in of each athlete; missed nights are not caught up, they would say nothing new."""

    name = "check_in"
    due_column = "next_check_in_at"
    claim_column = "check_in_claimed_until"

    def is_due(self, at: datetime) -> Any:
        """Its time has come, or there was none yet."""
        return or_(ATHLETE.c.next_check_in_at <= at, ATHLETE.c.next_check_in_at.is_(None))

    def as_of(self, athlete: Any, at: datetime) -> date:
        """Yesterday, where the athlete lives."""
        return moments.local_date(at, athlete.time_zone) - timedelta(days=1)

    def next_due(self, athlete: Any, as_of: date, at: datetime) -> datetime:
        """The coming night."""
        return moments.next_check_in_at(athlete, at)

    async def compute(self, scope: Scope, athletes: Sequence[Any], as_of: date) -> list[dict[str, Any]]:
        """Check on them."""
        known = await load(scope, athletes, as_of)
        notes = await load_notes(scope, [athlete.id for athlete in athletes], as_of)
        policies = await in_force(scope, [athlete.id for athlete in athletes])
        return await asyncio.to_thread(_check, known, notes, policies)

    async def keep(self, scope: Scope, results: list[dict[str, Any]], at: datetime) -> None:
        """Replace the check-ins of the night before."""
        rows = [{**result, "made_at": at} for result in results]
        await scope.upsert(CheckIn, rows, key=("practice_id", "athlete_id"))


def _check(known: Roster, notes: Notes, policies: Mapping[uuid.UUID, InForce]) -> list[dict[str, Any]]:
    found = estimate_roster(known, main_lifts_only=True)
    rows = []
    for index, athlete in enumerate(known.athletes):
        findings = check_in(evidence_of(known, found, notes, index), policies[athlete.id].policy)
        severity = max((finding.severity.rank for finding in findings), default=Severity.INFO.rank)
        attention = attention_body(findings, least=Severity.INFO)  # all that the night finds is meant to be seen
        rows.append({"athlete_id": athlete.id, "date": known.to, "severity": severity, "attention": attention})
    return rows

"""Attention: who needs the coach, and what to do next."""

import uuid
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request, Response
from sqlalchemy import Select, Table

from service.api.http.fields import Answer
from service.api.http.paging import Cursor, Limit, page_of
from service.api.http.transaction import CommittedRoute, Here
from service.auth import Principal, requires
from service.domain.rules import data_rules, energy_rules
from service.domain.rules.checkin import NEXT
from service.domain.rules.findings import Action, Severity
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, CheckIn, JobFailure, Review

router = APIRouter(tags=["coaching"], route_class=CommittedRoute)
_ATHLETE, _REVIEW = table_of(Athlete), table_of(Review)
_CHECK_IN, _FAILURE = table_of(CheckIn), table_of(JobFailure)


_DECIDE = {
    "change_energy": "Decide on the change of energy.",
    "switch_phase": "Decide on the next phase.",
    "deload": "Decide on the lighter week.",
}
_ASKS = {rule.code for rule in (*data_rules.RULES, *energy_rules.RULES) if rule.action is Action.COLLECT_DATA} & {*NEXT}

_WORK = {"weekly_review": "weekly review", "check_in": "nightly check-in"}
_RETRIED = "Wait: it is tried again within the hour. If it stays, ask whoever runs the service to read the log."


class AttentionItem(Answer):
    """One athlete who needs the coach."""

    athlete_id: uuid.UUID
    external_id: str
    name: str | None
    severity: str
    next: str
    days_overdue: int
    review_id: uuid.UUID | None
    action: str | None
    reasons: list[dict[str, Any]]


class AttentionList(Answer):
    """Gravest first, then most overdue, then by external_id; the next page's address is in the Link header."""

    items: list[AttentionItem]


@dataclass
class _Item:
    """What is known of one athlete who needs the coach, from all sources."""

    rank: int = 0
    next: str = ""
    days_overdue: int = 0
    review_id: uuid.UUID | None = None
    action: str | None = None
    reasons: list[dict[str, Any]] = field(default_factory=list)
    athlete: Any = None

    def add(
        self, rank: int, advice: str, days_overdue: int, reasons: list[dict[str, Any]], decides: bool = False
    ) -> None:
        """Add reasons; the gravest source says what to do next, among equals a decision; each code stands once.

        What is only informed about presses nobody: its days count where there is nothing graver.
        """
        quiet, silent = Severity.INFO.rank, not self.next
        if silent or rank > self.rank or (decides and rank == self.rank):
            self.next = advice
        if silent or (rank > quiet and self.rank == quiet):
            self.days_overdue = days_overdue
        elif rank > quiet or self.rank == quiet:
            self.days_overdue = max(self.days_overdue, days_overdue)
        self.rank = max(self.rank, rank)
        known = {reason["code"] for reason in self.reasons}
        self.reasons += [reason for reason in reasons if reason["code"] not in known]

    def add_night(self, row: Any) -> None:
        """Add what the check-in of the night keeps for this list."""
        kept = row.attention
        self.add(row.severity, kept["next"], kept["days_overdue"], _from("check_in", kept))

    def add_review(self, row: Any) -> None:
        """Add an open review: its action is what there is to decide, what stops a deficit or a lift goes before."""
        kept = row.attention or {"next": "Decide on the recommendation.", "days_overdue": 0, "reasons": []}
        self.review_id, self.action = row.id, row.action
        decides = row.action != "hold" and row.severity < Severity.STOP.rank
        advice = _DECIDE.get(row.action, kept["next"]) if decides else kept["next"]
        if row.action == "collect_data":
            advice = next((NEXT[one["code"]] for one in kept["reasons"] if one["code"] in _ASKS), advice)
        self.add(row.severity, advice, kept["days_overdue"], _from("review", kept), decides)

    def order(self) -> tuple[int, int, str]:
        """Gravest first, then most overdue; the athlete's name in the practice makes it one order."""
        return -self.rank, -self.days_overdue, self.athlete.external_id

    def shown(self) -> AttentionItem:
        """As the list shows it."""
        return AttentionItem(
            athlete_id=self.athlete.id,
            external_id=self.athlete.external_id,
            name=self.athlete.name,
            severity=list(Severity)[self.rank].value,
            next=self.next,
            days_overdue=self.days_overdue,
            review_id=self.review_id,
            action=self.action,
            reasons=self.reasons,
        )


@router.get("/attention")
async def get_attention(
    scope: Here,
    caller: Annotated[Principal, Depends(requires("coaching:read"))],
    request: Request,
    response: Response,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> AttentionList:
    """Athletes with an open recommendation to decide, a finding of the night, or work that failed."""
    items = await _in_order(scope, caller.athlete_id)
    shown = page_of(scope, items, _Item.order, request, response, limit, cursor)
    return AttentionList(items=[item.shown() for item in shown])


async def attention_list(scope: Scope) -> list[AttentionItem]:
    """Everybody of a practice who needs the coach, in order."""
    return [item.shown() for item in await _in_order(scope)]


async def _in_order(scope: Scope, only: uuid.UUID | None = None) -> list[_Item]:
    """Everybody of a practice (or one athlete) who needs the coach, in order."""
    found: dict[uuid.UUID, _Item] = defaultdict(_Item)

    def of(statement: Select[Any], table: Table) -> Select[Any]:
        return statement if only is None else statement.where(table.c.athlete_id == only)

    for row in await scope.rows(of(scope.select(JobFailure), _FAILURE)):
        times = "once" if row.attempts == 1 else f"{row.attempts} times"
        statement = f"The {_WORK.get(row.job, 'work')} of this athlete could not be done ({times} so far)."
        reason = {"from": "job", "code": f"job.{row.job}", "severity": "warning", "statement": statement}
        found[row.athlete_id].add(Severity.WARNING.rank, _RETRIED, 0, [reason])
    night = scope.select(_CHECK_IN.c.athlete_id, _CHECK_IN.c.severity, _CHECK_IN.c.attention, of=[CheckIn])
    for row in await scope.rows(of(night, _CHECK_IN).where(_CHECK_IN.c.attention.is_not(None))):
        found[row.athlete_id].add_night(row)
    columns = (_REVIEW.c.id, _REVIEW.c.athlete_id, _REVIEW.c.severity, _REVIEW.c.action, _REVIEW.c.attention)
    to_decide = scope.select(*columns, of=[Review]).where(_REVIEW.c.state == "open")
    for row in await scope.rows(of(to_decide, _REVIEW).order_by(_REVIEW.c.as_of)):
        if row.action != "hold" or row.attention is not None:
            found[row.athlete_id].add_review(row)
    if not found:
        return []
    athletes = scope.select(_ATHLETE.c.id, _ATHLETE.c.external_id, _ATHLETE.c.name, of=[Athlete])
    for row in await scope.rows(athletes if only is None else athletes.where(_ATHLETE.c.id == only)):
        if row.id in found:
            found[row.id].athlete = row
    return sorted((item for item in found.values() if item.athlete is not None), key=_Item.order)


def _from(source: str, kept: dict[str, Any]) -> list[dict[str, Any]]:
    return [{"from": source, **reason} for reason in kept["reasons"]]

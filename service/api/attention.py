"""Attention: who needs the coach, and what to do next."""

import uuid
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query

from service.api.fields import Answer
from service.api.transaction import CommittedRoute, Here
from service.auth import Principal, requires
from service.domain.findings import Severity
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, CheckIn, JobFailure, Review

router = APIRouter(tags=["coaching"], route_class=CommittedRoute)
_ATHLETE, _REVIEW, _CHECK_IN = table_of(Athlete), table_of(Review), table_of(CheckIn)

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
    """Gravest first, then most overdue, then by external_id."""

    items: list[AttentionItem]


@router.get("/attention")
async def get_attention(
    scope: Here,
    caller: Annotated[Principal, Depends(requires("coaching:read"))],
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
) -> AttentionList:
    """Athletes with an open recommendation to decide, a finding of the night, or work that failed."""
    items = await attention_list(scope, caller.athlete_id)
    return AttentionList(items=items[:limit])


async def attention_list(scope: Scope, only: uuid.UUID | None = None) -> list[AttentionItem]:
    """Everybody of a practice (or one athlete) who needs the coach, in order."""
    found: dict[uuid.UUID, dict[str, Any]] = {}

    def of(athlete_id: uuid.UUID) -> dict[str, Any]:
        blank = {"rank": 0, "next": "", "days_overdue": 0, "review_id": None, "action": None, "reasons": []}
        return found.setdefault(athlete_id, blank)

    for row in await scope.rows(scope.select(JobFailure)):
        times = "once" if row.attempts == 1 else f"{row.attempts} times"
        statement = f"The {_WORK.get(row.job, 'work')} of this athlete could not be done ({times} so far)."
        reason = {"from": "job", "code": f"job.{row.job}", "severity": "warning", "statement": statement}
        _add(of(row.athlete_id), Severity.WARNING.rank, _RETRIED, 0, [reason])
    night = scope.select(_CHECK_IN.c.athlete_id, _CHECK_IN.c.severity, _CHECK_IN.c.attention, of=[CheckIn])
    for row in await scope.rows(night.where(_CHECK_IN.c.attention.is_not(None))):
        _add_kept(of(row.athlete_id), row, "check_in")
    columns = (_REVIEW.c.id, _REVIEW.c.athlete_id, _REVIEW.c.severity, _REVIEW.c.action, _REVIEW.c.attention)
    for row in await scope.rows(scope.select(*columns, of=[Review]).where(_REVIEW.c.state == "open")):
        if row.action != "hold" or row.attention is not None:
            item = of(row.athlete_id)
            item |= {"review_id": row.id, "action": row.action}
            _add_kept(item, row, "review")
    athletes = scope.select(_ATHLETE.c.id, _ATHLETE.c.external_id, _ATHLETE.c.name, of=[Athlete]).where(
        _ATHLETE.c.id.in_(found)
    )
    if only is not None:
        athletes = athletes.where(_ATHLETE.c.id == only)
    rows = await scope.rows(athletes)
    ordered = sorted(rows, key=lambda row: _order(found[row.id], row.external_id))
    return [
        AttentionItem.model_validate(
            {
                "athlete_id": row.id,
                "external_id": row.external_id,
                "name": row.name,
                "severity": list(Severity)[found[row.id]["rank"]].value,
                **found[row.id],
            }
        )
        for row in ordered
    ]


def _order(item: dict[str, Any], external_id: str) -> tuple[int, int, str]:
    return -item["rank"], -item["days_overdue"], external_id


def _add_kept(item: dict[str, Any], row: Any, source: str) -> None:
    kept = row.attention or {"next": "Decide on the recommendation.", "days_overdue": 0, "reasons": []}
    reasons = [{"from": source, **reason} for reason in kept["reasons"]]
    _add(item, row.severity, kept["next"], kept["days_overdue"], reasons)


def _add(item: dict[str, Any], rank: int, advice: str, days_overdue: int, reasons: list[dict[str, Any]]) -> None:
    """Add reasons to an athlete's item; the gravest source says what to do next, each code stands once."""
    if rank > item["rank"] or not item["next"]:
        item["next"] = advice
    item["rank"] = max(item["rank"], rank)
    item["days_overdue"] = max(item["days_overdue"], days_overdue)
    known = {reason["code"] for reason in item["reasons"]}
    item["reasons"] += [reason for reason in reasons if reason["code"] not in known]

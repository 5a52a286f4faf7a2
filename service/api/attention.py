"""Attention: who needs the coach, and what to do next."""

import uuid
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request, Response
from pydantic import Field

from service.api.http.fields import Answer
from service.api.http.paging import Cursor, Limit, page_of, place_after
from service.api.http.transaction import CommittedRoute, Here
from service.application.attention.attention_list import AthleteToSee, Reason, attention_list
from service.auth import Principal, requires

MOST_REASONS = 3  # shown; the rest is counted
router = APIRouter(tags=["coaching"], route_class=CommittedRoute)


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
    reasons: list[dict[str, Any]] = Field(description="the gravest, three at most")
    more: int = Field(description="how many more reasons there are")


class AttentionList(Answer):
    """Gravest first, then most overdue, then by external_id; the next page's address is in the Link header."""

    items: list[AttentionItem]


@router.get("/attention")
async def get_attention(
    scope: Here,
    caller: Annotated[Principal, Depends(requires("coaching:read"))],
    request: Request,
    response: Response,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> AttentionList:
    """Active athletes with an open recommendation to decide, something found since, or work that failed.

    What is stored is looked at within a minute. What only informs puts nobody on the list.
    """
    after = place_after(scope, request, cursor)
    athletes = await attention_list(scope, caller.athlete_id, after, limit + 1)
    shown = page_of(scope, athletes, AthleteToSee.order, request, response, limit)
    return AttentionList(items=[_item(athlete) for athlete in shown])


def _item(athlete: AthleteToSee) -> AttentionItem:
    return AttentionItem(
        athlete_id=athlete.athlete_id,
        external_id=athlete.external_id,
        name=athlete.name,
        severity=athlete.severity.value,
        next=athlete.next,
        days_overdue=athlete.days_overdue,
        review_id=athlete.review_id,
        action=athlete.action,
        reasons=[_reason(reason) for reason in athlete.reasons[:MOST_REASONS]],
        more=max(0, len(athlete.reasons) - MOST_REASONS),
    )


def _reason(reason: Reason) -> dict[str, str]:
    return {
        "from": reason.source,
        "code": reason.code,
        "severity": reason.severity,
        "statement": reason.statement,
    }

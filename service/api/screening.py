"""Screening: answers that open or close the safety gate. It asks; it does not diagnose."""

import uuid
from datetime import date, datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Response
from pydantic import Field

from service.api.athletes import AthletePath
from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.fields import Answer, Body, Date, Name
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.application.log.stale import mark_all_stale
from service.auth import Principal, requires
from service.errors import Forbidden, NotFound, PreconditionFailed
from service.store.scope import Scope, table_of
from service.store.tables import Screening
from service.store.types import new_id, now

router = APIRouter(tags=["athletes"], route_class=CommittedRoute)
_TABLE = table_of(Screening)


class Clearance(Body):
    """A licensed professional's word that something is allowed."""

    for_: Literal["deficit", "load"] = Field(alias="for", serialization_alias="for")
    on: Date
    by: Name


class ScreeningBody(Body):
    """The athlete's answers; a question left out counts as unanswered."""

    pregnant_or_breastfeeding: bool | None = None
    eating_disorder_history: bool | None = None
    kidney_disease: bool | None = None
    heart_or_metabolic_disease: bool | None = None
    glucose_lowering_medication: Literal["none", "insulin", "sulfonylurea", "other"] | None = None
    clearances: Annotated[list[Clearance], Field(max_length=50, default_factory=list)]


class ScreeningAnswer(Answer):
    """The latest answers; `answered_at` is null when there are none."""

    athlete_id: uuid.UUID
    answered_at: datetime | None
    revision: int
    pregnant_or_breastfeeding: bool | None = None
    eating_disorder_history: bool | None = None
    kidney_disease: bool | None = None
    heart_or_metabolic_disease: bool | None = None
    glucose_lowering_medication: str | None = None
    clearances: Annotated[list[dict[str, date | str]], Field(default_factory=list)]


async def latest(scope: Scope, athlete_id: uuid.UUID) -> Any:
    """The newest answers of an athlete, or None."""
    return await scope.first(
        scope.select(Screening).where(_TABLE.c.athlete_id == athlete_id).order_by(_TABLE.c.revision.desc()).limit(1)
    )


async def answer(scope: Scope, athlete_id: uuid.UUID, body: ScreeningBody) -> dict[str, Any]:
    """Store answers beside the older ones; reviews made before are marked stale."""
    old = await latest(scope, athlete_id)
    row = {"id": new_id(), "athlete_id": athlete_id, "answered_at": now(), "revision": 1 + (old.revision if old else 0)}
    row["answers"] = body.model_dump(mode="json", by_alias=True)
    await scope.insert(Screening, [row])
    await mark_all_stale(scope, athlete_id)
    return row


@router.get(
    "/athletes/{athlete_id}/screening",
    dependencies=[Depends(requires("coaching:read"))],
    responses=documented(NotFound),
)
async def get_screening(athlete: AthletePath, scope: Here, response: Response) -> ScreeningAnswer:
    """The latest screening answers."""
    row = await latest(scope, athlete.id)
    show_version(response, row.revision if row else 0)
    if row is None:
        return ScreeningAnswer(athlete_id=athlete.id, answered_at=None, revision=0, clearances=[])
    return ScreeningAnswer.model_validate({**row._mapping, **row.answers})


@router.put(
    "/athletes/{athlete_id}/screening",
    responses=documented(NotFound, PreconditionFailed),
)
async def put_screening(
    athlete: AthletePath,
    body: ScreeningBody,
    scope: Here,
    response: Response,
    _: DryRun,
    caller: Annotated[Principal, Depends(requires("athletes:write"))],
    if_match: IfMatch = None,
) -> ScreeningAnswer:
    """Answer the screening questions; the answers count for every review made after them.

    Clearances open the safety gate: to change them takes the scope coaching:write.
    """
    old = await latest(scope, athlete.id)
    said = body.model_dump(mode="json", by_alias=True)["clearances"]
    if said != (old.answers["clearances"] if old else []) and not caller.may("coaching:write"):
        raise Forbidden("to change clearances the key needs the scope coaching:write")
    check_version(if_match, old.revision if old else 0, required=False)
    row = await answer(scope, athlete.id, body)
    show_version(response, row["revision"])
    return ScreeningAnswer.model_validate({**row, **row["answers"]})

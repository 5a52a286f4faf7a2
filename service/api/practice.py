"""The practice that a key belongs to."""

import uuid
from datetime import datetime

from fastapi import APIRouter, Depends, Response
from pydantic import Field
from sqlalchemy import select, update
from sqlalchemy.exc import IntegrityError

from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.fields import Answer, Body, Name, TimeZone, change_of
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.auth import requires
from service.errors import Conflict, PreconditionFailed, PreconditionRequired
from service.store.scope import Scope, table_of
from service.store.tables import Practice

router = APIRouter(tags=["practice"], route_class=CommittedRoute)
_PRACTICE = table_of(Practice)


class PracticeBody(Body):
    """A practice: a coach or a studio."""

    name: Name
    time_zone: TimeZone = "UTC"


PracticeChange = change_of(PracticeBody, "PracticeChange")


class PracticeAnswer(Answer):
    """The practice."""

    id: uuid.UUID
    name: str
    time_zone: str
    test: bool = Field(description="for tests: its clock may be moved")
    clock_at: datetime | None = Field(description="where the clock of a test practice was moved to")
    revision: int
    created_at: datetime


async def _practice(scope: Scope) -> Practice:
    practice = await scope.one(Practice, select(_PRACTICE).where(_PRACTICE.c.id == scope.practice_id))
    assert practice is not None
    return practice


@router.get("/practice", dependencies=[Depends(requires("entries:read"))])
async def get_practice(scope: Here, response: Response) -> PracticeAnswer:
    """The practice of the key in use."""
    practice = await _practice(scope)
    show_version(response, practice.revision)
    return PracticeAnswer.model_validate(practice)


@router.patch(
    "/practice",
    dependencies=[Depends(requires("admin"))],
    responses=documented(Conflict, PreconditionFailed, PreconditionRequired),
)
async def change_practice(
    body: PracticeChange,  # type: ignore[valid-type]
    scope: Here,
    response: Response,
    _: DryRun,
    if_match: IfMatch = None,
) -> PracticeAnswer:
    """Rename the practice or set its zone."""
    practice = await _practice(scope)
    check_version(if_match, practice.revision)
    values = {**body.model_dump(exclude_unset=True), "revision": practice.revision + 1}  # type: ignore[attr-defined]
    same = update(_PRACTICE).where(_PRACTICE.c.id == scope.practice_id, _PRACTICE.c.revision == practice.revision)
    try:
        changed = await scope.one(Practice, same.values(**values).returning(_PRACTICE))
    except IntegrityError as error:
        raise Conflict("another practice has that name") from error
    if changed is None:
        raise PreconditionFailed()
    show_version(response, changed.revision)
    return PracticeAnswer.model_validate(changed)

"""Restrictions: regions of the body that hurt or are injured, and who cleared them when."""

import uuid
from collections.abc import Sequence
from datetime import date, datetime
from typing import Annotated, Any, Self, cast

from fastapi import APIRouter, Depends, Request, Response
from pydantic import Field, ValidationError, model_validator

from service.api.athletes import AthletePath
from service.api.entries import day_faults
from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.fields import Answer, Body, Date, Name, Note, WholeNumber, change_of, fault
from service.api.http.paging import Cursor, Limit, Page, page
from service.api.http.problems import documented, faults_of
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.application.plan import restrictions
from service.application.plan.restrictions import RestrictionSaid
from service.auth import requires
from service.domain.evidence import Region
from service.errors import Conflict, Fault, Invalid, NotFound, PreconditionFailed, PreconditionRequired
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, Restriction
from service.store.types import BodySide

router = APIRouter(tags=["training"], route_class=CommittedRoute)
_TABLE = table_of(Restriction)
Read, Write = Depends(requires("coaching:read")), Depends(requires("coaching:write"))


class Cleared(Body):
    """A licensed professional's word that the region may be loaded again."""

    on: Date
    by: Name


class RestrictionBody(Body):
    """A region that hurts or is injured. From 7 on nothing that loads it is trained, from 4 on no load is added."""

    region: Region
    side: BodySide | None = None
    since: Date
    level: Annotated[WholeNumber, Field(ge=0, le=10, description="how much it hurts or is injured, 0 to 10")]
    note: Note | None = None
    cleared: Cleared | None = None

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.cleared is not None and self.cleared.on < self.since:
            raise fault("cleared_before_since", "cleared.on lies before since")
        return self

    def said(self) -> RestrictionSaid:
        """What the body says."""
        on, by = (None, None) if self.cleared is None else (self.cleared.on, self.cleared.by)
        return RestrictionSaid(self.region, self.side, self.since, float(self.level), self.note, on, by)


RestrictionChange = change_of(RestrictionBody, "RestrictionChange")


class RestrictionAnswer(Answer):
    """A restriction; in force until it is cleared."""

    id: uuid.UUID
    athlete_id: uuid.UUID
    region: str
    side: str | None
    since: date
    level: float
    note: str | None
    cleared: dict[str, date | str] | None
    revision: int
    updated_at: datetime


def _shown(restriction: Restriction) -> RestrictionAnswer:
    names = ("id", "athlete_id", "region", "side", "since", "level", "note", "revision", "updated_at")
    shown: dict[str, Any] = {name: getattr(restriction, name) for name in names}
    return RestrictionAnswer(**shown, cleared=_cleared(restriction))


def _cleared(restriction: Restriction) -> dict[str, Any] | None:
    if restriction.cleared_on is None:
        return None
    return {"on": restriction.cleared_on, "by": restriction.cleared_by}


def restriction_faults(scope: Scope, body: RestrictionBody, athlete: Athlete) -> list[Fault]:
    """What is wrong with its days: they lie in the future, before birth or too long ago."""
    faults = day_faults(scope, body.since, athlete, "/since")
    return faults + (day_faults(scope, body.cleared.on, athlete, "/cleared/on") if body.cleared is not None else [])


def _refuse(scope: Scope, body: RestrictionBody, athlete: Athlete) -> None:
    if faults := restriction_faults(scope, body, athlete):
        raise Invalid(faults[0].detail, faults)


@router.get("/athletes/{athlete_id}/restrictions", dependencies=[Read], responses=documented(NotFound))
async def list_restrictions(
    athlete: AthletePath, scope: Here, request: Request, response: Response, limit: Limit = 100, cursor: Cursor = None
) -> Page[RestrictionAnswer]:
    """The athlete's restrictions by their first day, cleared ones too."""
    statement = scope.select(Restriction).where(_TABLE.c.athlete_id == athlete.id)
    keys = (_TABLE.c.since, _TABLE.c.id)
    rows = cast(Sequence[Restriction], await page(scope, statement, keys, request, response, limit, cursor))
    return Page(items=[_shown(row) for row in rows])


@router.post(
    "/athletes/{athlete_id}/restrictions",
    status_code=201,
    dependencies=[Write],
    responses=documented(NotFound, Conflict),
)
async def add_restriction(
    athlete: AthletePath, body: RestrictionBody, scope: Here, response: Response, _: DryRun
) -> RestrictionAnswer:
    """Restrict what loads a region until it is cleared; a caution for loads, no diagnosis."""
    _refuse(scope, body, athlete)
    restriction, outcome = await restrictions.add_restriction(scope, athlete.id, body.said())
    response.status_code = 200 if outcome == "unchanged" else 201
    show_version(response, restriction.revision)
    return _shown(restriction)


@router.get("/athletes/{athlete_id}/restrictions/{restriction_id}", dependencies=[Read], responses=documented(NotFound))
async def get_restriction(
    athlete: AthletePath, restriction_id: uuid.UUID, scope: Here, response: Response
) -> RestrictionAnswer:
    """One restriction."""
    restriction = await restrictions.find_restriction(scope, athlete.id, restriction_id)
    show_version(response, restriction.revision)
    return _shown(restriction)


@router.patch(
    "/athletes/{athlete_id}/restrictions/{restriction_id}",
    dependencies=[Write],
    responses=documented(NotFound, Conflict, PreconditionFailed, PreconditionRequired),
)
async def change_restriction(
    athlete: AthletePath,
    restriction_id: uuid.UUID,
    body: RestrictionChange,  # type: ignore[valid-type]
    scope: Here,
    response: Response,
    _: DryRun,
    if_match: IfMatch = None,
) -> RestrictionAnswer:
    """Change a restriction (RFC 7396 merge patch), to clear it for example."""
    stored = await restrictions.find_restriction(scope, athlete.id, restriction_id)
    check_version(if_match, stored.revision)
    kept = {name: getattr(stored, name) for name in ("region", "side", "since", "level", "note")}
    changes = body.model_dump(exclude_unset=True)  # type: ignore[attr-defined]
    try:
        whole = RestrictionBody.model_validate({**kept, "cleared": _cleared(stored), **changes})
    except ValidationError as error:
        faults = faults_of(error.errors())
        raise Invalid(faults[0].detail, faults) from error
    _refuse(scope, whole, athlete)
    changed = await restrictions.change_restriction(scope, stored, whole.said())
    show_version(response, changed.revision)
    return _shown(changed)


@router.delete(
    "/athletes/{athlete_id}/restrictions/{restriction_id}",
    status_code=204,
    dependencies=[Write],
    responses=documented(NotFound, PreconditionFailed, PreconditionRequired),
)
async def delete_restriction(
    athlete: AthletePath, restriction_id: uuid.UUID, scope: Here, if_match: IfMatch = None
) -> None:
    """Take out a restriction that was entered by mistake; one that is over is cleared instead."""
    stored = await restrictions.find_restriction(scope, athlete.id, restriction_id)
    check_version(if_match, stored.revision)
    await restrictions.delete_restriction(scope, stored)

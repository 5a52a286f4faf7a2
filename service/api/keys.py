"""Keys: who may call, for what, until when. A key's text is shown once; its digest is all that is stored."""

import uuid
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Depends, Request, Response
from pydantic import Field

from service.api.athletes import find_athlete
from service.api.http.fields import Answer, Body, Moment, Name
from service.api.http.paging import Cursor, Limit, Page, page
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.auth import Principal, ScopeName, insert_key, requires
from service.errors import Conflict, Invalid, NotFound
from service.store.scope import table_of
from service.store.tables import ApiKey
from service.store.types import now

router = APIRouter(tags=["practice"], route_class=CommittedRoute)
_KEY = table_of(ApiKey)


class KeyBody(Body):
    """A new key."""

    name: Name
    scopes: Annotated[list[ScopeName], Field(min_length=1, max_length=6)]
    athlete_id: uuid.UUID | None = Field(None, description="binds the key to one athlete")
    expires_at: Moment | None = None


class KeyAnswer(Answer):
    """A key, without its text."""

    id: uuid.UUID
    name: str
    scopes: list[str]
    athlete_id: uuid.UUID | None
    expires_at: datetime | None
    last_used_at: datetime | None
    revoked_at: datetime | None
    created_at: datetime


class NewKeyAnswer(KeyAnswer):
    """A new key with its text, shown this once."""

    key: str


@router.get("/keys", dependencies=[Depends(requires("admin"))])
async def list_keys(
    scope: Here, request: Request, response: Response, limit: Limit = 100, cursor: Cursor = None
) -> Page[KeyAnswer]:
    """The practice's keys, revoked ones too."""
    rows = await page(scope, scope.select(ApiKey), (_KEY.c.id,), request, response, limit, cursor)
    return Page(items=[KeyAnswer.model_validate(row._mapping) for row in rows])


@router.post("/keys", status_code=201, responses=documented(NotFound, Conflict))
async def add_key(
    body: KeyBody, scope: Here, response: Response, _: DryRun, caller: Annotated[Principal, Depends(requires("admin"))]
) -> NewKeyAnswer:
    """Make a key. Its text is in this answer alone: a repeat with the same Idempotency-Key is a 409."""
    response.headers["Cache-Control"] = "no-store"
    if body.athlete_id is not None:
        await find_athlete(scope, caller, body.athlete_id)
        if "admin" in body.scopes:
            raise Invalid.field("/scopes", "too_wide", "a key bound to one athlete cannot be an admin's")
    if body.expires_at is not None and body.expires_at <= now():
        raise Invalid.field("/expires_at", "in_the_past", "the key would have expired already")
    key, secret = await insert_key(scope, body.name, body.scopes, body.athlete_id, body.expires_at)
    return NewKeyAnswer(**KeyAnswer.model_validate(key).model_dump(), key=secret)


@router.delete("/keys/{key_id}", status_code=204, responses=documented(NotFound))
async def revoke_key(
    key_id: uuid.UUID, scope: Here, request: Request, _: Annotated[Principal, Depends(requires("admin"))]
) -> None:
    """Revoke a key at once; it stays in the list."""
    revoked = await scope.run(
        scope.update(ApiKey).where(_KEY.c.id == key_id, _KEY.c.revoked_at.is_(None)).values(revoked_at=now())
    )
    if not revoked:
        raise NotFound()
    request.state.after_commit = request.app.state.keys.forget

"""Food days: what the athlete says of a whole day's food log."""

import uuid
from collections.abc import Mapping
from datetime import date, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path, Request, Response

from service.api.athletes import AthletePath
from service.api.entries import day_faults
from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.fields import Answer, Body, Date, Note
from service.api.http.paging import Cursor, Limit, Page, page
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.application.log.refresh import refresh
from service.application.log.stale import mark_stale
from service.auth import requires
from service.errors import Invalid, NotFound, PreconditionFailed
from service.store.scope import Scope, table_of
from service.store.tables import FoodDay
from service.store.types import DeclaredFoodDay, now

router = APIRouter(tags=["entries"], route_class=CommittedRoute)
_TABLE = table_of(FoodDay)


class FoodDayBody(Body):
    """`complete`: all was logged; `partial`: something is missing; `fast`: nothing was eaten, which is not a gap."""

    state: DeclaredFoodDay
    note: Note | None = None


class FoodDayAnswer(Answer):
    """A declared food day."""

    date: date
    state: str
    note: str | None
    revision: int
    updated_at: datetime


async def declare(scope: Scope, days: Mapping[tuple[uuid.UUID, date], FoodDayBody]) -> dict[Any, Any]:
    """Store declarations by (athlete, date) and bring the roll-up up to date; the rows by the same key."""
    athletes, dates = {athlete for athlete, _ in days}, [day for _, day in days]
    found = await scope.rows(
        scope.select(FoodDay).where(_TABLE.c.athlete_id.in_(athletes), _TABLE.c.date.between(min(dates), max(dates)))
    )
    old = {(row.athlete_id, row.date): dict(row._mapping) for row in found}
    rows, changed = {}, {}
    for key, body in days.items():
        said = body.model_dump()
        before = old.get(key)
        if before is not None and all(before[name] == value for name, value in said.items()):
            rows[key] = before
            continue
        revision = 1 + (before["revision"] if before else 0)
        rows[key] = changed[key] = {
            "athlete_id": key[0],
            "date": key[1],
            **said,
            "revision": revision,
            "updated_at": now(),
        }
    await scope.upsert(FoodDay, changed.values(), key=("practice_id", "athlete_id", "date"))
    if changed:
        await refresh(scope, FoodDay, set(changed))
        await mark_stale(scope, set(changed))
    return rows


@router.get(
    "/athletes/{athlete_id}/food-days", dependencies=[Depends(requires("entries:read"))], responses=documented(NotFound)
)
async def list_food_days(
    athlete: AthletePath, scope: Here, request: Request, response: Response, limit: Limit = 100, cursor: Cursor = None
) -> Page[FoodDayAnswer]:
    """Declared days by date; days that nobody declared are not here."""
    statement = scope.select(FoodDay).where(_TABLE.c.athlete_id == athlete.id)
    rows = await page(scope, statement, (_TABLE.c.date,), request, response, limit, cursor)
    return Page(items=[FoodDayAnswer.model_validate(row._mapping) for row in rows])


@router.put(
    "/athletes/{athlete_id}/food-days/{date}",
    dependencies=[Depends(requires("entries:write"))],
    responses=documented(NotFound, PreconditionFailed),
)
async def put_food_day(
    athlete: AthletePath,
    day: Annotated[Date, Path(alias="date")],
    body: FoodDayBody,
    scope: Here,
    response: Response,
    _: DryRun,
    if_match: IfMatch = None,
) -> FoodDayAnswer:
    """Declare a day; the same again changes nothing."""
    key = (athlete.id, day)
    if if_match is not None:
        old = await scope.first(scope.select(FoodDay).where(_TABLE.c.athlete_id == athlete.id, _TABLE.c.date == day))
        check_version(if_match, old.revision if old else 0)
    found = day_faults(day, athlete, "date")
    if found:
        raise Invalid(found[0].detail, found)
    row = (await declare(scope, {key: body}))[key]
    show_version(response, row["revision"])
    return FoodDayAnswer.model_validate(row)

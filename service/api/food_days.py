"""Food days: what the athlete says of a whole day's food log."""

from datetime import date, datetime
from typing import Annotated

from fastapi import APIRouter, Depends, Path, Request, Response

from service.api.athletes import AthletePath
from service.api.entries import day_faults
from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.fields import Answer, Body, Date, Note
from service.api.http.paging import Cursor, Limit, Page, page
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.application.log.food_days import Declaration, declare, find_declared
from service.auth import requires
from service.errors import Invalid, NotFound, PreconditionFailed
from service.store.scope import table_of
from service.store.tables import FoodDay
from service.store.types import DeclaredFoodDay

router = APIRouter(tags=["entries"], route_class=CommittedRoute)
_TABLE = table_of(FoodDay)


class FoodDayBody(Body):
    """`complete`: all was logged; `partial`: something is missing; `fast`: nothing was eaten, which is not a gap."""

    state: DeclaredFoodDay
    note: Note | None = None

    def declaration(self) -> Declaration:
        """As it is stored."""
        return Declaration(self.state, self.note)


class FoodDayAnswer(Answer):
    """A declared food day."""

    date: date
    state: str
    note: str | None
    revision: int
    updated_at: datetime


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
        old = await find_declared(scope, athlete.id, day)
        check_version(if_match, old.revision if old else 0)
    faults = day_faults(scope, day, athlete, "date")
    if faults:
        raise Invalid(faults[0].detail, faults)
    declared = (await declare(scope, {key: body.declaration()}))[key]
    show_version(response, declared.revision)
    return FoodDayAnswer.model_validate(declared)

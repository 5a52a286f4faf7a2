"""Athletes: the people coached."""

import uuid
from datetime import date, datetime
from types import SimpleNamespace
from typing import Annotated, Any, NamedTuple, cast

from fastapi import APIRouter, Depends, Query, Request, Response
from pydantic import AfterValidator, Field
from sqlalchemy import bindparam
from sqlalchemy.exc import IntegrityError

from service.api.goal_check import GoalCheckAnswer, shown_check
from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.fields import (
    Answer,
    Body,
    Date,
    Name,
    Number,
    ShortText,
    TimeZone,
    WholeNumber,
    Window,
    change_of,
    fault,
)
from service.api.http.paging import Cursor, Limit, Page, page
from service.api.http.problems import documented
from service.api.http.transaction import CheckedRoute, CommittedRoute, DryRun, Here, InTwoSteps, Prepared
from service.application import schedule
from service.application.log.refresh import facts_changed
from service.application.plan.goal import first_goal_check, goal_check, new_goal_check
from service.application.schedule import today_of
from service.auth import Principal, requires
from service.catalogue.exercises import equipment, exercises
from service.domain.rules.goal import GoalCheck
from service.errors import Conflict, Invalid, NotFound, PreconditionFailed, PreconditionRequired
from service.store.prepared import PreparedStatement
from service.store.scope import Scope, locked, of_practice, table_of, values_of
from service.store.tables import Athlete
from service.store.types import AthleteStatus, Experience, FoodPattern, Sex, Weekday, new_id

router = APIRouter(tags=["athletes"], route_class=CommittedRoute)
checked = APIRouter(route_class=CheckedRoute)
ATHLETE = table_of(Athlete)
REVIEWED = {  # what reviews look at; the other fields say who, where and when
    "sex", "birth_date", "height_cm", "activity_factor", "experience", "food_pattern", "meals_per_day", "eating_window",
    "carbohydrate_share", "goal", "main_lifts",
}  # fmt: skip


def _equipment(items: list[str]) -> list[str]:
    unknown = sorted(set(items) - set(equipment()))
    if unknown:
        raise fault("unknown_equipment", f"{', '.join(unknown)}: the catalogue knows {', '.join(equipment())}")
    return items


def _main_lifts(slugs: list[str]) -> list[str]:
    unknown = sorted(set(slugs) - set(exercises()))
    if unknown:
        raise fault("unknown_exercise", f"{', '.join(unknown)}: see GET /v1/exercises")
    unmeasured = sorted(slug for slug in slugs if not exercises()[slug].measures_strength)
    if unmeasured:
        raise fault("no_strength", f"{', '.join(unmeasured)}: holds, carries and bands measure no strength")
    return slugs


class Goal(Body):
    """What the cycles are to reach; one that is out of reach is kept, and the answer's `goal_check` warns."""

    body_fat_pct: Annotated[Number, Field(ge=3, le=60)]
    by: Date | None = None


class AthleteBody(Body):
    """A new athlete."""

    external_id: ShortText
    name: Name | None = None
    sex: Sex
    birth_date: Date
    height_cm: Annotated[Number, Field(ge=100, le=250)]
    time_zone: TimeZone = "UTC"
    activity_factor: Annotated[Number, Field(ge=1.1, le=3.0, description="total over resting energy")] | None = None
    experience: Experience | None = None
    equipment: Annotated[list[ShortText], Field(max_length=100), AfterValidator(_equipment)] | None = None
    food_pattern: FoodPattern | None = None
    meals_per_day: Annotated[WholeNumber, Field(ge=1, le=6)] | None = None
    eating_window: Window | None = None
    carbohydrate_share: Annotated[Number, Field(ge=0, le=1, description="of the energy beside protein")] | None = None
    goal: Goal | None = None
    main_lifts: (
        Annotated[
            list[ShortText],
            Field(
                max_length=10,
                description="stand for the athlete's strength; else those of the plan, else what is trained",
            ),
            AfterValidator(_main_lifts),
        ]
        | None
    ) = None
    review_weekday: Weekday = "monday"
    status: AthleteStatus = Field(
        "active", description="only active ones are reviewed, checked and listed for attention"
    )


AthleteChange = change_of(AthleteBody, "AthleteChange")


class AthleteAnswer(Answer):
    """An athlete."""

    id: uuid.UUID
    external_id: str
    name: str | None
    sex: str
    birth_date: date
    height_cm: float
    time_zone: str
    activity_factor: float | None
    experience: str | None
    equipment: list[str] | None
    food_pattern: str | None
    meals_per_day: int | None
    eating_window: dict[str, str] | None
    carbohydrate_share: float | None
    goal: dict[str, Any] | None
    goal_check: GoalCheckAnswer | None = Field(
        None, description="null without a goal, in lists, and in what a key without coaching:read reads"
    )
    main_lifts: list[str] | None
    review_weekday: str
    status: str
    revision: int
    created_at: datetime
    updated_at: datetime


def _shown(athlete: Athlete, check: GoalCheck | None, on: date) -> AthleteAnswer:
    return AthleteAnswer.model_validate(athlete).model_copy(update={"goal_check": check and shown_check(check, on)})


_TO_READ = PreparedStatement(of_practice(Athlete).where(ATHLETE.c.id == bindparam("athlete_id")))
_TO_WRITE = PreparedStatement(locked(_TO_READ.statement))


async def find_athlete(scope: Scope, caller: Principal, athlete_id: uuid.UUID, to_write: bool = False) -> Athlete:
    """The athlete's row; `to_write` lets other writers of this athlete wait, so that roll-ups see their entries.

    Raises
    ------
    NotFound
        If the practice has no such athlete, or the key is bound to another one.
    """
    bound_elsewhere = caller.athlete_id is not None and caller.athlete_id != athlete_id
    rows = () if bound_elsewhere else await scope.fetch(_TO_WRITE if to_write else _TO_READ, athlete_id=athlete_id)
    if not rows:
        raise NotFound()
    athlete: Athlete = rows[0]
    if to_write:
        scope.held[athlete.id] = athlete
    return athlete


async def _athlete_of_path(athlete_id: uuid.UUID, scope: Here, request: Request) -> Athlete:
    return await find_athlete(scope, request.state.principal, athlete_id, to_write=request.method != "GET")


AthletePath = Annotated[Athlete, Depends(_athlete_of_path)]


@router.get("/athletes", dependencies=[Depends(requires("entries:read"))])
async def list_athletes(
    scope: Here,
    request: Request,
    response: Response,
    external_id: Annotated[ShortText | None, Query()] = None,
    status: Annotated[AthleteStatus | None, Query()] = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[AthleteAnswer]:
    """The practice's athletes, oldest first."""
    statement = scope.select(Athlete)
    if external_id is not None:
        statement = statement.where(ATHLETE.c.external_id == external_id)
    if status is not None:
        statement = statement.where(ATHLETE.c.status == status)
    if request.state.principal.athlete_id is not None:
        statement = statement.where(ATHLETE.c.id == request.state.principal.athlete_id)
    rows = await page(scope, statement, (ATHLETE.c.id,), request, response, limit, cursor)
    return Page(items=[AthleteAnswer.model_validate(row._mapping) for row in rows])


@router.post("/athletes", status_code=201, responses=documented(Conflict))
async def add_athlete(
    body: AthleteBody,
    scope: Here,
    response: Response,
    _: DryRun,
    caller: Annotated[Principal, Depends(requires("athletes:write"))],
) -> AthleteAnswer:
    """Take on an athlete."""
    if caller.athlete_id is not None:
        raise NotFound("a key bound to one athlete adds no others")
    athlete = await insert_athlete(scope, body)
    show_version(response, 1)
    return _shown(athlete, await first_goal_check(scope, athlete), today_of(scope, athlete))


async def insert_athlete(scope: Scope, body: AthleteBody) -> Athlete:
    """Store a new athlete.

    Raises
    ------
    Invalid
        If nobody living can have this birth date.
    Conflict
        If the practice has an athlete with this external_id.
    """
    values = new_athlete(scope, body)
    if not await scope.insert_new(Athlete, [values], key=("practice_id", "external_id")):
        raise Conflict(f"external_id {body.external_id!r} belongs to another athlete of this practice")
    athlete = await scope.one(Athlete, scope.select(Athlete).where(ATHLETE.c.id == values["id"]))
    assert athlete is not None
    return athlete


def new_athlete(scope: Scope, body: AthleteBody) -> dict[str, Any]:
    """The columns of a new athlete.

    Raises
    ------
    Invalid
        If nobody living can have this birth date.
    """
    _check_birth_date(scope, body.birth_date)
    instant = scope.now()
    values = {**body.model_dump(), "id": new_id(), "created_at": instant, "updated_at": instant}
    return {**values, "next_check_in_at": schedule.next_check_in_at(body, instant)}


def _check_birth_date(scope: Scope, birth_date: date) -> None:
    years = (scope.now().date() - birth_date).days / 365.25
    if not 5 <= years <= 110:
        detail = f"{birth_date} makes the athlete {years:.0f} years old"
        raise Invalid.field("/birth_date", "implausible", detail)


@router.get("/athletes/{athlete_id}", dependencies=[Depends(requires("entries:read"))], responses=documented(NotFound))
async def get_athlete(athlete: AthletePath, scope: Here, request: Request, response: Response) -> AthleteAnswer:
    """One athlete, with what the goal would take."""
    show_version(response, athlete.revision)
    may_see = request.state.principal.may("coaching:read")
    return _shown(athlete, await goal_check(scope, athlete) if may_see else None, today_of(scope, athlete))


class _Checked(NamedTuple):
    """A goal that was checked, and the athlete's row as it was read for it."""

    athlete: Athlete
    check: GoalCheck | None


@checked.patch(
    "/athletes/{athlete_id}",
    dependencies=[Depends(requires("athletes:write"))],
    responses=documented(NotFound, Conflict, PreconditionFailed, PreconditionRequired),
)
async def change_athlete(
    athlete: AthletePath,
    body: AthleteChange,  # type: ignore[valid-type]
    scope: Here,
    response: Response,
    _: DryRun,
    prepared: InTwoSteps,
    if_match: IfMatch = None,
) -> AthleteAnswer:
    """Change some fields (RFC 7396 merge patch)."""
    check_version(if_match, athlete.revision)
    said = body.model_dump(exclude_unset=True)  # type: ignore[attr-defined]
    _check_birth_date(scope, said.get("birth_date", athlete.birth_date))
    check = await _check_of(scope, athlete, said, prepared)
    if not prepared.keep:
        return _shown(athlete, check, today_of(scope, athlete))
    await update_athlete(scope, athlete, said)
    changed = await scope.one(Athlete, scope.select(Athlete).where(ATHLETE.c.id == athlete.id))
    assert changed is not None
    show_version(response, changed.revision)
    return _shown(changed, check, today_of(scope, changed))


async def _check_of(scope: Scope, athlete: Athlete, said: dict[str, Any], prepared: Prepared) -> GoalCheck | None:
    """The check of the goal of an athlete with changed fields, as it was worked out before unless the row has moved."""
    worked: _Checked | None = prepared.work
    if worked is not None and _version(worked.athlete) == _version(athlete):
        return worked.check
    if REVIEWED & said.keys():
        changed = cast(Athlete, SimpleNamespace(**{**values_of(athlete), **_as_stored(said)}))
        check = await new_goal_check(scope, changed)
    else:
        check = await goal_check(scope, athlete)
    prepared.work = _Checked(athlete, check)
    return check


def _version(athlete: Athlete) -> tuple[int, int]:
    return athlete.revision, athlete.inputs_revision


def _as_stored(values: dict[str, Any]) -> dict[str, Any]:
    """Changed fields as they are stored: the date of a goal is text."""
    goal = values.get("goal")
    return {**values, "goal": {**goal, "by": goal.get("by") and str(goal["by"])}} if goal else values


async def update_athlete(scope: Scope, athlete: Athlete, values: dict[str, Any]) -> None:
    """Store changed fields; where reviews look at them, what was derived from the old ones follows.

    Raises
    ------
    Conflict
        If external_id belongs to another athlete of the practice.
    PreconditionFailed
        If somebody else changed the athlete in between.
    """
    values = _as_stored(values)
    if "birth_date" in values:
        _check_birth_date(scope, values["birth_date"])
    before = values_of(athlete)
    changed_facts = {name for name in REVIEWED & values.keys() if values[name] != before[name]}
    if any(values.get(name, old) != old for name, old in schedule.planned_by(athlete).items()):
        values |= schedule.replanned(SimpleNamespace(**{**before, **values}), scope.now())
    if values.get("status") == "active" and athlete.status != "active":
        values |= schedule.taken_up_again(SimpleNamespace(**{**before, **values}), scope.now())
    values |= {"revision": athlete.revision + 1, "updated_at": scope.now()}
    statement = scope.update(Athlete).where(ATHLETE.c.id == athlete.id, ATHLETE.c.revision == athlete.revision)
    try:
        changed = await scope.run(statement.values(**values))
    except IntegrityError as error:
        raise Conflict("external_id belongs to another athlete of this practice") from error
    if not changed:
        raise PreconditionFailed()
    scope.held.pop(athlete.id, None)
    if changed_facts:
        await facts_changed(scope, athlete.id, changed_facts)


router.include_router(checked)


@router.delete(
    "/athletes/{athlete_id}",
    status_code=204,
    dependencies=[Depends(requires("athletes:write"))],
    responses=documented(NotFound, PreconditionFailed),
)
async def delete_athlete(athlete: AthletePath, scope: Here, if_match: IfMatch = None) -> None:
    """Erase an athlete with everything that was logged and derived."""
    check_version(if_match, athlete.revision, required=False)
    await scope.run(scope.delete(Athlete).where(ATHLETE.c.id == athlete.id))

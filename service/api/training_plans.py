"""Training plans: days of exercises with their schemes, by the coach or started by rules."""

import uuid
from datetime import date, datetime, timedelta
from typing import Annotated, Any, Literal, Self

from fastapi import APIRouter, Depends, Request, Response
from pydantic import Field, ValidationError, model_validator

from service.api.athletes import AthletePath
from service.api.conditional import IfMatch, check_version, show_version
from service.api.fields import Answer, Body, Date, Name, Number, WholeNumber, change_of, fault
from service.api.paging import Cursor, Limit, Page, page
from service.api.problems import documented, faults_of
from service.api.safety import evidence_on
from service.api.training_sessions import ExerciseSlug
from service.api.transaction import CommittedRoute, DryRun, Here
from service.auth import requires
from service.catalogue.exercises import default_main_lifts, equipment, exercises
from service.domain.plans import PlannedDay, starter_plan
from service.domain.safety import gate
from service.errors import Conflict, Invalid, NotFound, PreconditionFailed, PreconditionRequired
from service.rollups import mark_stale
from service.store.scope import table_of
from service.store.tables import TrainingPlan
from service.store.types import new_id, now

router = APIRouter(tags=["training"], route_class=CommittedRoute)
_PLAN = table_of(TrainingPlan)
Read, Write = Depends(requires("coaching:read")), Depends(requires("coaching:write"))
Load = Annotated[Number, Field(ge=0, le=1000)]


class Repetitions(Body):
    """A range of repetitions."""

    from_: Annotated[WholeNumber, Field(alias="from", ge=1, le=50)]
    to: Annotated[WholeNumber, Field(ge=1, le=50)]

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.to < self.from_:
            raise fault("order", "`to` lies below `from`")
        return self


class PlanItem(Body):
    """One exercise of a day: sets of a repetition range with so many in reserve."""

    exercise: ExerciseSlug
    sets: Annotated[WholeNumber, Field(ge=1, le=20)] = 3
    reps: Repetitions = Field(default_factory=lambda: Repetitions.model_validate({"from": 6, "to": 10}))
    rir: Annotated[WholeNumber, Field(ge=0, le=6)] = 2
    rest_s: Annotated[WholeNumber, Field(ge=15, le=900)] = 150
    main: bool = Field(False, description="counts as a main lift for strength decisions")


class PlanDay(Body):
    """One training day."""

    name: Name
    exercises: Annotated[list[PlanItem], Field(min_length=1, max_length=20)]


class GymBody(Body):
    """Which loads the gym has, in its own unit; what is left out is usual for the unit, 0 means there is none."""

    unit: Literal["kg", "lb"] = "kg"
    bar: Load | None = None
    smallest_plate: Load | None = None
    dumbbell_first: Load | None = None
    dumbbell_step: Load | None = None
    dumbbell_last: Load | None = None
    kettlebell_step: Load | None = None
    stack_step: Load | None = None
    stack_add_on: Load | None = None
    added_step: Load | None = None
    assistance_step: Load | None = None


class TrainingPlanBody(Body):
    """A plan from a date on: its days are trained in their order, again and again."""

    from_date: Date
    name: Name
    days: Annotated[list[PlanDay], Field(min_length=1, max_length=7)]
    gym: GymBody | None = None

    @model_validator(mode="after")
    def _names_differ(self) -> Self:
        if len({day.name for day in self.days}) < len(self.days):
            raise fault("repeated", "two days have the same name")
        return self


TrainingPlanChange = change_of(TrainingPlanBody, "TrainingPlanChange")


class TrainingPlanAnswer(Answer):
    """A training plan."""

    id: uuid.UUID
    athlete_id: uuid.UUID
    from_date: date
    name: str
    days: list[dict[str, Any]]
    gym: dict[str, Any] | None
    revision: int
    updated_at: datetime


def _columns(body: Any) -> dict[str, Any]:
    values = body.model_dump(mode="json", by_alias=True, exclude_none=True)
    said = {"days": values["days"], "gym": values.get("gym")}
    return {"from_date": body.from_date, "name": body.name, **said}


@router.get("/athletes/{athlete_id}/training-plans", dependencies=[Read], responses=documented(NotFound))
async def list_training_plans(
    athlete: AthletePath, scope: Here, request: Request, response: Response, limit: Limit = 100, cursor: Cursor = None
) -> Page[TrainingPlanAnswer]:
    """The athlete's plans by date; the newest that has begun is in force."""
    statement = scope.select(TrainingPlan).where(_PLAN.c.athlete_id == athlete.id)
    rows = await page(scope, statement, (_PLAN.c.from_date, _PLAN.c.id), request, response, limit, cursor)
    return Page(items=[TrainingPlanAnswer.model_validate(row._mapping) for row in rows])


@router.post(
    "/athletes/{athlete_id}/training-plans",
    status_code=201,
    dependencies=[Write],
    responses=documented(NotFound, Conflict),
)
async def add_training_plan(
    athlete: AthletePath, body: TrainingPlanBody, scope: Here, response: Response, _: DryRun
) -> TrainingPlanAnswer:
    """Set a plan from a date on."""
    row = {"id": new_id(), "athlete_id": athlete.id, "revision": 1, "updated_at": now(), **_columns(body)}
    if not await scope.insert_new(TrainingPlan, [row], key=("practice_id", "athlete_id", "from_date")):
        raise Conflict(f"there is a plan from {body.from_date} already; change that one")
    await mark_stale(scope, {(athlete.id, body.from_date)})
    show_version(response, 1)
    return TrainingPlanAnswer.model_validate(row)


@router.patch(
    "/athletes/{athlete_id}/training-plans/{plan_id}",
    dependencies=[Write],
    responses=documented(NotFound, Conflict, PreconditionFailed, PreconditionRequired),
)
async def change_training_plan(
    athlete: AthletePath,
    plan_id: uuid.UUID,
    body: TrainingPlanChange,  # type: ignore[valid-type]
    scope: Here,
    response: Response,
    _: DryRun,
    if_match: IfMatch = None,
) -> TrainingPlanAnswer:
    """Change a plan; `days` and `gym` are replaced whole."""
    old = await scope.first(scope.select(TrainingPlan).where(_PLAN.c.athlete_id == athlete.id, _PLAN.c.id == plan_id))
    if old is None:
        raise NotFound()
    check_version(if_match, old.revision)
    kept = {name: old._mapping[name] for name in ("from_date", "name", "days", "gym")}
    said = body.model_dump(exclude_unset=True, by_alias=True)  # type: ignore[attr-defined]
    try:
        values = _columns(TrainingPlanBody.model_validate({**kept, **said}))
    except ValidationError as error:
        faults = faults_of(error.errors())
        raise Invalid(faults[0].detail, faults) from error
    twin = scope.select(TrainingPlan).where(
        _PLAN.c.athlete_id == athlete.id, _PLAN.c.from_date == values["from_date"], _PLAN.c.id != plan_id
    )
    if await scope.first(twin) is not None:
        raise Conflict(f"another plan starts on {values['from_date']}")
    values |= {"revision": old.revision + 1, "updated_at": now()}
    statement = scope.update(TrainingPlan).where(_PLAN.c.id == plan_id, _PLAN.c.revision == old.revision)
    if not await scope.run(statement.values(**values)):
        raise PreconditionFailed()
    await mark_stale(scope, {(athlete.id, min(old.from_date, values["from_date"]))})
    show_version(response, values["revision"])
    return TrainingPlanAnswer.model_validate({**old._mapping, **values})


class StarterBody(Body):
    """A plan to start from: 2, 3 or 4 days a week with the emphasis on the back."""

    days_per_week: Annotated[WholeNumber, Field(ge=2, le=4)]
    from_date: Date
    name: Name = "Starter plan"
    main_lifts: Annotated[list[ExerciseSlug], Field(max_length=10)] = Field(default_factory=list)
    gym: GymBody | None = None


@router.post(
    "/athletes/{athlete_id}/training-plans/starter",
    status_code=201,
    dependencies=[Write],
    responses=documented(NotFound, Conflict),
)
async def add_starter_plan(
    athlete: AthletePath, body: StarterBody, scope: Here, response: Response, dry_run: DryRun
) -> TrainingPlanAnswer:
    """Build a plan from the catalogue by the athlete's equipment, experience and weekly set budget.

    Exercises that hurt are left out. `dry_run=true` shows the plan without setting it.
    """
    evidence, policy = await evidence_on(scope, athlete, body.from_date - timedelta(days=1))
    days = starter_plan(
        body.days_per_week,
        exercises(),
        athlete.equipment or equipment(),
        experience=athlete.experience or "intermediate",
        main_lifts=body.main_lifts or default_main_lifts(),
        stopped=gate(evidence, policy).closed_exercises,
        policy=policy,
    )
    if not days:
        raise Invalid.field("/days_per_week", "no_exercise", "nothing in the catalogue can be done with this equipment")
    said = {
        "from_date": body.from_date,
        "name": body.name,
        "days": [_day(day) for day in days],
        "gym": body.gym,
    }
    return await add_training_plan(athlete, TrainingPlanBody.model_validate(said), scope, response, dry_run)


def _day(day: PlannedDay) -> dict[str, Any]:
    return {
        "name": day.name,
        "exercises": [
            {
                "exercise": one.exercise,
                "sets": one.scheme.sets,
                "reps": {"from": one.scheme.reps_from, "to": one.scheme.reps_to},
                "rir": one.scheme.rir,
                "rest_s": one.scheme.rest_s,
                "main": one.main,
            }
            for one in day.exercises
        ],
    }

"""Training plans: days of exercises with their schemes, by the coach or started by rules."""

import uuid
from collections.abc import Sequence
from datetime import date, datetime
from typing import Annotated, Any, Literal, Self

from fastapi import APIRouter, Depends, Request, Response
from pydantic import Field, ValidationError, model_validator

from service.api.athletes import AthletePath
from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.fields import Acknowledged, Answer, Body, Date, Name, Number, WholeNumber, change_of, fault
from service.api.http.paging import Cursor, Limit, Page, page
from service.api.http.problems import documented, faults_of
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.api.training_sessions import ExerciseSlug
from service.application.evidence.gather import evidence_on
from service.application.log.stale import mark_stale
from service.application.plan.refusals import refuse
from service.application.schedule import today_of
from service.auth import requires
from service.catalogue.exercises import default_main_lifts, equipment, exercises
from service.domain.rules.amendments import check_training
from service.domain.rules.gate import gate
from service.domain.training.plans import PlannedDay, starter_plan
from service.errors import Conflict, Invalid, NotFound, PreconditionFailed, PreconditionRequired
from service.store.scope import Scope, table_of
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
    acknowledge: Acknowledged = Field(default_factory=list)

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
    """Set a plan from a date on.

    One that is in force today or later passes the safety gate: while load is closed, or a lift hurts, it may not ask
    for more than the plan in force does; a mild symptom of late must be acknowledged.
    """
    row = {"id": new_id(), "athlete_id": athlete.id, "revision": 1, "updated_at": now(), **_columns(body)}
    await _refuse_unsafe(scope, athlete, row, body.acknowledge)
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
    """Change a plan, behind the safety gate as a new one; `days` and `gym` are replaced whole."""
    old = await scope.first(scope.select(TrainingPlan).where(_PLAN.c.athlete_id == athlete.id, _PLAN.c.id == plan_id))
    if old is None:
        raise NotFound()
    check_version(if_match, old.revision)
    kept = {name: old._mapping[name] for name in ("from_date", "name", "days", "gym")}
    said = body.model_dump(exclude_unset=True, by_alias=True)  # type: ignore[attr-defined]
    try:
        whole = TrainingPlanBody.model_validate({**kept, **said})
    except ValidationError as error:
        faults = faults_of(error.errors())
        raise Invalid(faults[0].detail, faults) from error
    values = _columns(whole)
    twin = scope.select(TrainingPlan).where(
        _PLAN.c.athlete_id == athlete.id, _PLAN.c.from_date == values["from_date"], _PLAN.c.id != plan_id
    )
    if await scope.first(twin) is not None:
        raise Conflict(f"another plan starts on {values['from_date']}")
    await _refuse_unsafe(scope, athlete, {"id": plan_id, **values}, whole.acknowledge)
    values |= {"revision": old.revision + 1, "updated_at": now()}
    statement = scope.update(TrainingPlan).where(_PLAN.c.id == plan_id, _PLAN.c.revision == old.revision)
    if not await scope.run(statement.values(**values)):
        raise PreconditionFailed()
    await mark_stale(scope, {(athlete.id, min(old.from_date, values["from_date"]))})
    show_version(response, values["revision"])
    return TrainingPlanAnswer.model_validate({**old._mapping, **values})


async def _refuse_unsafe(scope: Scope, athlete: Any, row: dict[str, Any], acknowledged: Sequence[str]) -> None:
    """The gate for what a plan, stored or changed, would put in force today or later, beyond the plan in force."""
    today = today_of(athlete)
    stored = await scope.rows(scope.select(TrainingPlan).where(_PLAN.c.athlete_id == athlete.id))
    before = {plan.from_date: plan.days for plan in stored}
    after = {plan.from_date: plan.days for plan in stored if plan.id != row["id"]} | {row["from_date"]: row["days"]}
    present = _days_from(before, today)[:1]
    usual = _demands(present[0] if present else [])
    wanted = [days for days in _days_from(after, today) if days not in _days_from(before, today)]
    more = {name for days in wanted for name, demand in _demands(days).items() if not _within(demand, usual.get(name))}
    if more:
        evidence, policy = await evidence_on(scope, athlete, today)
        refuse(check_training(evidence, policy, more), acknowledged, "/days")


def _days_from(plans: dict[date, Any], today: date) -> list[Any]:
    """The days of the plan in force today, when there is one, and of later ones."""
    begun = [on for on in plans if on <= today]
    return [plans[on] for on in sorted(plans) if on > today or on == max(begun)]


def _demands(days: Sequence[dict[str, Any]]) -> dict[str, tuple[int, int, int]]:
    """Of each exercise of a round of the plan: its sets, most repetitions, least repetitions in reserve (negative)."""
    found: dict[str, tuple[int, int, int]] = {}
    for item in (item for day in days for item in day["exercises"]):
        sets, most, effort = found.get(item["exercise"], (0, 0, -6))
        found[item["exercise"]] = sets + item["sets"], max(most, item["reps"]["to"]), max(effort, -item["rir"])
    return found


def _within(demand: tuple[int, int, int], usual: tuple[int, int, int] | None) -> bool:
    return usual is not None and all(one <= other for one, other in zip(demand, usual, strict=True))


class StarterBody(Body):
    """A plan to start from: 2, 3 or 4 days a week with the emphasis on the back."""

    days_per_week: Annotated[WholeNumber, Field(ge=2, le=4)]
    from_date: Date
    name: Name = "Starter plan"
    main_lifts: Annotated[list[ExerciseSlug], Field(max_length=10)] = Field(default_factory=list)
    gym: GymBody | None = None
    acknowledge: Acknowledged = Field(default_factory=list)


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

    Exercises that hurt are left out; the safety gate stands as for any plan. `dry_run=true` shows the plan without
    setting it.
    """
    evidence, policy = await evidence_on(scope, athlete, today_of(athlete))
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
        "acknowledge": body.acknowledge,
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

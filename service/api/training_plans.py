"""Training plans: days of exercises with their schemes, by the coach or started by rules."""

import uuid
from collections.abc import Sequence
from datetime import date, datetime
from typing import Annotated, Any, Literal, Self, cast, get_args

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
from service.application.plan.refusals import refuse
from service.application.schedule import today_of
from service.application.training import training_plans
from service.application.training.care import read_care
from service.application.training.training_plans import PlanContent
from service.auth import requires
from service.catalogue.exercises import exercises
from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.rules.amendments import check_training
from service.domain.rules.gate import gate
from service.domain.training.exercise import Count
from service.domain.training.plans import USUAL_RANGE, PlannedDay, PlannedExercise
from service.domain.training.prescription import Scheme
from service.errors import Conflict, Invalid, NotFound, PreconditionFailed, PreconditionRequired
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, TrainingPlan

router = APIRouter(tags=["training"], route_class=CommittedRoute)
_PLAN = table_of(TrainingPlan)
Read, Write = Depends(requires("coaching:read")), Depends(requires("coaching:write"))
Emphasis = Literal["back", "chest", "shoulders", "arms", "quadriceps", "hamstrings", "glutes", "calves", "trunk"]
Load = Annotated[Number, Field(ge=0, le=1000)]


class _Range(Body):
    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.to < self.from_:  # type: ignore[attr-defined]
            raise fault("order", "`to` lies below `from`")
        return self


class Repetitions(_Range):
    """A range of repetitions."""

    from_: Annotated[WholeNumber, Field(alias="from", ge=1, le=50)]
    to: Annotated[WholeNumber, Field(ge=1, le=50)]


class Seconds(_Range):
    """A range of seconds, of a hold."""

    from_: Annotated[WholeNumber, Field(alias="from", ge=1, le=600)]
    to: Annotated[WholeNumber, Field(ge=1, le=600)]


class Metres(_Range):
    """A range of metres, of a carry."""

    from_: Annotated[WholeNumber, Field(alias="from", ge=1, le=1000)]
    to: Annotated[WholeNumber, Field(ge=1, le=1000)]


class PlanItem(Body):
    """One exercise of a day: sets of a range of what it counts, with so many repetitions in reserve."""

    exercise: ExerciseSlug
    sets: Annotated[WholeNumber, Field(ge=1, le=20)] = 3
    reps: Annotated[Repetitions | None, Field(description="6 to 10 by default")] = None
    seconds: Annotated[Seconds | None, Field(description="of holds; 20 to 40 by default")] = None
    distance_m: Annotated[Metres | None, Field(description="of carries; 20 to 40 by default")] = None
    rir: Annotated[WholeNumber, Field(ge=0, le=6)] = 2
    rest_s: Annotated[WholeNumber, Field(ge=15, le=900)] = 150
    main: bool = Field(False, description="counts as a main lift for strength decisions")

    @model_validator(mode="after")
    def _what_it_counts(self) -> Self:
        counts = exercises()[self.exercise].counts
        given = [name for name in get_args(Count) if getattr(self, name) is not None]
        if given and given != [counts]:
            raise fault("wrong_count", f"{self.exercise} counts {counts}, not {' and '.join(given)}")
        return self

    def planned(self) -> PlannedExercise:
        """What it asks; a usual range where it says none."""
        counts = exercises()[self.exercise].counts
        said: Repetitions | Seconds | Metres | None = getattr(self, counts)
        least, most = USUAL_RANGE[counts] if said is None else (said.from_, said.to)
        return PlannedExercise(self.exercise, Scheme(self.sets, least, most, self.rir, self.rest_s), self.main)


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


def _content(body: TrainingPlanBody) -> PlanContent:
    days = tuple(PlannedDay(day.name, tuple(item.planned() for item in day.exercises)) for day in body.days)
    return PlanContent(body.from_date, body.name, days, _stored_gym(body.gym))


def _stored_gym(gym: GymBody | None) -> dict[str, Any] | None:
    return None if gym is None else gym.model_dump(exclude_none=True)


def _shown(plan: TrainingPlan) -> TrainingPlanAnswer:
    return TrainingPlanAnswer.model_validate(plan, from_attributes=True)


@router.get("/athletes/{athlete_id}/training-plans", dependencies=[Read], responses=documented(NotFound))
async def list_training_plans(
    athlete: AthletePath, scope: Here, request: Request, response: Response, limit: Limit = 100, cursor: Cursor = None
) -> Page[TrainingPlanAnswer]:
    """The athlete's plans by date; the newest that has begun is in force."""
    statement = scope.select(TrainingPlan).where(_PLAN.c.athlete_id == athlete.id)
    keys = (_PLAN.c.from_date, _PLAN.c.id)
    rows = cast(Sequence[TrainingPlan], await page(scope, statement, keys, request, response, limit, cursor))
    return Page(items=[_shown(row) for row in rows])


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
    content = _content(body)
    await _refuse_unsafe(scope, athlete, content, body.acknowledge)
    return await _added(scope, athlete, content, response)


async def _added(scope: Scope, athlete: Athlete, content: PlanContent, response: Response) -> TrainingPlanAnswer:
    plan = await training_plans.add_plan(scope, athlete.id, content)
    show_version(response, plan.revision)
    return _shown(plan)


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
    plan = await training_plans.find_plan(scope, athlete.id, plan_id)
    check_version(if_match, plan.revision)
    kept = {name: getattr(plan, name) for name in ("from_date", "name", "days", "gym")}
    changes = body.model_dump(exclude_unset=True, by_alias=True)  # type: ignore[attr-defined]
    try:
        whole = TrainingPlanBody.model_validate({**kept, **changes})
    except ValidationError as error:
        faults = faults_of(error.errors())
        raise Invalid(faults[0].detail, faults) from error
    content = _content(whole)
    await training_plans.refuse_taken_day(scope, plan, content.from_date)
    await _refuse_unsafe(scope, athlete, content, whole.acknowledge, replaces=plan.id)
    changed = await training_plans.change_plan(scope, plan, content)
    show_version(response, changed.revision)
    return _shown(changed)


async def _refuse_unsafe(
    scope: Scope,
    athlete: Athlete,
    content: PlanContent,
    acknowledged: Sequence[str],
    *,
    replaces: uuid.UUID | None = None,
    known: tuple[Evidence, Policy] | None = None,
) -> None:
    """The gate for what a plan, new or changed, would put in force today or later, beyond the plan in force.

    `known` is what is known today, where the caller has looked already.
    """
    today = today_of(scope, athlete)
    more = await training_plans.new_demands(scope, athlete.id, today, content, replaces)
    if more:
        evidence, policy = known or await evidence_on(scope, athlete, today)
        refuse(check_training(evidence, policy, [exercises()[name] for name in more]), acknowledged, "/days")


class StarterBody(Body):
    """A plan to start from: 2, 3 or 4 days a week, balanced over the whole body unless an emphasis is asked for."""

    days_per_week: Annotated[WholeNumber, Field(ge=2, le=4)]
    from_date: Date
    name: Name = "Starter plan"
    main_lifts: Annotated[list[ExerciseSlug], Field(max_length=10)] = Field(
        default_factory=list, description="wanted first; the athlete's own by default"
    )
    emphasis: Annotated[list[Emphasis], Field(max_length=3)] = Field(
        default_factory=list, description="trained more than the rest"
    )
    gym: GymBody | None = None
    acknowledge: Acknowledged = Field(default_factory=list)


class StarterAnswer(TrainingPlanAnswer):
    """A starter plan, and why it is lighter than others, if it is."""

    why_lighter: str | None = Field(description="for older people, after a break, for the untrained")


@router.post(
    "/athletes/{athlete_id}/training-plans/starter",
    status_code=201,
    dependencies=[Write],
    responses=documented(NotFound, Conflict),
)
async def add_starter_plan(
    athlete: AthletePath, body: StarterBody, scope: Here, response: Response, _: DryRun
) -> StarterAnswer:
    """Build a plan from the catalogue by the athlete's equipment, experience and weekly set budget.

    Exercises that hurt are left out; who is older, back after a break or new to training starts lighter. The safety
    gate stands as for any plan. `dry_run=true` shows the plan without setting it.
    """
    evidence, policy = await evidence_on(scope, athlete, today_of(scope, athlete))
    care = await read_care(scope, athlete, body.from_date, policy)
    wish = training_plans.StarterWish(body.days_per_week, body.main_lifts, body.emphasis)
    days = training_plans.starter_days(athlete, wish, care, gate(evidence, policy), policy)
    if not days:
        raise Invalid.field("/days_per_week", "no_exercise", "nothing in the catalogue can be done with this equipment")
    content = PlanContent(body.from_date, body.name, days, _stored_gym(body.gym))
    await _refuse_unsafe(scope, athlete, content, body.acknowledge, known=(evidence, policy))
    added = await _added(scope, athlete, content, response)
    return StarterAnswer(**added.model_dump(), why_lighter=training_plans.why_lighter(care, policy))

"""Training plans, what to lift next, substitutes and weekly volume."""

import uuid
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Annotated, Any, Literal, Self
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.concurrency import run_in_threadpool
from pydantic import Field, model_validator

from service import training
from service.api.athletes import AthletePath
from service.api.conditional import IfMatch, check_version, show_version
from service.api.fields import Answer, Body, Date, Name, Number, ShortText, WholeNumber, change_of, fault
from service.api.paging import Cursor, Limit, Page, page
from service.api.problems import documented
from service.api.training_sessions import ExerciseSlug
from service.api.transaction import CommittedRoute, DryRun, Here
from service.auth import requires
from service.catalogue.exercises import equipment as all_equipment
from service.catalogue.exercises import exercises
from service.domain.evidence import Evidence, Quantity
from service.domain.policy import Policy
from service.domain.safety import gate
from service.domain.substitutes import substitutes
from service.domain.volume import bands_for, judge_volume, weekly_sets
from service.errors import Conflict, Invalid, NotFound, PreconditionFailed, PreconditionRequired
from service.evidence import Notes, evidence_of, load_notes, quantity_at
from service.policies import in_force
from service.rollups import mark_stale
from service.roster import Roster, estimate_roster, load
from service.store.scope import Scope, table_of
from service.store.tables import SessionLift, TrainingPlan
from service.store.types import new_id, now

router = APIRouter(tags=["training"], route_class=CommittedRoute)
_PLAN, _LIFT = table_of(TrainingPlan), table_of(SessionLift)
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
    values = _columns(TrainingPlanBody.model_validate({**kept, **said}))
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


class PrescriptionAnswer(Answer):
    """One exercise of the next session; no load is given where it is to be found out or the lift is off."""

    exercise: str
    name: str
    sets: int
    reps: dict[str, int]
    rir: int
    load_kg: float | None = None
    added_kg: float | None = None
    assistance_kg: float | None = None
    rest_s: int
    rule: str
    why: str
    cues: tuple[str, ...]
    cautions: tuple[str, ...]
    grip_aid: str | None
    substitutes: list[str] = Field(description="offered when the lift is off")


class NextSession(Answer):
    """The next session, ready to show."""

    on: date
    plan_day: str | None
    phase: str | None
    items: list[PrescriptionAnswer]


@router.get("/athletes/{athlete_id}/prescriptions", dependencies=[Read], responses=documented(NotFound))
async def get_prescriptions(
    athlete: AthletePath,
    scope: Here,
    on: Annotated[date | None, Query(description="the day of training; today by default")] = None,
    plan_day: Annotated[str | None, Query(max_length=200, description="another day of the plan than the next")] = None,
) -> NextSession:
    """What to lift in the next session: the plan's next day, or the lifts trained of late."""
    when = on or now().astimezone(ZoneInfo(athlete.time_zone)).date()
    seen = await _look(scope, athlete, when - timedelta(days=1))
    day = _chosen_day(seen, plan_day)
    items = day.items if day else training.usual_lifts(seen.sessions, when)
    made = training.prescriptions(
        items, seen.sessions, seen.evidence, seen.policy, when, training.gym_of(seen.plan), seen.maxima,
        deload_week=training.is_deload_week(seen.notes.reviews.get(athlete.id, ()), when),
    )  # fmt: skip
    answers = []
    for item, one in zip(items, made, strict=True):
        exercise = exercises()[one.exercise]
        swaps = _swaps(seen, athlete, one.exercise, None, 3) if one.rule == "stop" else ()
        answers.append(
            PrescriptionAnswer.model_validate(
                {
                    **training.body(one),
                    "name": exercise.name,
                    "rest_s": item.scheme.rest_s,
                    "cues": exercise.cues,
                    "cautions": exercise.cautions,
                    "grip_aid": exercise.grip_aid,
                    "substitutes": [swap.exercise for swap in swaps],
                }
            )
        )
    return NextSession(on=when, plan_day=day.name if day else None, phase=seen.evidence.kind, items=answers)


class _Seen:
    """What is known of one athlete on a day: log, notes, evidence, policy, and the maxima of every trained lift."""

    def __init__(self, known: Roster, notes: Notes, policy: Policy) -> None:
        found = estimate_roster(known)
        athlete = known.athletes[0]
        self.notes, self.policy = notes, policy
        self.plan = known.plans.get(athlete.id)
        self.sessions: Sequence[Any] = notes.sessions.get(athlete.id, ())
        self.evidence: Evidence = evidence_of(known, found, notes, 0)
        maxima = {
            name: quantity_at(found.strength.lifts.one_rep_max_kg, (0, position, -1), 3)
            for position, name in enumerate(found.lift_names[0])
        }
        self.maxima: dict[str, Quantity] = {name: one for name, one in maxima.items() if one is not None}


async def _look(scope: Scope, athlete: Any, as_of: date) -> _Seen:
    known = await load(scope, [athlete], as_of)
    notes = await load_notes(scope, [athlete.id], as_of)
    policy = (await in_force(scope, [athlete.id]))[athlete.id].policy
    return await run_in_threadpool(_Seen, known, notes, policy)


def _chosen_day(seen: _Seen, name: str | None) -> training.Day | None:
    if seen.plan is None:
        if name is not None:
            raise Invalid.field("plan_day", "no_plan", "the athlete has no training plan in force")
        return None
    if name is None:
        return training.next_day(seen.plan, seen.sessions)
    chosen = [day for day in training.days_of(seen.plan) if day.name == name]
    if not chosen:
        raise Invalid.field("plan_day", "unknown_day", f"the plan has no day {name!r}")
    return chosen[0]


def _swaps(seen: _Seen, athlete: Any, slug: str, equipment: Sequence[str] | None, most: int) -> Any:
    at_hand = equipment if equipment is not None else athlete.equipment or all_equipment()
    mass = seen.evidence.trend_mass_kg
    stopped = gate(seen.evidence, seen.policy).closed_exercises
    return substitutes(
        exercises()[slug], exercises(), at_hand, maxima=seen.maxima, stopped=stopped, most=most,
        body_mass_kg=mass.mean if mass else None,
    )  # fmt: skip


class SubstituteAnswer(Answer):
    """An exercise instead of another, with the maximum to start from and its 90 % interval."""

    exercise: str
    name: str
    score: float
    one_rep_max_kg: dict[str, float] | None
    why: str


class SubstituteList(Answer):
    """Closest first."""

    items: list[SubstituteAnswer]


@router.get("/athletes/{athlete_id}/substitutes", dependencies=[Read], responses=documented(NotFound))
async def get_substitutes(
    athlete: AthletePath,
    scope: Here,
    exercise: Annotated[ExerciseSlug, Query()],
    equipment: Annotated[list[ShortText] | None, Query(description="at hand today; the athlete's by default")] = None,
    limit: Annotated[int, Query(ge=1, le=20)] = 5,
) -> SubstituteList:
    """What to lift instead of an exercise, by movement, muscles, equipment and history."""
    unknown = sorted(set(equipment or ()) - set(all_equipment()))
    if unknown:
        raise Invalid.field("equipment", "unknown_equipment", f"{', '.join(unknown)} is not in the catalogue's list")
    seen = await _look(scope, athlete, now().astimezone(ZoneInfo(athlete.time_zone)).date())
    items = [
        SubstituteAnswer(
            exercise=swap.exercise,
            name=exercises()[swap.exercise].name,
            score=round(swap.score, 3),
            one_rep_max_kg=swap.one_rep_max_kg and {k: round(v, 2) for k, v in vars(swap.one_rep_max_kg).items()},
            why=swap.why,
        )
        for swap in _swaps(seen, athlete, exercise, equipment, limit)
    ]
    return SubstituteList(items=items)


class MuscleWeek(Answer):
    """A muscle's hard sets of a week against its band."""

    muscle: str
    sets: float
    band: dict[str, float]
    verdict: Annotated[str, Field(examples=["below", "within", "above"])]


class VolumeWeek(Answer):
    """A week of training, Monday to Sunday."""

    week_starting: date
    muscles: list[MuscleWeek]


class VolumeAnswer(Answer):
    """Weekly hard sets by muscle: direct sets count 1, indirect ones 0.5."""

    weeks: list[VolumeWeek]


@router.get("/athletes/{athlete_id}/volume", dependencies=[Read], responses=documented(NotFound))
async def get_volume(
    athlete: AthletePath,
    scope: Here,
    from_: Annotated[date | None, Query(alias="from", description="four weeks before `to` by default")] = None,
    to: Annotated[date | None, Query(description="today by default")] = None,
) -> VolumeAnswer:
    """Weekly volume, in a cut against a band that may be a third lower."""
    last = to or now().astimezone(ZoneInfo(athlete.time_zone)).date()
    first = from_ or last - timedelta(days=27)
    if not 0 <= (last - first).days <= 731:
        raise Invalid.field("from", "range", "`from` must not lie after `to`, nor more than two years before it")
    monday = first - timedelta(days=first.weekday())
    statement = scope.select(_LIFT.c.date, _LIFT.c.exercise, _LIFT.c.hard_sets, of=[SessionLift])
    rows = await scope.rows(statement.where(_LIFT.c.athlete_id == athlete.id, _LIFT.c.date.between(monday, last)))
    known = await load(scope, [athlete], last)
    bands = bands_for(exercises(), athlete.experience or "intermediate")
    weeks = []
    while monday <= last:
        sunday = monday + timedelta(days=6)
        sets = weekly_sets([(row.exercise, row.hard_sets) for row in rows if monday <= row.date <= sunday], exercises())
        begun = [phase.kind for phase in known.phases.get(athlete.id, ()) if phase.starts_on <= sunday]
        judged = judge_volume(sets, bands, cutting=bool(begun) and begun[-1] == "cut")
        muscles = [
            MuscleWeek(
                muscle=one.muscle,
                sets=one.sets,
                band={"from": round(one.band.low, 1), "to": round(one.band.high, 1)},
                verdict=one.verdict,
            )
            for one in judged
        ]
        weeks.append(VolumeWeek(week_starting=monday, muscles=muscles))
        monday += timedelta(days=7)
    return VolumeAnswer(weeks=weeks)

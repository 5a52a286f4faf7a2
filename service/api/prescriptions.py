"""What to lift next, what to lift instead, and how much is lifted in a week."""

from datetime import date, timedelta
from typing import Annotated

from fastapi import APIRouter, Depends, Query
from pydantic import Field

from service.api.athletes import AthletePath
from service.api.http.fields import Answer, Date, ShortText
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, Here
from service.api.training_plans import Emphasis
from service.api.training_sessions import ExerciseSlug
from service.application.schedule import today_of
from service.application.training import next_session as training
from service.application.training.next_session import PrescribedExercise
from service.application.training.prescriptions import body
from service.application.training.volume import WeekVolume, volume_by_week
from service.auth import requires
from service.catalogue.exercises import exercises
from service.catalogue.sentences import render
from service.errors import Invalid, NotFound

router = APIRouter(tags=["training"], route_class=CommittedRoute)
Read = Depends(requires("coaching:read"))


class PrescriptionAnswer(Answer):
    """One exercise of the next session; no load is given where it is to be found out or the lift is off."""

    exercise: str
    name: str
    sets: int
    reps: dict[str, int] | None = None
    seconds: dict[str, int] | None = Field(None, description="of a hold, instead of repetitions")
    distance_m: dict[str, int] | None = Field(None, description="of a carry, instead of repetitions")
    rir: int | None = Field(None, description="repetitions in reserve; none for holds and carries")
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
    on: Annotated[Date | None, Query(description="the day of training; today by default")] = None,
    plan_day: Annotated[str | None, Query(max_length=200, description="another day of the plan than the next")] = None,
) -> NextSession:
    """What to lift in the next session: the plan's next day, or the lifts trained of late.

    Behind the safety gate of today, this morning's notes included, whichever day is asked for.
    """
    session = await training.next_session(scope, athlete, on, plan_day)
    return NextSession(
        on=session.on,
        plan_day=session.plan_day,
        phase=session.phase,
        items=[_shown(prescribed) for prescribed in session.exercises],
    )


def _shown(prescribed: PrescribedExercise) -> PrescriptionAnswer:
    exercise = exercises()[prescribed.planned.exercise]
    return PrescriptionAnswer.model_validate(
        {
            **body(prescribed.prescription),
            "name": exercise.name,
            "rest_s": prescribed.planned.scheme.rest_s,
            "cues": exercise.cues,
            "cautions": exercise.cautions,
            "grip_aid": exercise.grip_aid,
            "substitutes": [substitute.exercise for substitute in prescribed.substitutes],
        }
    )


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
    why_none: Annotated[str | None, Field(description="why there is nothing to lift instead, where there is not")]


@router.get("/athletes/{athlete_id}/substitutes", dependencies=[Read], responses=documented(NotFound))
async def get_substitutes(
    athlete: AthletePath,
    scope: Here,
    exercise: Annotated[ExerciseSlug, Query()],
    equipment: Annotated[list[ShortText] | None, Query(description="at hand today; the athlete's by default")] = None,
    limit: Annotated[int, Query(ge=1, le=20)] = 5,
) -> SubstituteList:
    """What to lift instead of an exercise, by movement, muscles, equipment and history.

    Nothing that hurts; nothing at all after chest pain or fainting, until it is cleared. `why_none` says why where
    there is nothing.
    """
    found = await training.substitutes_for(scope, athlete, exercise, equipment, limit)
    items = [
        SubstituteAnswer(
            exercise=swap.exercise,
            name=exercises()[swap.exercise].name,
            score=round(swap.score, 3),
            one_rep_max_kg=swap.one_rep_max_kg and {k: round(v, 2) for k, v in vars(swap.one_rep_max_kg).items()},
            why=render(swap.why),
        )
        for swap in found.swaps
    ]
    return SubstituteList(items=items, why_none=found.why_none and render(found.why_none))


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
    from_: Annotated[Date | None, Query(alias="from", description="four weeks before `to` by default")] = None,
    to: Annotated[Date | None, Query(description="today by default")] = None,
    emphasis: Annotated[list[Emphasis] | None, Query(description="meant to be trained more than the rest")] = None,
) -> VolumeAnswer:
    """Weekly volume, in a cut against a band that may be a third lower."""
    last = to or today_of(scope, athlete)
    first = from_ or last - timedelta(days=27)
    if not 0 <= (last - first).days <= 731:
        raise Invalid.field("from", "range", "`from` must not lie after `to`, nor more than two years before it")
    weeks = await volume_by_week(scope, athlete, first, last, emphasis or ())
    return VolumeAnswer(weeks=[_week(week) for week in weeks])


def _week(week: WeekVolume) -> VolumeWeek:
    muscles = [
        MuscleWeek(
            muscle=judged.muscle,
            sets=judged.sets,
            band={"from": round(judged.band.low, 1), "to": round(judged.band.high, 1)},
            verdict=judged.verdict,
        )
        for judged in week.muscles
    ]
    return VolumeWeek(week_starting=week.monday, muscles=muscles)

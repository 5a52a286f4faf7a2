"""What to lift next, what to lift instead, and how much is lifted in a week."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query
from pydantic import Field

from service.api.athletes import AthletePath
from service.api.http.fields import Answer, Date, ShortText
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, Here
from service.api.training_sessions import ExerciseSlug
from service.application.evidence.gather import evidence_for
from service.application.evidence.notes import Notes
from service.application.schedule import today_of
from service.application.training import prescriptions
from service.auth import requires
from service.catalogue.exercises import equipment as all_equipment
from service.catalogue.exercises import exercises
from service.domain.evidence import Evidence, ScalarEstimate
from service.domain.policy import Policy
from service.domain.rules.gate import Gate, gate, stricter
from service.domain.training.substitutes import substitutes
from service.domain.training.volume import bands_for, judge_volume, weekly_sets
from service.errors import Invalid, NotFound
from service.store.scope import Scope, table_of
from service.store.tables import Phase, SessionLift, TrainingPlan

router = APIRouter(tags=["training"], route_class=CommittedRoute)
_LIFT, _PHASE = table_of(SessionLift), table_of(Phase)
Read = Depends(requires("coaching:read"))


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
    on: Annotated[Date | None, Query(description="the day of training; today by default")] = None,
    plan_day: Annotated[str | None, Query(max_length=200, description="another day of the plan than the next")] = None,
) -> NextSession:
    """What to lift in the next session: the plan's next day, or the lifts trained of late.

    Behind the safety gate of today, this morning's notes included, whichever day is asked for.
    """
    today = today_of(athlete)
    when = on or today
    seen = await _look(scope, athlete, when - timedelta(days=1), today)
    opened = seen.opened
    day = _chosen_day(seen, plan_day)
    items = day.items if day else prescriptions.usual_lifts(seen.notes.sessions, when)
    made = prescriptions.prescriptions(
        items, seen.notes.sessions, seen.evidence, seen.policy, opened, when, prescriptions.gym_of(seen.plan),
        seen.maxima, deload_week=prescriptions.is_deload_week(seen.notes.deloads, when),
    )  # fmt: skip
    grave = prescriptions.GRAVE & set(opened.closed_by)
    answers = []
    for item, one in zip(items, made, strict=True):
        exercise = exercises()[one.exercise]
        swaps = _swaps(seen, opened, athlete, one.exercise, None, 3) if one.rule == "stop" and not grave else ()
        answers.append(
            PrescriptionAnswer.model_validate(
                {
                    **prescriptions.body(one),
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


@dataclass(frozen=True)
class _Seen:
    """What is known of one athlete on a day: plan, sessions, evidence, policy, and the maxima of every trained lift."""

    plan: TrainingPlan | None
    notes: Notes
    evidence: Evidence
    policy: Policy
    opened: Gate  # by what is known on every day that was looked at
    maxima: Mapping[str, ScalarEstimate]


async def _look(scope: Scope, athlete: Any, as_of: date, today: date) -> _Seen:
    """What is known on a day, behind the safety gate of that day and today."""
    (batch,) = await evidence_for(scope, [athlete], {as_of, today}, main_lifts_only=False)
    evidence, policy = batch.evidence[athlete.id, as_of], batch.policies[athlete.id].policy
    opened = gate(evidence, policy)
    if as_of != today:
        opened = stricter(opened, gate(batch.evidence[athlete.id, today], policy))
    return _Seen(
        plan=batch.roster.plan(athlete.id, as_of),
        notes=batch.notes[athlete.id, as_of],
        evidence=evidence,
        policy=policy,
        opened=opened,
        maxima={lift.exercise: lift.one_rep_max_kg for lift in evidence.lifts},
    )


def _chosen_day(seen: _Seen, name: str | None) -> prescriptions.Day | None:
    if seen.plan is None:
        if name is not None:
            raise Invalid.field("plan_day", "no_plan", "the athlete has no training plan in force")
        return None
    if name is None:
        return prescriptions.next_day(seen.plan, seen.notes.sessions)
    chosen = [day for day in prescriptions.days_of(seen.plan) if day.name == name]
    if not chosen:
        raise Invalid.field("plan_day", "unknown_day", f"the plan has no day {name!r}")
    return chosen[0]


def _swaps(seen: _Seen, opened: Gate, athlete: Any, slug: str, equipment: Sequence[str] | None, most: int) -> Any:
    at_hand = equipment if equipment is not None else athlete.equipment or all_equipment()
    mass = seen.evidence.average_mass_kg
    return substitutes(
        exercises()[slug], exercises(), at_hand, maxima=seen.maxima, stopped=opened.closed_exercises, most=most,
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
    """What to lift instead of an exercise, by movement, muscles, equipment and history.

    Nothing that hurts; nothing at all after chest pain or fainting, until it is cleared.
    """
    unknown = sorted(set(equipment or ()) - set(all_equipment()))
    if unknown:
        raise Invalid.field("equipment", "unknown_equipment", f"{', '.join(unknown)} is not in the catalogue's list")
    today = today_of(athlete)
    seen = await _look(scope, athlete, today, today)
    grave = prescriptions.GRAVE & set(seen.opened.closed_by)
    items = [
        SubstituteAnswer(
            exercise=swap.exercise,
            name=exercises()[swap.exercise].name,
            score=round(swap.score, 3),
            one_rep_max_kg=swap.one_rep_max_kg and {k: round(v, 2) for k, v in vars(swap.one_rep_max_kg).items()},
            why=swap.why,
        )
        for swap in (() if grave else _swaps(seen, seen.opened, athlete, exercise, equipment, limit))
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
    from_: Annotated[Date | None, Query(alias="from", description="four weeks before `to` by default")] = None,
    to: Annotated[Date | None, Query(description="today by default")] = None,
) -> VolumeAnswer:
    """Weekly volume, in a cut against a band that may be a third lower."""
    last = to or today_of(athlete)
    first = from_ or last - timedelta(days=27)
    if not 0 <= (last - first).days <= 731:
        raise Invalid.field("from", "range", "`from` must not lie after `to`, nor more than two years before it")
    monday = first - timedelta(days=first.weekday())
    statement = scope.select(_LIFT.c.date, _LIFT.c.exercise, _LIFT.c.hard_sets, of=[SessionLift])
    rows = await scope.rows(statement.where(_LIFT.c.athlete_id == athlete.id, _LIFT.c.date.between(monday, last)))
    begun = scope.select(Phase).where(_PHASE.c.athlete_id == athlete.id, _PHASE.c.starts_on <= last)
    phases = await scope.all(Phase, begun.order_by(_PHASE.c.starts_on))
    bands = bands_for(exercises(), athlete.experience or "intermediate")
    weeks = []
    while monday <= last:
        sunday = monday + timedelta(days=6)
        sets = weekly_sets([(row.exercise, row.hard_sets) for row in rows if monday <= row.date <= sunday], exercises())
        kinds = [phase.kind for phase in phases if phase.starts_on <= sunday]
        judged = judge_volume(sets, bands, cutting=bool(kinds) and kinds[-1] == "cut")
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

"""The next session of an athlete, ready to show, and what to lift instead; from one look at the log."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from service.application.evidence.gather import evidence_for
from service.application.schedule import today_of
from service.application.training.care import care_on
from service.application.training.prescriptions import (
    Trainee,
    is_deload_week,
    next_day,
    prescriptions,
    usual_lifts,
)
from service.application.training.training_plans import Days, days_of, gym_of, plan_on
from service.catalogue.exercises import equipment, exercises
from service.domain.evidence import Kind
from service.domain.rules.gate import gate, stricter
from service.domain.sentence import Sentence, say
from service.domain.training.plans import PlannedDay, PlannedExercise
from service.domain.training.prescription import Prescription
from service.domain.training.substitutes import Substitute, substitutes
from service.errors import Invalid
from service.store.scope import Scope
from service.store.tables import Athlete

MOST_SWAPS = 3  # offered beside a lift that is off


@dataclass(frozen=True)
class PrescribedExercise:
    """An exercise of the session as planned, what to lift of it, and what instead where the lift is off."""

    planned: PlannedExercise
    prescription: Prescription
    substitutes: Sequence[Substitute]


@dataclass(frozen=True)
class Swaps:
    """What to lift instead of an exercise, closest first; `why_none`, where there is nothing."""

    swaps: Sequence[Substitute]
    why_none: Sentence | None


@dataclass(frozen=True)
class NextSession:
    """What to lift on a day; `plan_day` is the plan's day, None without a plan."""

    on: date
    plan_day: str | None
    phase: Kind | None
    exercises: Sequence[PrescribedExercise]


async def next_session(scope: Scope, athlete: Athlete, on: date | None, plan_day: str | None) -> NextSession:
    """The plan's next day, or another of its days by name; without a plan the lifts trained of late.

    Behind the safety gate of today, and of the day before where that is still to come. Raises Invalid when the plan
    has no such day.
    """
    today = today_of(scope, athlete)
    on = on or today
    trainee, days = await _look(scope, athlete, on - timedelta(days=1), today, on)
    day = _chosen_day(days, trainee, plan_day)
    planned = day.exercises if day is not None else usual_lifts(trainee.sessions, on)
    made = []
    for item, asked in zip(planned, prescriptions(planned, trainee, on), strict=True):
        off = asked.rule == "stop" or item.exercise in trainee.limits
        made.append(PrescribedExercise(item, asked, _instead(trainee, athlete, item.exercise) if off else ()))
    return NextSession(on, day.name if day is not None else None, trainee.evidence.kind, made)


async def substitutes_for(
    scope: Scope, athlete: Athlete, exercise: str, at_hand: Collection[str] | None, most: int
) -> Swaps:
    """What to lift instead of an exercise today, closest first; none at all while there is to be no training.

    Parameters: `at_hand`, equipment, the athlete's by default. Raises Invalid where some of it is not in the catalogue.
    """
    unknown = sorted(set(at_hand or ()) - set(equipment()))
    if unknown:
        raise Invalid.field("equipment", "unknown_equipment", f"{', '.join(unknown)} is not in the catalogue's list")
    today = today_of(scope, athlete)
    trainee, _ = await _look(scope, athlete, today, today, today)
    swaps = _instead(trainee, athlete, exercise, at_hand, most)
    if swaps:
        return Swaps(swaps, None)
    return Swaps((), say("substitute.none" if trainee.gate.training_open else "substitute.no_training"))


async def _look(scope: Scope, athlete: Athlete, as_of: date, today: date, on: date) -> tuple[Trainee, Days | None]:
    """What is known on a day of an athlete who trains `on` one, and the plan's days; behind the gate of today too."""
    (batch,) = await evidence_for(scope, [athlete], {as_of, today}, main_lifts_only=False)
    evidence, policy = batch.evidence[athlete.id, as_of], batch.policies[athlete.id].policy
    notes, plan = batch.notes[athlete.id, as_of], await plan_on(scope, athlete.id, on)
    gate_now = gate(batch.evidence[athlete.id, today], policy)
    if as_of > today:  # a window that is open by then does not open it today
        gate_now = stricter(gate_now, gate(evidence, policy))
    trainee = Trainee(
        sessions=notes.sessions,
        evidence=evidence,
        policy=policy,
        gate=gate_now,
        gym=gym_of(plan),
        maxima={lift.exercise: lift.one_rep_max_kg for lift in evidence.lifts},
        deload_week=is_deload_week(notes.deloads, on),
        care=care_on(athlete, batch.roster.lifts.get(athlete.id, {}), on, policy),
    )
    return trainee, None if plan is None else days_of(plan)


def _chosen_day(days: Days | None, trainee: Trainee, name: str | None) -> PlannedDay | None:
    if days is None:
        if name is not None:
            raise Invalid.field("plan_day", "no_plan", "the athlete has no training plan in force")
        return None
    if name is None:
        return next_day(days, trainee.sessions)
    chosen = [day for day in days if day.name == name]
    if not chosen:
        raise Invalid.field("plan_day", "unknown_day", f"the plan has no day {name!r}")
    return chosen[0]


def _instead(
    trainee: Trainee, athlete: Athlete, exercise: str, at_hand: Collection[str] | None = None, most: int = MOST_SWAPS
) -> Sequence[Substitute]:
    """Nothing that hurts or loads what hurts; nothing at all while there is to be no training."""
    if not trainee.gate.training_open:
        return ()
    lift, mass = exercises()[exercise], trainee.evidence.average_mass_kg
    return substitutes(
        lift,
        exercises(),
        at_hand if at_hand is not None else athlete.equipment or equipment(),
        maxima=trainee.maxima,
        avoid=trainee.gate.to_avoid(lift, exercises()),
        hurts=exercise in trainee.limits,
        most=most,
        body_mass_kg=mass.mean if mass else None,
    )

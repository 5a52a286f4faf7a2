"""Training plans: what a stored one says, what it demands of each exercise, and how it is set and changed."""

import uuid
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, NamedTuple

from service.application.log.stale import mark_stale
from service.catalogue.exercises import equipment, exercises
from service.catalogue.sentences import render
from service.domain.policy import Policy
from service.domain.rules.gate import Gate
from service.domain.sentence import say
from service.domain.training.care import Care, care_reasons
from service.domain.training.loads import IN_KILOGRAMS, IN_POUNDS, Gym
from service.domain.training.plans import PlannedDay, PlannedExercise, starter_plan
from service.domain.training.prescription import Scheme
from service.errors import Conflict, NotFound, PreconditionFailed
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, TrainingPlan
from service.store.types import new_id

_PLAN = table_of(TrainingPlan)
Days = tuple[PlannedDay, ...]


@dataclass(frozen=True)
class PlanContent:
    """What a coach says of a plan; `gym`, as it is stored: its unit and what is not usual for that."""

    from_date: date
    name: str
    days: Days
    gym: Mapping[str, Any] | None

    def columns(self) -> dict[str, Any]:
        """The columns of `training_plan`."""
        return {
            "from_date": self.from_date,
            "name": self.name,
            "days": [_stored_day(day) for day in self.days],
            "gym": None if self.gym is None else dict(self.gym),
        }


def days_of(plan: TrainingPlan) -> Days:
    """The days of a stored plan, in their order."""
    return tuple(
        PlannedDay(day["name"], tuple(_planned_exercise(exercise) for exercise in day["exercises"]))
        for day in plan.days
    )


def gym_of(plan: TrainingPlan | None) -> Gym:
    """What a stored plan says the gym has; a usual gym in kilograms when it says nothing."""
    loads = dict(plan.gym or {}) if plan is not None else {}
    usual = IN_POUNDS if loads.pop("unit", "kg") == "lb" else IN_KILOGRAMS
    return replace(usual, **loads)


def _planned_exercise(stored: Mapping[str, Any]) -> PlannedExercise:
    asked = stored[exercises()[stored["exercise"]].counts]
    scheme = Scheme(stored["sets"], asked["from"], asked["to"], stored["rir"], stored["rest_s"])
    return PlannedExercise(stored["exercise"], scheme, stored["main"])


def _stored_day(day: PlannedDay) -> dict[str, Any]:
    return {
        "name": day.name,
        "exercises": [
            {
                "exercise": planned.exercise,
                "sets": planned.scheme.sets,
                exercises()[planned.exercise].counts: {"from": planned.scheme.least, "to": planned.scheme.most},
                "rir": planned.scheme.rir,
                "rest_s": planned.scheme.rest_s,
                "main": planned.main,
            }
            for planned in day.exercises
        ],
    }


async def plans_of(scope: Scope, athlete_id: uuid.UUID) -> Sequence[TrainingPlan]:
    """All plans of an athlete."""
    return await scope.all(TrainingPlan, scope.select(TrainingPlan).where(_PLAN.c.athlete_id == athlete_id))


async def plan_on(scope: Scope, athlete_id: uuid.UUID, on: date) -> TrainingPlan | None:
    """The plan that is in force on a day, past or to come."""
    begun = scope.select(TrainingPlan).where(_PLAN.c.athlete_id == athlete_id, _PLAN.c.from_date <= on)
    return await scope.one(TrainingPlan, begun.order_by(_PLAN.c.from_date.desc()).limit(1))


async def find_plan(scope: Scope, athlete_id: uuid.UUID, plan_id: uuid.UUID) -> TrainingPlan:
    """One plan of an athlete.

    Raises NotFound when there is none of this id.
    """
    statement = scope.select(TrainingPlan).where(_PLAN.c.athlete_id == athlete_id, _PLAN.c.id == plan_id)
    plan = await scope.one(TrainingPlan, statement)
    if plan is None:
        raise NotFound()
    return plan


async def add_plan(scope: Scope, athlete_id: uuid.UUID, content: PlanContent) -> TrainingPlan:
    """Store a new plan.

    Raises Conflict when one starts on the same day.
    """
    row = {"id": new_id(), "athlete_id": athlete_id, "revision": 1, "updated_at": scope.now(), **content.columns()}
    if not await scope.insert_new(TrainingPlan, [row], key=("practice_id", "athlete_id", "from_date")):
        raise Conflict(f"there is a plan from {content.from_date} already; change that one")
    await mark_stale(scope, {(athlete_id, content.from_date)})
    return TrainingPlan(practice_id=scope.practice_id, **row)


async def refuse_taken_day(scope: Scope, plan: TrainingPlan, from_date: date) -> None:
    """Refuse a plan a new first day on which another one starts.

    Raises Conflict.
    """
    others = [other for other in await plans_of(scope, plan.athlete_id) if other.id != plan.id]
    if any(other.from_date == from_date for other in others):
        raise Conflict(f"another plan starts on {from_date}")


async def change_plan(scope: Scope, plan: TrainingPlan, content: PlanContent) -> TrainingPlan:
    """Give a plan new content.

    Raises PreconditionFailed when it has changed since it was read.
    """
    values = {**content.columns(), "revision": plan.revision + 1, "updated_at": scope.now()}
    statement = scope.update(TrainingPlan).where(_PLAN.c.id == plan.id, _PLAN.c.revision == plan.revision)
    if not await scope.run(statement.values(**values)):
        raise PreconditionFailed()
    await mark_stale(scope, {(plan.athlete_id, min(plan.from_date, content.from_date))})
    return TrainingPlan(practice_id=scope.practice_id, id=plan.id, athlete_id=plan.athlete_id, **values)


class Demand(NamedTuple):
    """What a round of a plan asks of an exercise: sets, most repetitions, least repetitions in reserve (negative)."""

    sets: int
    most_reps: int
    effort: int

    def within(self, usual: "Demand | None") -> bool:
        """Whether it is no more, in any of these, than what is usual."""
        return usual is not None and all(asked <= known for asked, known in zip(self, usual, strict=True))


async def new_demands(
    scope: Scope, athlete_id: uuid.UUID, today: date, content: PlanContent, replaces: uuid.UUID | None = None
) -> set[str]:
    """The exercises of which a plan, in force today or later, would ask more than the plan in force does.

    Parameters: `today`, where the athlete lives; `replaces`, the stored plan that gets this content.
    """
    stored = await plans_of(scope, athlete_id)
    before = {plan.from_date: days_of(plan) for plan in stored}
    after = {plan.from_date: days_of(plan) for plan in stored if plan.id != replaces} | {
        content.from_date: content.days
    }
    present = _from_today_on(before, today)[:1]
    usual = _demands(present[0] if present else ())
    wanted = [days for days in _from_today_on(after, today) if days not in _from_today_on(before, today)]
    return {name for days in wanted for name, demand in _demands(days).items() if not demand.within(usual.get(name))}


def _from_today_on(plans: Mapping[date, Days], today: date) -> list[Days]:
    """The days of the plan in force today, when there is one, and of later ones."""
    begun = [on for on in plans if on <= today]
    return [plans[on] for on in sorted(plans) if on > today or on == max(begun)]


def _demands(days: Iterable[PlannedDay]) -> dict[str, Demand]:
    """Of each exercise of a round of the plan."""
    demands: dict[str, Demand] = {}
    for planned in (planned for day in days for planned in day.exercises):
        sets, most_reps, effort = demands.get(planned.exercise, Demand(0, 0, -6))
        scheme = planned.scheme
        demands[planned.exercise] = Demand(sets + scheme.sets, max(most_reps, scheme.most), max(effort, -scheme.rir))
    return demands


@dataclass(frozen=True)
class StarterWish:
    """What a coach asks of a starter plan; without `main_lifts` the athlete's own, `emphasis` as in `EMPHASES`."""

    days_per_week: int
    main_lifts: Sequence[str] = ()
    emphasis: Sequence[str] = ()


def starter_days(athlete: Athlete, wish: StarterWish, care: Collection[Care], gate: Gate, policy: Policy) -> Days:
    """A plan from the catalogue by the athlete's equipment and experience, without what hurts; empty when none fits."""
    return starter_plan(
        wish.days_per_week,
        exercises(),
        athlete.equipment or equipment(),
        experience=athlete.experience or "intermediate",
        main_lifts=wish.main_lifts or athlete.main_lifts or (),
        emphasis=wish.emphasis,
        care=care,
        avoid_exercises=gate.limits(exercises()).keys(),
        policy=policy,
    )


def why_lighter(care: Collection[Care], policy: Policy) -> str | None:
    """Why a starter plan is lighter and goes on slower, in words; None for most people."""
    if not care:
        return None
    reasons = care_reasons(care, policy)
    return render(say("care.starter", reasons=reasons, reps_low=policy.care_reps_low, reps_high=policy.care_reps_high))

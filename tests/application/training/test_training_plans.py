"""Stored plans read into the domain's types and back, and what a plan asks for beyond the one in force."""

from datetime import date
from typing import Any

import pytest

from service.application.training.prescriptions import histories, next_day, usual_lifts
from service.application.training.training_plans import Demand, PlanContent, days_of, gym_of
from service.domain.training.loads import IN_KILOGRAMS, IN_POUNDS
from service.domain.training.plans import PlannedDay, PlannedExercise
from service.domain.training.prescription import Scheme
from service.store.tables import TrainingPlan, TrainingSession
from service.store.types import new_id

HINGE = PlannedExercise("romanian-deadlift", Scheme(4, 5, 8, 1, 180), main=True)
ROW = PlannedExercise("barbell-row", Scheme(3, 8, 12, 2, 120), main=False)
DAYS = (PlannedDay("A", (HINGE, ROW)), PlannedDay("B", (ROW,)))


def plan(gym: dict[str, Any] | None = None) -> TrainingPlan:
    content = PlanContent(date(2026, 3, 2), "Back first", DAYS, gym)
    return TrainingPlan(practice_id=new_id(), athlete_id=new_id(), **content.columns())


def session(day: int, *sets: dict[str, Any], **more: Any) -> TrainingSession:
    on = date(2026, 3, day)
    return TrainingSession(practice_id=new_id(), athlete_id=new_id(), date=on, sets=list(sets), **more)


def test_a_plan_comes_back_as_it_was_stored() -> None:
    stored = plan()
    assert days_of(stored) == DAYS
    assert stored.days[0]["exercises"][0] == {
        "exercise": "romanian-deadlift", "sets": 4, "reps": {"from": 5, "to": 8}, "rir": 1, "rest_s": 180, "main": True,
    }  # fmt: skip


def test_a_gym_is_usual_but_for_what_it_says() -> None:
    assert gym_of(None) == gym_of(plan()) == IN_KILOGRAMS
    pounds = gym_of(plan({"unit": "lb", "bar": 35.0}))
    assert pounds.bar == 35.0 and pounds.unit_kg == IN_POUNDS.unit_kg and pounds.stack_step == IN_POUNDS.stack_step


@pytest.mark.parametrize(
    ("trained", "expected"), [((), "A"), (("A",), "B"), (("A", "B"), "A"), (("B", None, "another plan's"), "A")]
)
def test_days_of_a_plan_follow_one_another(trained: tuple[str | None, ...], expected: str) -> None:
    sessions = [session(day + 1, plan_day=name) for day, name in enumerate(trained)]
    assert next_day(DAYS, sessions).name == expected


def test_a_history_is_of_the_heaviest_work_sets_and_a_suspect_session_shows_its_day_alone() -> None:
    pull_up = {"exercise": "pull-up", "reps": 5}
    sets = [
        {**pull_up, "added_kg": 20.0, "kind": "warm_up"},
        {**pull_up, "added_kg": 10.0, "rir": 1.0},
        {**pull_up, "assistance_kg": 5.0, "pain": 3.0},
        {**pull_up, "added_kg": 10.0, "reps": 4},
    ]
    trusted, suspect = histories([session(1, *sets), session(2, *sets, suspect={"reason": "load"})])["pull-up"]
    assert (trusted.external_kg, trusted.counts, trusted.rir) == (10.0, (5, 4), (1.0, None))
    assert suspect.external_kg != suspect.external_kg and suspect.counts == ()


def test_without_a_plan_the_lifts_of_the_last_six_weeks_are_usual() -> None:
    old, new = session(1, {"exercise": "barbell-row", "reps": 8}), session(20, {"exercise": "pull-up", "reps": 5})
    assert [item.exercise for item in usual_lifts([old, new], date(2026, 4, 12))] == ["barbell-row", "pull-up"]
    assert [item.exercise for item in usual_lifts([old, new], date(2026, 4, 13))] == ["pull-up"]


@pytest.mark.parametrize(
    ("asked", "within"),
    [(Demand(3, 12, -2), True), (Demand(4, 12, -2), False), (Demand(3, 13, -2), False), (Demand(3, 12, -1), False)],
)
def test_more_sets_more_repetitions_or_fewer_in_reserve_are_more_than_usual(asked: Demand, within: bool) -> None:
    assert asked.within(Demand(3, 12, -2)) is within and not asked.within(None)

"""The starter plan: rules that hold for every number of days, experience and equipment."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.catalogue.exercises import default_main_lifts, equipment, exercises
from service.domain.policy import DEFAULT
from service.domain.training.plans import PlannedDay, starter_plan
from service.domain.training.volume import BACK, bands_for, judge_volume, weekly_sets

CATALOGUE = exercises()
DAYS, EXPERIENCES = (2, 3, 4), ("novice", "intermediate", "advanced")


def plan(days: int, experience: str, here: tuple[str, ...] = equipment()) -> tuple[PlannedDay, ...]:
    return starter_plan(days, CATALOGUE, here, experience=experience, main_lifts=default_main_lifts())


def week(days: tuple[PlannedDay, ...]) -> dict[str, float]:
    return weekly_sets([(one.exercise, one.scheme.sets) for day in days for one in day.exercises], CATALOGUE)


@pytest.mark.parametrize("days", DAYS)
@pytest.mark.parametrize("experience", EXPERIENCES)
def test_in_a_full_gym_all_main_lifts_are_trained_as_such_and_the_week_meets_its_budget(
    days: int, experience: str
) -> None:
    made = plan(days, experience)
    assert len(made) == days
    assert {one.exercise for day in made for one in day.exercises if one.main} == set(default_main_lifts())
    verdicts = {one.muscle: one.verdict for one in judge_volume(week(made), bands_for(CATALOGUE, experience))}
    assert set(verdicts.values()) == {"within"}


@pytest.mark.parametrize("days", DAYS)
@pytest.mark.parametrize("experience", EXPERIENCES)
def test_the_back_gets_more_than_any_other_muscle_but_the_hips(days: int, experience: str) -> None:
    sets = week(plan(days, experience))
    for muscle in ("chest", "quadriceps", "triceps", "front_delts", "hamstrings"):
        assert all(sets[back] > sets[muscle] for back in BACK)
    trained = [
        sum(BACK[0] in CATALOGUE[one.exercise].direct for one in day.exercises) for day in plan(days, experience)
    ]
    assert sum(count > 0 for count in trained) >= 2  # twice a week or more


@given(
    st.sampled_from(DAYS),
    st.sampled_from(EXPERIENCES),
    st.sets(st.sampled_from(equipment())),
    st.sets(st.sampled_from(sorted(CATALOGUE)), max_size=8),
)
def test_any_equipment_gives_a_plan_that_can_be_done(
    days: int, experience: str, here: set[str], stopped: set[str]
) -> None:
    made = starter_plan(days, CATALOGUE, here, experience=experience, main_lifts=default_main_lifts(), stopped=stopped)
    for day in made:
        names = [one.exercise for one in day.exercises]
        assert names and len(set(names)) == len(names)
        for one in day.exercises:
            exercise = CATALOGUE[one.exercise]
            assert set(exercise.equipment) <= here and one.exercise not in stopped
            assert experience != "novice" or exercise.skill < 3
            assert 2 <= one.scheme.sets <= 5 and one.scheme.reps_from < one.scheme.reps_to
            if one.main:
                assert one.scheme.reps_from == DEFAULT.main_reps_low and one.scheme.reps_to == DEFAULT.main_reps_high


def test_a_room_without_machines_still_trains_the_back() -> None:
    sets = week(plan(3, "intermediate", ("dumbbells", "bench", "pull_up_bar")))
    assert all(sets[muscle] >= 10 for muscle in BACK)


def test_only_two_three_or_four_days() -> None:
    with pytest.raises(ValueError, match="2, 3 or 4"):
        starter_plan(5, CATALOGUE, equipment())

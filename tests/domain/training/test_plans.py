"""The starter plan: rules that hold for every number of days, experience and equipment."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.catalogue.exercises import equipment, exercises
from service.domain.policy import DEFAULT
from service.domain.training.exercise import Region
from service.domain.training.plans import PlannedDay, PlannedExercise, starter_plan
from service.domain.training.volume import EMPHASES, LARGE, bands_for, judge_volume, weekly_sets

CATALOGUE = exercises()
DAYS, EXPERIENCES = (2, 3, 4), ("novice", "intermediate", "advanced")
MAIN_PATTERNS = {"squat", "hinge", "horizontal_push", "vertical_push", "horizontal_pull", "vertical_pull"}
ROOM = ("dumbbells", "bench", "pull_up_bar")


def week(days: tuple[PlannedDay, ...]) -> dict[str, float]:
    return weekly_sets([(one.exercise, one.scheme.sets) for one in planned(days)], CATALOGUE)


def planned(days: tuple[PlannedDay, ...]) -> list[PlannedExercise]:
    return [one for day in days for one in day.exercises]


@pytest.mark.parametrize("days", DAYS)
@pytest.mark.parametrize("experience", EXPERIENCES)
def test_in_a_full_gym_the_whole_body_is_trained_within_its_budget(days: int, experience: str) -> None:
    made = starter_plan(days, CATALOGUE, equipment(), experience=experience)
    assert len(made) == days
    assert {CATALOGUE[one.exercise].pattern for one in planned(made) if one.main} == MAIN_PATTERNS
    judged = judge_volume(week(made), bands_for(experience))
    assert {one.verdict for one in judged} == {"within"}
    assert {"quadriceps", "chest", "lats", "calves", "trunk"} <= {one.muscle for one in judged}


@pytest.mark.parametrize("days", DAYS)
def test_without_an_emphasis_no_large_muscle_gets_far_more_than_another(days: int) -> None:
    sets = week(starter_plan(days, CATALOGUE, equipment()))
    assert max(sets[muscle] for muscle in LARGE) <= 2 * min(sets[muscle] for muscle in LARGE)


@pytest.mark.parametrize("days", (3, 4))
@pytest.mark.parametrize("emphasis", EMPHASES)
def test_an_emphasis_gets_more_and_the_rest_its_least(days: int, emphasis: str) -> None:
    plain = week(starter_plan(days, CATALOGUE, equipment()))
    made = starter_plan(days, CATALOGUE, equipment(), emphasis=(emphasis,))
    sets = week(made)
    assert all(sets[muscle] >= DEFAULT.weekly_sets_emphasis_low for muscle in EMPHASES[emphasis])
    assert sum(sets[muscle] for muscle in EMPHASES[emphasis]) >= sum(plain[muscle] for muscle in EMPHASES[emphasis])
    assert {one.verdict for one in judge_volume(sets, bands_for(emphasis=(emphasis,)))} == {"within"}


@pytest.mark.parametrize("days", DAYS)
def test_care_means_fewer_sets_more_in_reserve_and_more_repetitions(days: int) -> None:
    """ACSM 2009, doi 10.1249/MSS.0b013e3181915670: loads of 8–12 repetitions for novices; older adults likewise (from
    memory). How many sets and repetitions in reserve: common practice, no source."""
    usual, careful = (starter_plan(days, CATALOGUE, equipment(), care=care) for care in ((), ("age",)))
    assert sum(one.scheme.sets for one in planned(careful)) < sum(one.scheme.sets for one in planned(usual))
    assert {one.scheme.rir for one in planned(usual)} == {2} and {one.scheme.rir for one in planned(careful)} == {3}
    assert {(one.scheme.least, one.scheme.most) for one in planned(careful) if one.main} == {(8, 12)}


def test_wanted_main_lifts_come_first() -> None:
    wanted = ("front-squat", "incline-bench-press")
    mains = [one.exercise for one in planned(starter_plan(3, CATALOGUE, equipment(), main_lifts=wanted)) if one.main]
    assert set(wanted) <= set(mains)


def test_novices_begin_with_what_is_soon_learnt() -> None:
    made = starter_plan(3, CATALOGUE, equipment(), experience="novice")
    assert all(CATALOGUE[one.exercise].skill == 1 for one in planned(made) if one.main)


@given(
    st.sampled_from(DAYS),
    st.sampled_from(EXPERIENCES),
    st.sets(st.sampled_from(equipment())),
    st.sets(st.sampled_from(sorted(CATALOGUE)), max_size=8),
    st.sets(st.sampled_from(["low_back", "shoulder", "knee", "elbow", "wrist", "hip", "neck", "ankle"]), max_size=3),
)
def test_any_equipment_gives_a_plan_that_can_be_done(
    days: int, experience: str, here: set[str], stopped: set[str], sore: set[Region]
) -> None:
    made = starter_plan(days, CATALOGUE, here, experience=experience, avoid_exercises=stopped, avoid_regions=sore)
    for day in made:
        names = [one.exercise for one in day.exercises]
        assert names and len(set(names)) == len(names)
        for one in day.exercises:
            exercise = CATALOGUE[one.exercise]
            assert set(exercise.equipment) <= here and one.exercise not in stopped
            assert not set(exercise.regions) & sore
            assert experience != "novice" or exercise.skill < 3
            assert 2 <= one.scheme.sets <= 5 and one.scheme.least < one.scheme.most
            if one.main:
                assert exercise.measures_strength
                assert one.scheme.least == DEFAULT.main_reps_low and one.scheme.most == DEFAULT.main_reps_high


def test_a_sore_back_leaves_a_plan_for_every_large_muscle() -> None:
    sets = week(starter_plan(3, CATALOGUE, equipment(), avoid_regions=("low_back",)))
    assert all(sets[muscle] >= DEFAULT.weekly_sets_low for muscle in LARGE)


def test_a_room_without_machines_still_trains_the_whole_body() -> None:
    sets = week(starter_plan(3, CATALOGUE, ROOM))
    assert all(sets[muscle] >= DEFAULT.weekly_sets_low for muscle in LARGE)


def test_holds_are_planned_in_seconds_and_carries_in_metres() -> None:
    made = starter_plan(4, CATALOGUE, (), experience="novice", avoid_exercises=("dead-bug", "side-plank-hip-lift"))
    holds = [one for one in planned(made) if CATALOGUE[one.exercise].counts == "seconds"]
    assert holds and all((one.scheme.least, one.scheme.most) == (20, 40) for one in holds)


def test_only_two_three_or_four_days() -> None:
    with pytest.raises(ValueError, match="2, 3 or 4"):
        starter_plan(5, CATALOGUE, equipment())

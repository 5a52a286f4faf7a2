"""The catalogue is whole, consistent and says what a coach needs (common practice, no source, unless named)."""

import re

import pytest

from service.catalogue.exercises import default_main_lifts, equipment, exercises
from service.domain.strength.repetitions import CURVES
from service.domain.training.exercise import Exercise

PATTERNS = {
    "hinge",
    "squat",
    "lunge",
    "vertical_pull",
    "horizontal_pull",
    "vertical_push",
    "horizontal_push",
    "carry",
    "trunk",
    "isolation",
}
LOADABILITY = {"barbell", "dumbbell", "dumbbell_pair", "kettlebell", "stack", "plate_machine", "body_mass", "band"}


def test_the_catalogue_covers_the_trade() -> None:
    catalogue = exercises()
    assert len(catalogue) >= 60
    assert {e.pattern for e in catalogue.values()} == PATTERNS
    assert default_main_lifts() == (
        "romanian-deadlift",
        "pull-up",
        "barbell-row",
        "one-arm-dumbbell-row",
        "lat-pulldown",
    )
    assert set(default_main_lifts()) <= set(catalogue)
    assert len({e.name for e in catalogue.values()}) == len(catalogue)


@pytest.mark.parametrize("exercise", exercises().values(), ids=lambda e: e.slug)
def test_every_exercise_is_complete(exercise: Exercise) -> None:
    assert re.fullmatch(r"[a-z]+(-[a-z]+)*", exercise.slug)
    assert exercise.direct and not set(exercise.direct) & set(exercise.indirect)
    assert exercise.loadability in LOADABILITY
    assert 0 <= exercise.body_mass_share <= 1
    assert (exercise.body_mass_share > 0) == (exercise.loadability == "body_mass")
    assert exercise.smallest_step_kg > 0
    assert exercise.repetition_curve in CURVES
    assert 0.1 <= exercise.typical_ratio <= 3.5
    assert exercise.skill in (1, 2, 3)
    assert exercise.cues and exercise.cautions
    assert set(exercise.equipment) <= set(equipment())


def test_every_pattern_can_be_trained_in_a_room_with_dumbbells_and_a_bar_to_hang_from() -> None:
    room = {"dumbbells", "bench", "pull_up_bar"}
    possible = {e.pattern for e in exercises().values() if set(e.equipment) <= room}
    assert possible == PATTERNS


def test_muscles_count_one_direct_and_half_indirect() -> None:
    shares = exercises()["pull-up"].muscle_shares
    assert shares["lats"] == 1.0 and shares["biceps"] == 0.5


def test_hinges_that_load_the_hands_advise_on_grip_and_spare_the_lower_back() -> None:
    lift = exercises()["romanian-deadlift"]
    assert lift.grip_aid and "strap" in lift.grip_aid
    assert any("mid-shin" in cue for cue in lift.cues) and any("lower back" in note for note in lift.cautions)


def test_push_ups_carry_64_pct_of_body_mass() -> None:
    """Suprak, Dawes & Stephenson 2011, J Strength Cond Res 25:497: 69 % up, 75 % down static; 0.64 is the value in
    common use for the moving push-up (Ebben 2011, J Strength Cond Res 25:2891), from memory."""
    assert exercises()["push-up"].body_mass_share == pytest.approx(0.64)

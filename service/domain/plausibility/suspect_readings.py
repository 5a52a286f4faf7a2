"""Suspect entries: the reason and the best guess of what was meant, for one new value against a short history.

A suspect entry is kept, but left out of the estimate until somebody confirms it. What a body or another scale can do
(a fast loss, a refeed, an offset of up to 3 kg) is never suspect: the filter of `estimation` deals with it.

Weigh-ins are judged in date order, over all that are there: the verdicts never depend on the order of arrival. A later
reading can change the verdict on an earlier one: where three in a row agree with each other, or the coach confirms one,
against a lonely one before them, the lonely one was wrong.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite
from statistics import median
from typing import Literal, NamedTuple

KG_PER_LB = 0.45359237
UNIT_FACTORS = {"pounds_for_kilograms": KG_PER_LB, "kilograms_for_pounds": 1.0 / KG_PER_LB}  # from what was typed

PLAUSIBLE_MASS_KG = (25.0, 350.0)
PLAUSIBLE_BMI = (11.0, 75.0)  # beyond these a unit or a digit is wrong (common practice, no source)
SUSPECT_BMI = (13.0, 45.0)  # a first weigh-in beyond these is suspect where another unit or a decimal point
ORDINARY_BMI = (16.0, 38.0)  # would make it one of these (common practice, no source)
SUSPECT_MASS_KG = (35.0, 200.0)  # the same of a person of unknown height (common practice, no source)
ORDINARY_MASS_KG = (40.0, 150.0)
PLAUSIBLE_MEAL_KCAL = 6000.0  # nobody eats more at one sitting and logs it right (common practice, no source)

# A weigh-in this far from the recent ones can be real: water, clothes and another scale together.
TOLERANCE_KG = 4.0
TOLERANCE_SHARE = 0.05
DRIFT_KG_PER_DAY = 0.2  # about the fastest loss that the default policy lets happen, 1.5 % a week of 90 kg
GUESS_TOLERANCE_SHARE = 0.04  # how near a corrected value must come to the recent ones to be believed

COMPARED = 7  # with so many accepted weigh-ins before it at most
HISTORY_DAYS = 42  # how far back a weigh-in is compared
STANDING = 3  # so many weigh-ins that agree with each other stand; a confirmed one stands alone


@dataclass(frozen=True)
class Suspect:
    """Why an entry is suspect, and what was probably meant (None when nothing fits)."""

    reason: str  # pounds_for_kilograms, kilograms_for_pounds, slipped_decimal, implausible_jump, implausible_value
    best_guess_kg: float | None = None
    best_guess_kcal: float | None = None


class Reading(NamedTuple):
    """A weigh-in: the day's number on any scale of days, kg, and whether the coach has confirmed it."""

    day: int
    mass_kg: float
    confirmed: bool = False


def judge_weigh_ins(
    readings: Sequence[Reading],
    height_cm: float | None = None,
    known: Sequence[Suspect | None] = (),
) -> list[Suspect | None]:
    """Judge the weigh-ins of one athlete, in date order.

    Each is held against the accepted ones before it (`suspect_mass`). Three suspect ones in a row that agree with each
    other stand from the first of them on, as does what agrees with one that the coach confirmed: there are people of
    170 kg (`unit_in_question` says where the coach is to be asked). An earlier one that contradicts them and has fewer
    than three on its side is then the suspect one. Not so where another unit would explain them and accepted ones stand
    against them: three, or any where no usual body is so heavy or light.

    Parameters
    ----------
    readings : sequence of Reading
        All of them, oldest first.
    height_cm : float
        Body height, if known.
    known : sequence of Suspect or None
        Verdicts on the first of the readings, up to a point that `settled` has found.

    Returns
    -------
    list of Suspect or None
        A verdict for each reading; None: accepted.

    Common practice, no source.
    """
    verdicts: list[Suspect | None] = [*known, *[None] * (len(readings) - len(known))]
    trusted = [index for index, verdict in enumerate(known) if verdict is None]
    waiting: list[int] = []  # suspect ones in a row
    for index in range(len(known), len(readings)):
        reading = readings[index]
        before = [readings[other] for other in trusted[-COMPARED:]]
        verdicts[index] = None if reading.confirmed else _against(reading, before, height_cm)
        stands = [index]
        if reading.confirmed:
            stands = [other for other in waiting if _agree(readings[other], reading)] + stands
        elif verdicts[index] is not None:
            waiting.append(index)
            stands = waiting[-STANDING:]
            run = [readings[other] for other in stands]
            if not _stand(run, [verdicts[other] for other in stands], before, height_cm):
                continue
        if len(stands) > 1 or reading.confirmed:
            new = [readings[other] for other in stands]
            odd = {other: suspect for other in trusted[-COMPARED:] if (suspect := _odd(readings[other], before, new))}
            for other, suspect in [*((other, None) for other in stands), *odd.items()]:
                verdicts[other] = suspect
            trusted = [other for other in trusted if other not in odd]
        trusted += stands
        waiting.clear()
    return verdicts


def settled(readings: Sequence[Reading], suspect: Sequence[bool], first_day: int) -> int:
    """How many of the oldest verdicts stand when readings change from a day on, and are all that later ones rest on.

    Those up to seven accepted ones in a row, with two more after them, which show that none of the seven waits for a
    later one. A confirmed reading reaches `HISTORY_DAYS` back: they must be older than the change by so much, and none
    confirmed must follow before it. 0: all is to be judged anew.

    Parameters: `readings`, oldest first; `suspect`, whether each was suspect when all were last judged.
    """
    streak = 0
    for index in range(len(readings) - 1, -1, -1):
        reading = readings[index]
        if reading.confirmed and reading.day < first_day:
            return 0
        accepted = not suspect[index] and reading.day < first_day - HISTORY_DAYS
        streak = streak + 1 if accepted else 0
        if streak == COMPARED + STANDING - 1:
            return index + COMPARED
    return 0


def _agree(one: Reading, other: Reading) -> bool:
    gap = abs(one.day - other.day)
    return gap <= HISTORY_DAYS and abs(one.mass_kg - other.mass_kg) <= _tolerance_kg(other.mass_kg) + _drift_kg(gap)


def _against(reading: Reading, before: Sequence[Reading], height_cm: float | None) -> Suspect | None:
    """The verdict on a reading by the accepted ones before it."""
    if before and before[-1].day >= reading.day - HISTORY_DAYS and 0.0 < reading.mass_kg < inf:
        newest_kg, drift_kg = before[-1].mass_kg, _drift_kg(reading.day - before[-1].day)
        if abs(reading.mass_kg - newest_kg) <= _tolerance_kg(newest_kg) + drift_kg:
            return None  # nearly all are near the newest one, which is one of the yardsticks of `suspect_mass`
    recent = [other for other in before if other.day >= reading.day - HISTORY_DAYS]
    gap = reading.day - recent[-1].day if recent else 1
    suspect = suspect_mass(reading.mass_kg, [other.mass_kg for other in recent], height_cm, gap)
    if suspect is not None and any(other.confirmed and _agree(reading, other) for other in recent):
        return None
    if suspect is None and before and not recent:  # after a long pause a body can be another, but not by a unit
        long_ago = suspect_mass(reading.mass_kg, [other.mass_kg for other in before], height_cm, HISTORY_DAYS)
        return long_ago if long_ago is not None and long_ago.best_guess_kg is not None else None
    return suspect


def _stand(
    run: Sequence[Reading], verdicts: Sequence[Suspect | None], before: Sequence[Reading], height_cm: float | None
) -> bool:
    """Whether suspect readings in a row stand, all the same."""
    if len(run) < STANDING or not all(_agree(one, other) for one in run for other in run):
        return False
    low_kg, high_kg = _plausible_kg(height_cm)
    if not all(low_kg <= one.mass_kg <= high_kg for one in run):
        return False
    if before and any(_suspect_first_mass(one.mass_kg, height_cm) for one in run):
        return False
    if all(verdict is not None and verdict.reason == "implausible_jump" for verdict in verdicts):
        return True
    return not any(_support(one, before) >= STANDING for one in before)


def _support(reading: Reading, among: Sequence[Reading]) -> int:
    """How many agree with a reading, itself among them; one that the coach confirmed counts for all that is needed."""
    near = (one for one in among if abs(one.mass_kg - reading.mass_kg) <= _tolerance_kg(reading.mass_kg))
    return sum(STANDING if one.confirmed else 1 for one in near)


def _odd(reading: Reading, among: Sequence[Reading], new: Sequence[Reading]) -> Suspect | None:
    """The verdict on an accepted reading when new ones stand; None where enough of the accepted are on its side."""
    gap = new[0].day - reading.day
    if gap > HISTORY_DAYS or _support(reading, among) >= STANDING:
        return None
    return suspect_mass(reading.mass_kg, [one.mass_kg for one in new], None, gap)


def suspect_mass(
    mass_kg: float, recent_mass_kg: Sequence[float], height_cm: float | None = None, days_since_last: float = 1.0
) -> Suspect | None:
    """Judge one weigh-in, kg, against the athlete's recent accepted ones (days,), newest last; NaN is skipped.

    Returns None when it is plausible. With a history the yardsticks are the median of the newest seven and the newest;
    a jump is suspect beyond the larger of 4 kg and 5 % of both, and of 0.2 kg more for every day since the last
    weigh-in. Without one only the height helps: body mass index 11–75, and 13–45 where pounds typed as kilograms, or
    the reverse, would explain it. A factor of 2.2046 (pounds typed as kilograms, or the reverse) or of 10 that lands
    near a yardstick gives the best guess. Common practice, no source.
    """
    if not isfinite(mass_kg) or mass_kg <= 0.0:
        return Suspect("implausible_value")
    recent = [float(one) for one in recent_mass_kg if isfinite(one)][-COMPARED:]
    if not recent:
        return _suspect_first_mass(mass_kg, height_cm)
    yardsticks_kg = (median(recent), recent[-1])
    drift_kg = _drift_kg(days_since_last)
    if any(abs(mass_kg - usual_kg) <= _tolerance_kg(usual_kg) + drift_kg for usual_kg in yardsticks_kg):
        return None
    guesses = (
        ("pounds_for_kilograms", mass_kg * KG_PER_LB),
        ("kilograms_for_pounds", mass_kg / KG_PER_LB),
        ("slipped_decimal", mass_kg * 10.0),
        ("slipped_decimal", mass_kg / 10.0),
    )
    for usual_kg in yardsticks_kg:
        distance_kg, reason, guess_kg = min((abs(guess - usual_kg), reason, guess) for reason, guess in guesses)
        if distance_kg <= max(TOLERANCE_KG, GUESS_TOLERANCE_SHARE * usual_kg) + drift_kg:
            return Suspect(reason, best_guess_kg=round(guess_kg, 2))
    if not PLAUSIBLE_MASS_KG[0] <= mass_kg <= PLAUSIBLE_MASS_KG[1]:
        return Suspect("implausible_value")
    return Suspect("implausible_jump")


def _tolerance_kg(usual_kg: float) -> float:
    return max(TOLERANCE_KG, TOLERANCE_SHARE * usual_kg)


def _drift_kg(gap_days: float) -> float:
    return DRIFT_KG_PER_DAY * max(gap_days - 1.0, 0.0)


def unit_in_question(
    first_mass_kg: float, mass_kg: float, height_cm: float | None = None
) -> tuple[Literal["pounds_for_kilograms", "kilograms_for_pounds"], float] | None:
    """Whether the weigh-ins of somebody, all accepted because they agree, may be in another unit after all.

    They may where the first would be suspect by itself for its unit and the newest is that of a usual body in the other
    one. To be asked only while nobody has confirmed any of them; masses in kg. Returns the reason, and the newest as it
    would be; None when the unit is beyond doubt. Common practice, no source.
    """
    suspect = _suspect_first_mass(first_mass_kg, height_cm)
    if suspect is None or suspect.reason not in UNIT_FACTORS:
        return None
    low_kg, high_kg = _by_height(height_cm, ORDINARY_BMI, ORDINARY_MASS_KG)
    other_kg = mass_kg * UNIT_FACTORS[suspect.reason]
    return (suspect.reason, round(other_kg, 2)) if low_kg <= other_kg <= high_kg else None  # type: ignore[return-value]


def _by_height(height_cm: float | None, bmi: tuple[float, float], usual_kg: tuple[float, float]) -> tuple[float, float]:
    """Bounds of body mass, kg, from those of body mass index, kg/m², or where no height is known the usual ones."""
    if height_cm is None or not isfinite(height_cm):
        return usual_kg
    square_m = (height_cm / 100.0) ** 2
    return bmi[0] * square_m, bmi[1] * square_m


def _plausible_kg(height_cm: float | None) -> tuple[float, float]:
    low_kg, high_kg = _by_height(height_cm, PLAUSIBLE_BMI, PLAUSIBLE_MASS_KG)
    return max(low_kg, PLAUSIBLE_MASS_KG[0]), min(high_kg, PLAUSIBLE_MASS_KG[1])


def _suspect_first_mass(mass_kg: float, height_cm: float | None) -> Suspect | None:
    """The verdict by height alone, or without it by what people weigh."""
    low_kg, high_kg = _plausible_kg(height_cm)
    suspect_kg = _by_height(height_cm, SUSPECT_BMI, SUSPECT_MASS_KG)
    ordinary_kg = _by_height(height_cm, ORDINARY_BMI, ORDINARY_MASS_KG)
    guesses = (
        ("pounds_for_kilograms", mass_kg * KG_PER_LB, suspect_kg[1], inf),
        ("slipped_decimal", mass_kg / 10.0, suspect_kg[1], inf),
        ("kilograms_for_pounds", mass_kg / KG_PER_LB, -inf, suspect_kg[0]),
    )
    for reason, guess_kg, above_kg, below_kg in guesses:
        if above_kg < mass_kg < below_kg and ordinary_kg[0] <= guess_kg <= ordinary_kg[1]:
            return Suspect(reason, best_guess_kg=round(guess_kg, 2))
    if low_kg <= mass_kg <= high_kg:
        return None
    return Suspect("implausible_value")


def suspect_energy(energy_kcal: float) -> Suspect | None:
    """Judge one meal's energy, kcal: above 6000 a digit slipped, most likely by a factor of ten.

    Returns None when it is plausible. Common practice, no source.
    """
    if not isfinite(energy_kcal) or energy_kcal < 0.0:
        return Suspect("implausible_value")
    if energy_kcal <= PLAUSIBLE_MEAL_KCAL:
        return None
    tenth_kcal = energy_kcal / 10.0
    if tenth_kcal > PLAUSIBLE_MEAL_KCAL:
        return Suspect("implausible_value")
    return Suspect("slipped_decimal", best_guess_kcal=round(tenth_kcal, 1))

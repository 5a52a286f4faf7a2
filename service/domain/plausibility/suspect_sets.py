"""Suspect sets: what was probably typed in another unit or with a digit too many, judged against earlier sessions.

A set is measured by the one-repetition maximum that it implies, body-weight lifts by the whole system. Progress, a
return after a pause, a heavy day after light ones are never suspect: the yardstick is the *best* of the earlier
sessions, and the less is known, the more is let pass. Too light a load harms nobody and is suspect only where another
unit or decimal point gives exactly the last load. All bounds are common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import inf
from typing import NamedTuple

from service.domain.plausibility.suspect_readings import KG_PER_LB
from service.domain.strength.repetitions import factor_of_one_set
from service.domain.strength.sets import TYPICAL_MASS_KG, USUAL_RIR, LiftSet, SessionLift
from service.domain.training.exercise import Exercise

SETTLED_SESSIONS = 3  # before so many sessions of a lift its loads are still being found out
HEAVY_RATIOS = (1.5, 1.8, inf)  # of the best earlier maximum; by how many of two things are open: see `_Lift.most_kg`
FIRST_RATIO = 4.0  # of an average trained man's maximum: a first session above it would be near a record
GUESS_RATIOS = (0.75, 1.25)  # of the best earlier maximum, within which a corrected load is believed
EXACT_SHARE = 0.001  # how near to the last load the correction of a light one must come
RELIABLE_REPS = 20.0  # more say no more of the maximum
MOST_REPS = 60  # in one set of a loaded lift
REPS_RATIO = 2.0  # of the most repetitions in earlier sessions, above which more than MOST_REPS are suspect

_UNITS = (("pounds_for_kilograms", KG_PER_LB), ("kilograms_for_pounds", 1.0 / KG_PER_LB))
_CORRECTIONS = (*_UNITS, ("slipped_decimal", 0.1), ("slipped_decimal", 10.0))


@dataclass(frozen=True)
class SuspectSet:
    """Why a set is suspect, and what was probably meant (None when nothing fits)."""

    position: int  # among the sets given
    reason: str  # pounds_for_kilograms, kilograms_for_pounds, slipped_decimal, implausible_load, implausible_reps
    best_guess_kg: float | None = None  # external load, assistance negative
    best_guess_reps: int | None = None


class Shown(NamedTuple):
    """What an accepted session showed of a lift."""

    lift: SessionLift
    best_kg: float  # the best maximum, by its top set or by all its sets; 0: it measured none


def shown(exercise: Exercise, lift: SessionLift) -> Shown:
    """What a session of an exercise shows to those after it."""
    maximum_kg = lift.body_mass_coefficient * TYPICAL_MASS_KG + lift.intercept_kg
    if maximum_kg <= 0.0:
        return Shown(lift, 0.0)
    return Shown(lift, max(maximum_kg, _implied_kg(exercise, lift.top_external_kg, lift.top_reps, lift.top_rir)))


def judge_sets(
    exercise: Exercise, sets: Sequence[LiftSet], earlier: Sequence[Shown], *, deload: bool = False
) -> list[SuspectSet]:
    """The suspect ones among a session's sets of one exercise; warm-ups and failed attempts never are.

    Parameters: `earlier`, the lift's accepted sessions of the last months, oldest first; `deload`, whether the session
    was done as one, when no load is too light.
    """
    work = [(position, one) for position, one in enumerate(sets) if one.kind != "warm_up" and one.counted > 0]
    if work and _are_usual(exercise, [one for _, one in work], max([one.best_kg for one in earlier], default=0.0)):
        return []
    lift = _Lift(exercise, tuple([one for one in earlier if one.best_kg > 0.0]))
    found = [lift.suspect_reps(position, one) or lift.suspect_heavy(position, one) for position, one in work]
    if not deload and work:
        top = max(one.external_kg for _, one in work)
        found += [lift.suspect_light(position, one) for position, one in work if one.external_kg == top]
    return [suspect for suspect in found if suspect is not None]


def _are_usual(exercise: Exercise, sets: Sequence[LiftSet], best_kg: float) -> bool:
    """Whether no set is heavy, light or long by any of the yardsticks; never so where nothing earlier is known."""
    if best_kg <= 0.0 or max([one.reps for one in sets]) > MOST_REPS:
        return False
    implied_kg = [_implied_kg(exercise, one.external_kg, one.reps, one.rir) for one in sets]
    return best_kg <= HEAVY_RATIOS[0] * min(implied_kg) and max(implied_kg) <= HEAVY_RATIOS[0] * best_kg


def _implied_kg(exercise: Exercise, external_kg: float, reps: int, rir: float | None) -> float:
    """The maximum that a set implies."""
    load = exercise.body_mass_share * TYPICAL_MASS_KG + external_kg
    effective = min(reps + (USUAL_RIR if rir is None else rir), RELIABLE_REPS)
    return max(load, 0.0) * factor_of_one_set(effective, exercise.repetition_curve)


@dataclass(frozen=True)
class _Lift:
    """An exercise and what is known of the athlete in it."""

    exercise: Exercise
    earlier: tuple[Shown, ...]

    def implied_kg(self, external_kg: float, reps: int, rir: float | None) -> float:
        """The maximum that a set implies."""
        return _implied_kg(self.exercise, external_kg, reps, rir)

    @cached_property
    def best_kg(self) -> float:
        """The best maximum of the earlier sessions."""
        return max([one.best_kg for one in self.earlier])

    def most_kg(self, implied_kg: float) -> float:
        """The most that is let pass. Open may be how much the athlete lifts, and whether it is much for anybody."""
        ordinary_kg = self.exercise.typical_ratio * TYPICAL_MASS_KG
        if not self.earlier:
            return FIRST_RATIO * ordinary_kg
        unknown = (len(self.earlier) < SETTLED_SESSIONS) + (implied_kg <= ordinary_kg)
        return HEAVY_RATIOS[unknown] * self.best_kg

    def suspect_heavy(self, position: int, one: LiftSet) -> SuspectSet | None:
        implied = self.implied_kg(one.external_kg, one.reps, one.rir)
        if implied <= self.most_kg(implied):
            return None
        for reason, factor in _CORRECTIONS:
            guess = one.external_kg * factor
            if self.earlier and guess < one.external_kg and self._fits(guess, one):
                return SuspectSet(position, reason, best_guess_kg=round(guess, 2))
        return SuspectSet(position, "implausible_load")

    def _fits(self, external_kg: float, one: LiftSet) -> bool:
        low, high = GUESS_RATIOS
        return low <= self.implied_kg(external_kg, one.reps, one.rir) / self.best_kg <= high

    def suspect_light(self, position: int, one: LiftSet) -> SuspectSet | None:
        """Only where a unit or a digit gives exactly the last load."""
        if not self.earlier or self.implied_kg(one.external_kg, one.reps, one.rir) * HEAVY_RATIOS[0] >= self.best_kg:
            return None
        usual = self.earlier[-1].lift.top_external_kg
        for reason, factor in _CORRECTIONS:
            guess = one.external_kg * factor
            if guess > one.external_kg and abs(guess - usual) <= EXACT_SHARE * abs(usual):
                return SuspectSet(position, reason, best_guess_kg=round(guess, 2))
        return None

    def suspect_reps(self, position: int, one: LiftSet) -> SuspectSet | None:
        if one.reps <= MOST_REPS or self.exercise.counts != "reps":
            return None
        if not self.earlier:
            loaded = self.exercise.body_mass_share == 0.0 and one.external_kg > 0.0
            return SuspectSet(position, "implausible_reps") if loaded else None
        most = max(session.lift.top_reps for session in self.earlier)
        if one.reps <= REPS_RATIO * most:
            return None
        tenth, rest = divmod(one.reps, 10)
        fits = rest == 0 and most / REPS_RATIO <= tenth <= REPS_RATIO * most
        return SuspectSet(position, "implausible_reps", best_guess_reps=tenth if fits else None)

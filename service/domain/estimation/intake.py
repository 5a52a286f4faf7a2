"""What was eaten on a day, on the logging scale, as mean and variance: full, partial, doubtful and empty days."""

from dataclasses import dataclass, fields

import numpy as np

from service.domain import normal
from service.domain.records import Bools, Floats, FoodState, Ints

DAY_SD = 0.18  # of a day's intake around the athlete's usual share of the target: adherence 12–20 %, weekends
LOG_SD = 0.05  # of a completely logged day: reporting from day to day
SHARE_DAILY_SD = 0.03  # how fast the usual share of the target may move
SHARE_START_SD = 0.10
SHARE_SWITCH_SD = 0.07
FAST_SD_KCAL = 60.0
NOT_LOGGED, UNKNOWN, PARTIAL, COMPLETE, FAST = map(int, FoodState)  # arrays compare faster with plain numbers
GROSS, GROSS_SD = 2.5, 8.0  # beyond both a day without a word is a slip
GROSS_COMPLETE = 3.5  # what is declared complete was eaten, up to here
PARTIAL_USUAL = 0.10  # a day with meals and no word about completeness is only part of a day, at first


@dataclass(frozen=True)
class Intake:
    """A day's intake, kcal logged scale, all (athletes,)."""

    mean: Floats
    variance: Floats
    unlogged: Floats  # part of the day that nobody wrote down, kcal expected: what an excess applies to
    complete: Floats  # probability that the log is whole


def of_day(
    logged_kcal: Floats, state: Ints, plan_kcal: Floats, share: Floats, share_variance: Floats, partial_prior: Floats
) -> Intake:
    """Mean and variance of the day's intake; all arrays (athletes,).

    `plan_kcal` target or maintenance, `share` usual logged share of it with `share_variance`. Not logged: the usual
    day. Complete: the log. The rest is for `_doubtful`.
    """
    usual = share * plan_kcal
    spread = np.sqrt(DAY_SD**2 + share_variance) * plan_kcal
    logged = np.where(np.isnan(logged_kcal), 0.0, logged_kcal)
    silent_most = np.maximum(GROSS * usual, usual + GROSS_SD * spread)
    gross = logged > np.where(state == COMPLETE, GROSS_COMPLETE * usual, silent_most)
    empty = np.isnan(logged_kcal) | (state == NOT_LOGGED) | gross
    unlogged = np.where(empty, usual, 0.0)
    intake = Intake(
        mean=unlogged + np.where(empty, 0.0, logged),
        variance=np.where(empty, spread, LOG_SD * logged) ** 2,
        unlogged=unlogged,
        complete=(~empty).astype(np.float64),
    )
    rows = np.flatnonzero(~empty & ((state == UNKNOWN) | (state == PARTIAL)))
    if rows.size:
        said_partial = state[rows] == PARTIAL
        found = _doubtful(logged[rows], said_partial, usual[rows], spread[rows], partial_prior[rows])
        for f in fields(Intake):
            getattr(intake, f.name)[rows] = getattr(found, f.name)
    fast = np.flatnonzero(state == FAST)
    intake.mean[fast], intake.variance[fast] = 0.0, FAST_SD_KCAL**2
    intake.unlogged[fast], intake.complete[fast] = 0.0, 1.0
    return intake


def _doubtful(logged: Floats, said_partial: Bools, usual: Floats, spread: Floats, partial_prior: Floats) -> Intake:
    """Days with meals that are not known to be whole; all arrays (days,).

    Partial: a normal day known to exceed the log. Meals without a word: partial or whole, weighed by how likely so
    little (or so much) would be on a whole day (Bayes), part of a day being uniform between nothing and a usual day.
    """
    z = (logged - usual) / spread
    whole = (1.0 - partial_prior) * normal.density(z) / spread
    part = np.where(logged < usual + spread, partial_prior / (usual + spread), 0.0)
    complete = np.where(z > 1.0, 1.0, whole / np.maximum(whole + part, 1e-300))
    complete = np.where(said_partial, 0.0, complete)
    above, above_variance = normal.truncated_below(usual, spread, logged)
    mean = complete * logged + (1.0 - complete) * above
    whole_variance = (LOG_SD * logged) ** 2
    variance = complete * (whole_variance + (logged - mean) ** 2) + (1.0 - complete) * (
        above_variance + (above - mean) ** 2
    )
    return Intake(mean, variance, (1.0 - complete) * np.maximum(above - logged, 0.0), complete)


def learn_share(
    share: Floats, variance: Floats, intake: Intake, logged_kcal: Floats, plan_kcal: Floats, fast: Bools
) -> tuple[Floats, Floats]:
    """The usual logged share of the target and its variance after a day; all arrays (athletes,)."""
    weight = np.where(fast, 0.0, intake.complete)
    distance = np.where(weight > 0.0, logged_kcal / plan_kcal - share, 0.0)
    gain = variance * weight
    gain /= gain + DAY_SD**2
    return share + gain * np.minimum(np.maximum(distance, -0.5), 0.5), variance * (1.0 - gain) + SHARE_DAILY_SD**2


def learn_habit(complete_days: Floats, silent_days: Floats) -> Floats:
    """Prior probability that a silent day is partial: higher for who usually says "complete"; arrays (athletes,)."""
    return PARTIAL_USUAL + 0.4 * complete_days / (complete_days + silent_days + 5.0)


def carbohydrate(
    carbohydrate_g: Floats, logged_kcal: Floats, whole: Bools, usual_share: Floats
) -> tuple[Floats, Floats]:
    """Carbohydrate share of the day's energy against the athlete's usual one, and that one after the day.

    All arrays (athletes,); 1 where the day says nothing, NaN while no usual share is known.
    """
    share = carbohydrate_g * 4.0 / np.maximum(logged_kcal, 1.0)
    known = whole & ~np.isnan(share)
    base = np.where(np.isnan(usual_share), share, usual_share)
    relative = np.minimum(share / np.maximum(base, 0.05), 3.0)
    return np.where(known, relative, 1.0), np.where(known, base + 0.05 * (share - base), usual_share)

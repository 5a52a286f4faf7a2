"""What was eaten on a day, on the logging scale, as mean and variance: full, partial, unsaid and empty days."""

from dataclasses import dataclass, field, replace

import numpy as np

from service.domain import normal
from service.domain.estimation.day import Day
from service.domain.estimation.initial import initially
from service.domain.physiology.energy import CARBOHYDRATE_KCAL_PER_G
from service.domain.records import Bools, Floats, FoodState, Ints, put

DAY_SD = 0.18  # share of the plan, of a day around the athlete's usual share: adherence 12–20 %, weekends; judged
LOG_SD = 0.05  # share of the log, of a complete day: reporting from day to day; judged
SHARE_START_SD = 0.10  # share of the plan, of the usual share before any log; judged
SHARE_DAILY_SD = 0.03  # share of the plan per day: how fast the usual share may move; judged
SHARE_SWITCH_SD = 0.07  # share of the plan, added at a phase switch; judged
SHARE_KEPT_AT_SWITCH = 0.5  # share of the deviation from the plan that outlives a phase; judged
MOST_DEVIATION = 0.5  # share of the plan, of one day in the usual share; judged
FAST_SD_KCAL = 60.0  # kcal, of a declared fast: drinks; judged
NOT_LOGGED, UNKNOWN, PARTIAL, COMPLETE, FAST = map(int, FoodState)  # arrays compare faster with plain numbers
SUSPECT_SHARE, SUSPECT_SD = 2.5, 8.0  # of the usual day, and sd: a day without a word beyond both is suspect; judged
SUSPECT_SHARE_COMPLETE = 3.5  # of the usual day: what is declared complete was eaten, up to here; judged
PARTIAL_USUAL = 0.10  # probability that a day with meals and no word is only part of a day, at first; judged
PARTIAL_LEARNED, HABIT_DAYS = 0.4, 5.0  # probability added for who always says "complete"; days to learn it; judged
REMEMBERED_DAYS = 14.0  # d without food log and target after which nothing says any more what is eaten; judged
LEAST_PLAN_KCAL = 500.0  # kcal: a guard
CARBOHYDRATE_LEARNED = 0.05  # share of a day's in the usual carbohydrate share; judged
CARBOHYDRATE_MOST, LEAST_CARBOHYDRATE_SHARE = 3.0, 0.05  # of the usual share, and of energy: guards


@dataclass(frozen=True)
class Intake:
    """A day's intake, kcal logged scale, all (athletes,)."""

    mean: Floats
    variance: Floats
    unlogged: Floats  # part of the day that nobody wrote down, kcal expected: what an excess applies to
    complete: Floats  # probability that the log is whole


@dataclass(frozen=True)
class FoodHabit:
    """How an athlete eats and logs, as learnt from the days so far; arrays (athletes,)."""

    share: Floats = field(metadata=initially(1.0))  # usual logged share of the target
    share_variance: Floats = field(metadata=initially(SHARE_START_SD**2))
    carbohydrate_share: Floats = field(metadata=initially(np.nan))  # usual, of logged energy; NaN before the first
    complete_days: Floats  # declared complete
    unsaid_days: Floats  # with meals and no word about completeness
    whole_days: Floats  # with a whole food log, as a sum of probabilities
    target_kcal: Floats = field(metadata=initially(np.nan))  # the last one
    days_without: Floats = field(metadata=initially(np.inf))  # since food was last logged; inf = never
    unknown: Bools = field(metadata=initially(False))  # whether nothing said what was eaten on the last day

    def ever_logged(self) -> Bools:
        """Who has logged food, (athletes,)."""
        return np.isfinite(self.days_without)

    def partial_probability(self) -> Floats:
        """Prior probability that an unsaid day is partial: higher for who usually says "complete"; (athletes,)."""
        return PARTIAL_USUAL + PARTIAL_LEARNED * self.complete_days / (
            self.complete_days + self.unsaid_days + HABIT_DAYS
        )

    def with_targets(self, target_kcal: Floats, switch: Bools) -> "FoodHabit":
        """The habit on a day with these targets; a phase that begins (`switch`) may change how they are followed."""
        share, variance = self.share, self.share_variance
        if switch.any():
            share = np.where(switch, 1.0 + SHARE_KEPT_AT_SWITCH * (share - 1.0), share)
            variance = np.where(switch, variance + SHARE_SWITCH_SD**2, variance)
        target_kcal = np.where(np.isnan(target_kcal), self.target_kcal, target_kcal)
        return replace(self, share=share, share_variance=variance, target_kcal=target_kcal)


@dataclass(frozen=True)
class Eaten:
    """A day's intake and what goes with it."""

    intake: Intake
    carbohydrate: Floats  # (athletes,), carbohydrate share of the day's energy over the usual one; 1 where unknown
    unknown: Bools  # (athletes,), of whom nothing says what was eaten: no target in force, no food logged of late


def logs_food(day: Day) -> Bools:
    """Who logged food, or a fast, on a day; (athletes,)."""
    logged: Bools = ~np.isnan(day.intake_kcal) & (day.food_state != NOT_LOGGED)
    return logged


def eaten_on(day: Day, habit: FoodHabit, maintenance_kcal: Floats, started: Bools) -> tuple[Eaten, FoodHabit]:
    """The day's intake, and the habit with what the day teaches; the plan is the target, else maintenance."""
    target_kcal = np.where(np.isnan(day.target_kcal), maintenance_kcal, day.target_kcal)
    plan_kcal = np.maximum(target_kcal, LEAST_PLAN_KCAL)
    intake = of_day(
        day.intake_kcal, day.food_state, plan_kcal, habit.share, habit.share_variance, habit.partial_probability()
    )
    fast, days_without = day.food_state == FAST, np.where(logs_food(day), 0.0, habit.days_without + 1.0)
    unknown = np.isnan(day.target_kcal) & (days_without > REMEMBERED_DAYS) & started
    share, share_variance = learn_share(habit.share, habit.share_variance, intake, day.intake_kcal, plan_kcal, fast)
    carbohydrate, carbohydrate_share = carbohydrate_of(
        day.carbohydrate_g, day.intake_kcal, (intake.complete > 0.5) & ~fast, habit.carbohydrate_share
    )
    learnt = FoodHabit(
        share=share,
        share_variance=share_variance,
        carbohydrate_share=carbohydrate_share,
        complete_days=habit.complete_days + (day.food_state == COMPLETE),
        unsaid_days=habit.unsaid_days + (~np.isnan(day.intake_kcal) & (day.food_state == UNKNOWN)),
        whole_days=habit.whole_days + intake.complete * started,
        target_kcal=habit.target_kcal,
        days_without=days_without,
        unknown=unknown,
    )
    return Eaten(intake, carbohydrate, unknown), learnt


def where_unknown(unknown: Bools, intake: Intake, mean_kcal: Floats, unlogged_kcal: Floats | float) -> Intake:
    """The intake with another mean and another unlogged part where nothing says what was eaten; arrays (athletes,)."""
    return replace(
        intake,
        mean=np.where(unknown, mean_kcal, intake.mean),
        unlogged=np.where(unknown, unlogged_kcal, intake.unlogged),
    )


def of_day(
    logged_kcal: Floats, state: Ints, plan_kcal: Floats, share: Floats, share_variance: Floats, partial_prior: Floats
) -> Intake:
    """Mean and variance of the day's intake; all arrays (athletes,).

    `plan_kcal` target or maintenance, `share` usual logged share of it with `share_variance`. Not logged, or suspect:
    the usual day, share·plan ± √(0.18² + var share)·plan. Complete: the log ± 5 %. The rest is for `_perhaps_partial`.
    """
    usual = share * plan_kcal
    spread = np.sqrt(DAY_SD**2 + share_variance) * plan_kcal
    logged = np.where(np.isnan(logged_kcal), 0.0, logged_kcal)
    unsaid_most = np.maximum(SUSPECT_SHARE * usual, usual + SUSPECT_SD * spread)
    suspect = logged > np.where(state == COMPLETE, SUSPECT_SHARE_COMPLETE * usual, unsaid_most)
    empty = np.isnan(logged_kcal) | (state == NOT_LOGGED) | suspect
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
        put(intake, rows, _perhaps_partial(logged[rows], said_partial, usual[rows], spread[rows], partial_prior[rows]))
    fast = np.flatnonzero(state == FAST)
    intake.mean[fast], intake.variance[fast] = 0.0, FAST_SD_KCAL**2
    intake.unlogged[fast], intake.complete[fast] = 0.0, 1.0
    return intake


def _perhaps_partial(
    logged: Floats, said_partial: Bools, usual: Floats, spread: Floats, partial_prior: Floats
) -> Intake:
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
    """The usual logged share s of the target and its variance P after a day; all arrays (athletes,).

    s' = s + k·(logged/plan − s), k = P·w/(P·w + 0.18²), w the probability that the log is whole; P' = P(1 − k) + 0.03².
    """
    weight = np.where(fast, 0.0, intake.complete)
    distance = np.where(weight > 0.0, logged_kcal / plan_kcal - share, 0.0)
    gain = variance * weight
    gain /= gain + DAY_SD**2
    moved = share + gain * np.minimum(np.maximum(distance, -MOST_DEVIATION), MOST_DEVIATION)
    return moved, variance * (1.0 - gain) + SHARE_DAILY_SD**2


def carbohydrate_of(
    carbohydrate_g: Floats, logged_kcal: Floats, whole: Bools, usual_share: Floats
) -> tuple[Floats, Floats]:
    """Carbohydrate share of the day's energy against the athlete's usual one, and that one after the day.

    All arrays (athletes,); 1 where the day says nothing, NaN while no usual share is known.
    """
    share = carbohydrate_g * CARBOHYDRATE_KCAL_PER_G / np.maximum(logged_kcal, 1.0)
    known = whole & ~np.isnan(share)
    base = np.where(np.isnan(usual_share), share, usual_share)
    relative = np.minimum(share / np.maximum(base, LEAST_CARBOHYDRATE_SHARE), CARBOHYDRATE_MOST)
    return np.where(known, relative, 1.0), np.where(known, base + CARBOHYDRATE_LEARNED * (share - base), usual_share)

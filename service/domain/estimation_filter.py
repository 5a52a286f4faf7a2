"""The causal filter of `estimation`: one athlete-day after the other, batched, with a state that can be saved."""

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from . import estimation_intake, estimation_model, kalman
from .estimation_model import (
    CYCLE_COS,
    CYCLE_SIN,
    EXCESS,
    GUT,
    MAINTENANCE,
    SCALE,
    STATES,
    TISSUE,
    TRANSFER,
    WATER,
    WEEK_COS,
    WEEK_SIN,
)
from .records import Athletes, Bools, DailyLog, Floats, FoodState, Ints, PhaseKind

WEEK = 7
STUDENT_FREEDOM = 4.0  # tails of a weigh-in: clothes, travel, illness
GROSS_KG, GROSS_SD = 3.5, 6.0  # beyond both a weigh-in is a slip of the finger and left out
NOISE_PRIOR_DAYS = 20.0
CYCLE_DAYS = 28.0


@dataclass(frozen=True)
class FilterState:
    """Everything the filter remembers of each athlete at the end of a day; the batch is the last axis of each array.

    Saved and restored it continues to the same numbers as a full run.
    """

    started: Bools
    mean: Floats  # (states, athletes) for the next morning
    cov: Floats  # (states, states, athletes)
    reference_kcal: Floats
    transfer_kg_per_kcal: Floats
    gain_ratio: Floats
    log_maintenance: Floats  # prior, logged scale
    expenditure_sd: Floats  # prior, of the logarithm
    structure_kcal: Floats  # change of maintenance since the start that mass and intake explain
    days: Floats  # since the start, that day included
    water: Floats  # relative intake, as the water follows it
    water_variance: Floats
    adaptation: Floats
    carbohydrate_share: Floats  # usual, of logged energy; NaN before the first
    share: Floats  # usual logged share of the target
    share_variance: Floats
    complete_days: Floats
    silent_days: Floats
    last_target: Floats
    intake_week: Floats  # (7, athletes) oldest first
    intake_variance_week: Floats
    unlogged_week: Floats
    water_weeks: Floats  # (14, athletes)
    noise_scale_sum: Floats
    noise_scale_days: Floats
    fat_mean: Floats  # (2, athletes): kg, points
    fat_cov: Floats
    cycle_day: Floats  # since the last menstruation started; NaN = never logged
    cycle_days: Floats
    weighed_days: Floats
    logged_days: Floats  # with a whole food log, as a sum of probabilities
    maintenance_prior_sd: Floats
    rejected_kg: Floats  # the last weigh-in when it was left out, else NaN


@dataclass(frozen=True)
class Day:
    """What is told of one calendar day; arrays (athletes,)."""

    date: np.datetime64
    mass_kg: Floats
    intake_kcal: Floats
    carbohydrate_g: Floats
    food_state: Ints
    target_kcal: Floats
    phase: Ints
    phase_day: Ints
    menstruation_started: Bools
    body_fat_pct: Floats
    body_fat_se_pct: Floats


@dataclass(frozen=True)
class Step:
    """What a day did, for outputs and smoother; arrays with the athletes last."""

    mean: Floats  # that morning, given all of the day's data
    cov: Floats
    updates: tuple[kalman.Update, ...]
    base: Floats  # prior transfer in force, kg per kcal, partition of loss or gain included
    transfer: Floats  # base × the relative transfer
    per_transfer: Floats  # derivative of the tissue change with respect to the relative transfer, kg
    unlogged: Floats  # kcal
    intake_week: Floats  # mean of the last seven days, kcal, without the excess
    intake_week_variance: Floats
    unlogged_week: Floats
    water_now: Floats  # mean water driver of the last seven days
    water_before: Floats  # and of the seven before
    cycle_now: Floats  # (2, athletes)
    cycle_before: Floats
    fat_mean: Floats
    fat_cov: Floats
    structure_kcal: Floats
    cut: Bools
    outlier: Bools
    new_scale: Bools
    started: Bools
    days: Floats


def day_of(log: DailyLog, t: int, rows: slice) -> Day:
    """Column `t` of a log for some athletes, contiguous."""

    def column(values: NDArray[np.generic]) -> NDArray[np.generic]:
        return np.ascontiguousarray(values[rows, t])

    return Day(date=log.days[t], **{f.name: column(getattr(log, f.name)) for f in fields(Day) if f.name != "date"})  # type: ignore[arg-type]


def blank(count: int) -> FilterState:
    """The state of `count` athletes of whom nothing is known yet."""
    shapes: dict[str, tuple[int, ...]] = {
        "mean": (STATES, count),
        "cov": (STATES, STATES, count),
        "intake_week": (WEEK, count),
        "intake_variance_week": (WEEK, count),
        "unlogged_week": (WEEK, count),
        "water_weeks": (2 * WEEK, count),
        "fat_mean": (2, count),
        "fat_cov": (2, 2, count),
    }
    values = {f.name: np.zeros(shapes.get(f.name, (count,))) for f in fields(FilterState)}
    for name in ("reference_kcal", "transfer_kg_per_kcal", "gain_ratio", "share", "cycle_days", "expenditure_sd"):
        values[name] = np.ones(count)
    return FilterState(**{**values, "started": np.zeros(count, dtype=np.bool_)})  # type: ignore[arg-type]


def _begin(state: FilterState, athletes: Athletes, day: Day) -> FilterState:
    """Set up the athletes whose first logged mass or intake is today."""
    first = ~state.started & ~(np.isnan(day.mass_kg) & np.isnan(day.intake_kcal))
    if not first.any():
        return state
    who = np.flatnonzero(first)
    year = 1970.0 + float(day.date.astype(np.int64)) / 365.2425
    known = estimation_model.Start(
        male=athletes.male[who],
        age_y=year - athletes.birth_year[who],
        height_cm=athletes.height_cm[who],
        activity_factor=athletes.activity_factor[who],
        mass_kg=day.mass_kg[who],
        body_fat_pct=day.body_fat_pct[who],
        body_fat_se_pct=day.body_fat_se_pct[who],
        target_kcal=day.target_kcal[who],
        phase=day.phase[who],
    )
    prior = estimation_model.prior(known)
    fresh = blank(who.shape[0])
    reference = prior.reference_kcal
    fresh = replace(
        fresh,
        started=np.ones(who.shape[0], dtype=np.bool_),
        mean=prior.mean,
        cov=prior.cov,
        reference_kcal=reference,
        transfer_kg_per_kcal=prior.transfer_kg_per_kcal,
        gain_ratio=prior.gain_ratio,
        log_maintenance=prior.log_maintenance,
        expenditure_sd=prior.expenditure_sd,
        carbohydrate_share=np.full(who.shape[0], np.nan),
        share_variance=np.full(who.shape[0], estimation_intake.SHARE_START_SD**2),
        last_target=np.full(who.shape[0], np.nan),
        intake_week=np.repeat(reference[None], WEEK, axis=0),
        intake_variance_week=np.repeat((0.15 * reference[None]) ** 2, WEEK, axis=0),
        fat_mean=prior.fat_mean,
        fat_cov=prior.fat_cov,
        cycle_day=np.full(who.shape[0], np.nan),
        rejected_kg=np.full(who.shape[0], np.nan),
        cycle_days=np.full(who.shape[0], CYCLE_DAYS),
        maintenance_prior_sd=np.sqrt(prior.cov[MAINTENANCE, MAINTENANCE]),
    )
    merged = {}
    for f in fields(FilterState):
        values = np.array(getattr(state, f.name))
        values[..., who] = getattr(fresh, f.name)
        merged[f.name] = values
    return FilterState(**merged)


def advance(state: FilterState, athletes: Athletes, day: Day) -> tuple[FilterState, Step]:
    """Take in one day: weigh-in, measurement, target, then food, and move on to the next morning.

    `athletes` and `day` describe the same athletes as `state`. Returns the state for the next day and the day's step.
    """
    state = _begin(state, athletes, day)
    mean, cov = state.mean.copy(), state.cov.copy()
    state, updates, cycle, outlier = _observe(state, mean, cov, day)
    fat_mean, fat_cov = _measure_fat(state, mean, day)
    intake, state = _eat(state, mean, day)

    balance = intake.mean + intake.unlogged * mean[EXCESS] - mean[MAINTENANCE]
    weekly = _ordered_mean(state.intake_week) + _ordered_mean(state.unlogged_week) * mean[EXCESS] - mean[MAINTENANCE]
    surplus = 0.5 * (1.0 + weekly / np.sqrt(weekly * weekly + 150.0**2))
    base = state.transfer_kg_per_kcal * (1.0 + (state.gain_ratio - 1.0) * surplus)
    transfer = base * mean[TRANSFER]
    step = Step(
        mean=mean.copy(),
        cov=cov.copy(),
        updates=updates,
        base=base,
        transfer=transfer,
        per_transfer=base * balance,
        unlogged=intake.unlogged,
        intake_week=_ordered_mean(state.intake_week),
        intake_week_variance=_ordered_mean(state.intake_variance_week) / WEEK,
        unlogged_week=_ordered_mean(state.unlogged_week),
        water_now=_ordered_mean(state.water_weeks[WEEK:]),
        water_before=_ordered_mean(state.water_weeks[:WEEK]),
        cycle_now=cycle,
        cycle_before=_cycle_at(state, day, -float(WEEK)),
        fat_mean=fat_mean,
        fat_cov=fat_cov,
        structure_kcal=state.structure_kcal,
        cut=day.phase == PhaseKind.CUT,
        outlier=outlier,
        new_scale=np.zeros_like(outlier),
        started=state.started,
        days=state.days + 1.0,
    )
    return _overnight(state, step, intake, balance, mean, cov), step


def _ordered_mean(values: Floats) -> Floats:
    total: Floats = values[0].copy()
    for row in values[1:]:
        total += row
    total /= values.shape[0]
    return total


def _cycle_at(state: FilterState, day: Day, offset_days: float) -> Floats:
    """Cosine and sine of the menstrual cycle, (2, athletes); by the calendar until a start was logged."""
    calendar = float(day.date.astype(np.int64) % int(CYCLE_DAYS))
    logged = ~np.isnan(state.cycle_day)
    at = np.where(logged, np.where(logged, state.cycle_day, 0.0), calendar) + offset_days
    angle = 2.0 * np.pi * at / state.cycle_days
    return np.stack([np.cos(angle), np.sin(angle)])


def _observe(
    state: FilterState, mean: Floats, cov: Floats, day: Day
) -> tuple[FilterState, tuple[kalman.Update, ...], Floats, Bools]:
    """Phase switch, cycle, target and weigh-in; changes `mean` and `cov` in place."""
    m = estimation_model
    count = mean.shape[1]
    switch = state.started & (day.phase_day == 1) & (state.days > 0.0)
    cov[MAINTENANCE, MAINTENANCE] += switch * (m.MAINTENANCE_SWITCH_SD * state.reference_kcal) ** 2
    cov[GUT, GUT] += switch * m.GUT_SWITCH_SD_KG**2
    state = _follow_cycle(state, mean, cov, day)

    new_target = state.started & ~np.isnan(day.target_kcal) & (np.isnan(state.last_target) | (day.phase_day == 1))
    target = np.where(new_target, day.target_kcal, np.nan)
    implied = target / (1.0 + m.phase_value(m.PHASE_SHARE, day.phase))
    spread = m.phase_value(m.TARGET_SD, day.phase) * np.where(np.isnan(state.last_target), 1.0, m.LATER_TARGET_WIDENING)
    h = np.zeros((STATES, count))
    h[MAINTENANCE] = 1.0
    told = kalman.update(mean, cov, h, implied, (spread * np.where(new_target, implied, 1.0)) ** 2)
    share = np.where(switch, 1.0 + 0.5 * (state.share - 1.0), state.share)
    share_variance = state.share_variance + switch * estimation_intake.SHARE_SWITCH_SD**2

    weekday = 2.0 * np.pi * (float((day.date.astype(np.int64) + 3) % WEEK) - 6.5) / WEEK
    cycle = _cycle_at(state, day, 0.0)
    h = np.zeros((STATES, count))
    h[TISSUE], h[WATER], h[GUT], h[SCALE] = 1.0, state.water, 1.0, 1.0
    h[WEEK_COS], h[WEEK_SIN] = np.cos(weekday), np.sin(weekday)
    h[CYCLE_COS], h[CYCLE_SIN] = cycle[0], cycle[1]
    noise_scale = (NOISE_PRIOR_DAYS + state.noise_scale_sum) / (NOISE_PRIOR_DAYS + state.noise_scale_days)
    noise = m.WEIGHING_SD_KG**2 * noise_scale + (mean[WATER] ** 2 + cov[WATER, WATER]) * state.water_variance
    mass = np.where(state.started, day.mass_kg, np.nan)
    innovation = mass - kalman.inner(h, mean)
    variance = kalman.inner(h, kalman.project(cov, h)) + noise
    z2 = innovation * innovation / variance
    gross = (np.abs(innovation) > GROSS_KG) & (z2 > GROSS_SD**2)
    weight = np.minimum((STUDENT_FREEDOM + 1.0) / (STUDENT_FREEDOM + np.where(np.isnan(z2), 0.0, z2)), 1.0)
    again = gross & (np.abs(mass - state.rejected_kg) < GROSS_KG)
    cov[TISSUE, TISSUE] += np.where(again, innovation * innovation, 0.0)
    gross &= ~again
    weight = np.where(again, 1.0, weight)
    weighed = kalman.update(
        mean, cov, h, np.where(gross, np.nan, mass), noise + variance * (1.0 / np.maximum(weight, 1e-6) - 1.0)
    )
    used = ~np.isnan(mass) & ~gross
    state = replace(
        state,
        share=share,
        share_variance=share_variance,
        last_target=np.where(np.isnan(day.target_kcal), state.last_target, day.target_kcal),
        noise_scale_sum=state.noise_scale_sum + np.where(used, np.minimum(np.where(used, z2, 0.0), 6.0), 0.0),
        noise_scale_days=state.noise_scale_days + used,
        weighed_days=state.weighed_days + used,
        rejected_kg=np.where(gross, mass, np.where(used, np.nan, state.rejected_kg)),
    )
    return state, (told, weighed), cycle, ~np.isnan(mass) & (z2 > 9.0)


def _follow_cycle(state: FilterState, mean: Floats, cov: Floats, day: Day) -> FilterState:
    """Take in a logged start of menstruation; the first one replaces the free rhythm by the known one."""
    begins = state.started & day.menstruation_started
    if not begins.any():
        return replace(state, cycle_day=state.cycle_day)
    first = np.flatnonzero(begins & np.isnan(state.cycle_day))
    for row, value in ((CYCLE_COS, estimation_model.CYCLE_MEAN_KG), (CYCLE_SIN, 0.0)):
        mean[row, first] = value
        cov[row, :, first] = 0.0
        cov[:, row, first] = 0.0
        cov[row, row, first] = estimation_model.CYCLE_SD_KG**2
    length = np.where(begins & (state.cycle_day >= 20.0) & (state.cycle_day <= 45.0), state.cycle_day, np.nan)
    learned = np.where(np.isnan(length), state.cycle_days, state.cycle_days + 0.4 * (length - state.cycle_days))
    return replace(state, cycle_day=np.where(begins, 0.0, state.cycle_day), cycle_days=learned)


def _measure_fat(state: FilterState, mean: Floats, day: Day) -> tuple[Floats, Floats]:
    """Fat mass and measurement bias after the day's measurement."""
    fat_mean, fat_cov = state.fat_mean.copy(), state.fat_cov.copy()
    value = np.where(state.started, day.body_fat_pct, np.nan)
    seen = ~np.isnan(value) & ~np.isnan(day.body_fat_se_pct)
    if not seen.any():
        return fat_mean, fat_cov
    se = np.where(seen, day.body_fat_se_pct, 1.0)
    share = estimation_model.FAT_BIAS_SHARE
    fat_cov[1, 1] = np.where(seen & (fat_cov[1, 1] == 0.0), (share * se) ** 2, fat_cov[1, 1])
    h = np.stack([100.0 / np.maximum(mean[TISSUE], 20.0), np.ones_like(value)])
    kalman.update(fat_mean, fat_cov, h, np.where(seen, value, np.nan), (1.0 - share**2) * se**2)
    return fat_mean, fat_cov


def _eat(state: FilterState, mean: Floats, day: Day) -> tuple[estimation_intake.Intake, FilterState]:
    """The day's intake, and what it teaches about the athlete's logging."""
    plan = np.maximum(np.where(np.isnan(day.target_kcal), mean[MAINTENANCE], day.target_kcal), 500.0)
    habit = estimation_intake.learn_habit(state.complete_days, state.silent_days)
    intake = estimation_intake.of_day(day.intake_kcal, day.food_state, plan, state.share, state.share_variance, habit)
    fast = day.food_state == FoodState.FAST
    share, share_variance = estimation_intake.learn_share(
        state.share, state.share_variance, intake, day.intake_kcal, plan, fast
    )
    carbohydrate = day.carbohydrate_g * 4.0 / np.maximum(day.intake_kcal, 1.0)
    known = ~np.isnan(carbohydrate) & (intake.complete > 0.5) & ~fast
    first = np.isnan(state.carbohydrate_share)
    usual = np.where(first, carbohydrate, state.carbohydrate_share)
    moved = np.where(known & ~first, usual + 0.05 * (carbohydrate - usual), usual)
    relative = np.where(known, np.clip(carbohydrate / np.where(known, np.maximum(usual, 0.05), 1.0), 0.0, 3.0), 1.0)
    eaten = (intake.mean + intake.unlogged * mean[EXCESS]) / state.reference_kcal
    follow = 1.0 - np.exp(-1.0 / estimation_model.WATER_DAYS)
    water = state.water + follow * (eaten * (0.5 + 0.5 * relative) - 1.0 - state.water)
    variance = (1.0 - follow) ** 2 * state.water_variance + follow**2 * intake.variance / state.reference_kcal**2
    told = ~np.isnan(day.intake_kcal)
    return intake, replace(
        state,
        share=share,
        share_variance=share_variance,
        complete_days=state.complete_days + (day.food_state == FoodState.COMPLETE),
        silent_days=state.silent_days + (told & (day.food_state == FoodState.UNKNOWN)),
        carbohydrate_share=np.where(known, moved, state.carbohydrate_share),
        water=water,
        water_variance=variance,
        intake_week=np.concatenate([state.intake_week[1:], intake.mean[None]]),
        intake_variance_week=np.concatenate([state.intake_variance_week[1:], intake.variance[None]]),
        unlogged_week=np.concatenate([state.unlogged_week[1:], intake.unlogged[None]]),
        water_weeks=np.concatenate([state.water_weeks[1:], state.water[None]]),
        logged_days=state.logged_days + intake.complete,
    )


def _overnight(
    state: FilterState,
    step: Step,
    intake: estimation_intake.Intake,
    balance: Floats,
    mean: Floats,
    cov: Floats,
) -> FilterState:
    """Move on to the next morning; changes `mean` and `cov` in place."""
    m = estimation_model
    change = step.transfer * balance
    eaten = (intake.mean + intake.unlogged * mean[EXCESS]) / state.reference_kcal - 1.0
    fade = 1.0 / m.ADAPTATION_DAYS
    adapted = fade * (eaten - state.adaptation)
    structural = m.MASS_KCAL_PER_KG * change + m.ADAPTATION * state.reference_kcal * adapted
    mean[TISSUE] += change
    mean[MAINTENANCE] = np.maximum(mean[MAINTENANCE] + structural, 600.0)
    mean[GUT] *= m.GUT_CORRELATION
    carry(cov, step)
    noise_scale = (NOISE_PRIOR_DAYS + state.noise_scale_sum) / (NOISE_PRIOR_DAYS + state.noise_scale_days)
    cov[TISSUE, TISSUE] += m.TISSUE_SD_KG**2 + step.transfer**2 * intake.variance
    cov[MAINTENANCE, MAINTENANCE] += (m.MAINTENANCE_SD * state.reference_kcal) ** 2
    cov[EXCESS, EXCESS] += m.EXCESS_DAILY_SD**2
    cov[WATER, WATER] += m.WATER_DAILY_SD_KG**2
    cov[GUT, GUT] += m.GUT_SD_KG**2 * (1.0 - m.GUT_CORRELATION**2) * noise_scale
    lean = 1.0 / (1.0 + np.maximum(step.fat_mean[0], 1.0) / 10.4)
    factor = np.where(change < 0.0, m.LEAN_LOSS, m.LEAN_GAIN)
    to_fat = change * (1.0 - np.minimum(lean * factor, 0.85))
    fat_mean = np.stack([step.fat_mean[0] + to_fat, step.fat_mean[1]])
    fat_cov = step.fat_cov.copy()
    fat_cov[0, 0] += 0.02**2
    return replace(
        state,
        mean=np.where(state.started, mean, state.mean),
        cov=np.where(state.started, cov, state.cov),
        structure_kcal=state.structure_kcal + structural,
        adaptation=state.adaptation + adapted,
        days=state.days + state.started,
        fat_mean=fat_mean,
        fat_cov=fat_cov,
        cycle_day=state.cycle_day + 1.0,
    )


def carry(cov: Floats, step: Step) -> None:
    """Covariance F·P·Fᵀ of the overnight change, in place; F is the identity but for tissue, maintenance and gut."""
    kappa = estimation_model.MASS_KCAL_PER_KG
    moved = _tissue_change(cov, step)
    cov[TISSUE] += moved
    cov[MAINTENANCE] += kappa * moved
    cov[GUT] *= estimation_model.GUT_CORRELATION
    by_column = cov.transpose(1, 0, 2)
    moved = _tissue_change(by_column, step)
    by_column[TISSUE] += moved
    by_column[MAINTENANCE] += kappa * moved
    by_column[GUT] *= estimation_model.GUT_CORRELATION


def _tissue_change(rows: Floats, step: Step) -> Floats:
    """Row of the linearised tissue change: −c·maintenance + (∂/∂transfer) + c·unlogged·excess."""
    result: Floats = (
        step.per_transfer * rows[TRANSFER]
        - step.transfer * rows[MAINTENANCE]
        + step.transfer * step.unlogged * rows[EXCESS]
    )
    return result


def carry_back(adjoint: Floats, information: Floats, step: Step) -> None:
    """Adjoint of `carry`, in place: λ ← Fᵀλ, Λ ← FᵀΛF."""
    for rows in (adjoint, information, information.transpose(1, 0, 2)):
        along = rows[TISSUE] + estimation_model.MASS_KCAL_PER_KG * rows[MAINTENANCE]
        rows[TRANSFER] += step.per_transfer * along
        rows[MAINTENANCE] -= step.transfer * along
        rows[EXCESS] += step.transfer * step.unlogged * along
        rows[GUT] *= estimation_model.GUT_CORRELATION


def join(states: list[FilterState]) -> FilterState:
    """The states of several batches as those of one."""
    return FilterState(
        **{f.name: np.concatenate([getattr(s, f.name) for s in states], axis=-1) for f in fields(FilterState)}
    )

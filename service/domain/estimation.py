"""Trend mass, rate of change, maintenance energy and body fat of many athletes from their logs, with intervals.

The model's full description follows with its proof; `estimation_model` holds states and spreads.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

import numpy as np

from . import estimation_branch as branch
from . import estimation_filter, estimation_model, estimation_state, kalman, normal
from .estimation_model import (
    CYCLE_COS,
    CYCLE_SIN,
    EXCESS,
    FLUID,
    MAINTENANCE,
    TISSUE,
    TRANSFER,
    WATER,
)
from .estimation_state import FilterState, Step
from .records import Athletes, Bools, DailyLog, Estimate, Floats, FoodState

CHUNK = 512  # athletes filtered together: states stay in the processor's cache and memory stays flat
FLUID_CHANGE = 1.0 - estimation_model.FLUID_CORRELATION**7  # of the slow fluid over a week, seen from its end
UNMODELLED_WATER_KG = 0.18  # physiological water of a week's mean that no driver explains
DEFICIT_SHARE = 0.05  # a true deficit below this share of maintenance is none


@dataclass(frozen=True)
class Estimates:
    """Results by athlete and day; NaN (or False) before an athlete's first logged mass or intake."""

    trend_mass_kg: Estimate
    rate_pct_per_week: Estimate  # of the scale: tissue and water
    tissue_rate_pct_per_week: Estimate
    maintenance_kcal: Estimate  # logged scale
    expenditure_kcal: Estimate  # true scale
    body_fat_pct: Estimate
    fat_mass_kg: Estimate
    p_loss_too_fast: Floats  # probability that tissue is lost faster than the upper rate
    p_not_in_deficit: Floats  # in a cut: probability that the deficit is under 5 % of maintenance; NaN outside cuts
    mass_outlier: Bools
    new_scale: Bools
    days_used: Floats  # weigh-ins in the estimate so far
    days_imputed: Floats  # days so far whose food was not (wholly) logged
    prior_share: Floats  # share of the starting variance of maintenance that is left
    state: FilterState  # at the end of the last day


_QUANTITIES = (
    "trend_mass_kg",
    "rate_pct_per_week",
    "tissue_rate_pct_per_week",
    "maintenance_kcal",
    "expenditure_kcal",
    "body_fat_pct",
    "fat_mass_kg",
)


def estimate(
    athletes: Athletes, log: DailyLog, *, upper_loss_rate_pct_per_week: float = 1.0, revised: bool = False
) -> Estimates:
    """Estimate every quantity for every athlete and day of the log.

    Causal by default: a value uses only what is dated up to its day. `revised` uses the whole log for each day; on the
    last day both agree. `upper_loss_rate_pct_per_week` is a positive share of body mass. Model, sources and validity:
    see the module. Raises ValueError when shapes disagree.
    """
    count, days = log.mass_kg.shape
    if athletes.male.shape != (count,) or log.days.shape != (days,):
        raise ValueError(f"a log of shape {log.mass_kg.shape} does not fit {athletes.male.shape[0]} athletes")
    shape = (count, days)
    out: dict[str, Floats] = {}
    states: list[FilterState] = []
    for rows in _chunks(count):
        some = Athletes(**{f.name: np.ascontiguousarray(getattr(athletes, f.name)[rows]) for f in fields(Athletes)})
        state = estimation_state.blank(some.male.shape[0])
        steps: list[Step] = []
        for t in range(days):
            state, step = estimation_filter.advance(state, some, estimation_state.day_of(log, t, rows))
            if revised:
                steps.append(step)
            _store(
                out, shape, rows, t, _results(state, step, step.main.mean, step.main.cov, upper_loss_rate_pct_per_week)
            )
        if revised:
            _revise(out, rows, state, steps, upper_loss_rate_pct_per_week)
        states.append(state)
    return _assemble(out, estimation_state.join(states))


def predict_mass(
    athletes: Athletes, estimates: Estimates, after: np.datetime64, intake_kcal: Floats, days: int = 7
) -> Estimate:
    """Predict trend mass in kg, shape (athletes,), `days` days after the last day of the estimates, `after`.

    `intake_kcal` (athletes,) is the planned intake on the logging scale; the usual deviation from plans is in the
    interval. NaN where nothing was logged yet.
    """
    count = intake_kcal.shape[0]
    unknown = np.full(count, np.nan)
    state = estimates.state
    result: dict[str, Floats] = {}
    for ahead in range(1, days + 1):
        day = estimation_state.Day(
            date=after + np.timedelta64(ahead, "D"),
            mass_kg=unknown,
            intake_kcal=unknown,
            carbohydrate_g=unknown,
            food_state=np.full(count, int(FoodState.NOT_LOGGED)),
            target_kcal=intake_kcal,
            phase=np.zeros(count, dtype=np.int64),
            phase_day=np.zeros(count, dtype=np.int64),
            menstruation_started=np.zeros(count, dtype=np.bool_),
            body_fat_pct=unknown,
            body_fat_se_pct=unknown,
        )
        state, step = estimation_filter.advance(state, athletes, day)
        result = _results(state, step, step.main.mean, step.main.cov, 1.0)
    mean, sd = result["trend_mass_kg"], result["trend_mass_kg:sd"]
    return Estimate(mean, sd, mean - normal.Z90 * sd, mean + normal.Z90 * sd)


def _chunks(count: int) -> Iterator[slice]:
    for first in range(0, count, CHUNK):
        yield slice(first, min(first + CHUNK, count))


def _store(out: dict[str, Floats], shape: tuple[int, int], rows: slice, t: int, values: dict[str, Floats]) -> None:
    for name, value in values.items():
        if name not in out:
            out[name] = np.empty(shape)
        out[name][rows, t] = value


def _results(state: FilterState, step: Step, mean: Floats, cov: Floats, upper_rate: float) -> dict[str, Floats]:
    """All outputs of one day from moments of the states; arrays (athletes,)."""
    result: dict[str, Floats] = {}

    def keep(name: str, centre: Floats, h: Floats, extra: Floats | float) -> Floats:
        variance = np.maximum(kalman.inner(h, kalman.project(cov, h)) + extra, 1e-12)
        sd: Floats = np.sqrt(variance)
        result[name], result[name + ":sd"] = centre, sd
        return sd

    lag, h, _ = _tissue_change(step, mean, LAG_WEIGHTS)
    trend = mean[TISSUE] + step.water_now * mean[WATER] + mean[FLUID] - lag
    trend += step.cycle_now[0] * mean[CYCLE_COS] + step.cycle_now[1] * mean[CYCLE_SIN]
    h *= -1.0
    h[TISSUE], h[WATER], h[FLUID] = 1.0, step.water_now, 1.0
    h[CYCLE_COS], h[CYCLE_SIN] = step.cycle_now
    keep("trend_mass_kg", trend, h, UNMODELLED_WATER_KG**2)

    share = 100.0 / np.maximum(mean[TISSUE], 20.0)
    change, h, variance = _tissue_change(step, mean, WEEK_WEIGHTS)
    rate = share * change
    rate_sd = keep("tissue_rate_pct_per_week", rate, share * h, share * share * variance)
    result["p_loss_too_fast"] = normal.tail((rate + upper_rate) / rate_sd)

    change, h, variance = _tissue_change(step, mean, SLOPE_WEIGHTS)
    h[WATER] = step.water_now - step.water_before
    h[FLUID] = FLUID_CHANGE
    h[CYCLE_COS] = step.cycle_now[0] - step.cycle_before[0]
    h[CYCLE_SIN] = step.cycle_now[1] - step.cycle_before[1]
    change = change + h[WATER] * mean[WATER] + FLUID_CHANGE * mean[FLUID]
    change = change + h[CYCLE_COS] * mean[CYCLE_COS] + h[CYCLE_SIN] * mean[CYCLE_SIN]
    variance = variance + 2.0 * UNMODELLED_WATER_KG**2
    keep("rate_pct_per_week", share * change, share * h, share * share * variance)

    h = np.zeros_like(mean)
    h[MAINTENANCE] = 1.0
    maintenance_sd = keep("maintenance_kcal", mean[MAINTENANCE].copy(), h, 0.0)
    maintenance = np.maximum(mean[MAINTENANCE], 300.0)
    eaten = _not_in_deficit(result, step, mean, cov, maintenance)
    _expenditure(result, state, step, maintenance, maintenance_sd, eaten)
    fat_kg, tissue_kg = step.fat_mean[0], np.maximum(mean[TISSUE], 20.0)
    fat_sd_kg: Floats = np.sqrt(step.fat_cov[0, 0])
    result["fat_mass_kg"], result["fat_mass_kg:sd"] = fat_kg.copy(), fat_sd_kg
    result["body_fat_pct"] = 100.0 * fat_kg / tissue_kg
    result["body_fat_pct:sd"] = 100.0 * fat_sd_kg / tissue_kg
    result["mass_outlier"] = step.outlier.astype(np.float64)
    result["new_scale"] = step.scale_adopted.astype(np.float64)
    result["days_used"], result["days_imputed"] = step.weighed_days, step.days - step.whole_days
    left = maintenance_sd / np.maximum(state.maintenance_prior_sd, 1e-9)
    result["prior_share"] = np.minimum(left * left, 1.0)
    return {name: np.where(step.started, value, np.nan) for name, value in result.items()}


# Weights of the last 14 days' food (oldest first, today last) in a change of tissue mass between mornings.
LAG_WEIGHTS = np.array([0, 0, 0, 0, 0, 0, 0, 1, 2, 3, 4, 5, 6, 0]) / 7.0  # from the mean of seven mornings to today's
WEEK_WEIGHTS = np.array([0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 0]) / 1.0  # over the last seven nights
SLOPE_WEIGHTS = np.array([1, 2, 3, 4, 5, 6, 7, 6, 5, 4, 3, 2, 1, 0]) / 7.0  # from the mean of seven to that of the next
TODAY_WEIGHTS = np.array([0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1]) / 7.0


def _tissue_change(step: Step, mean: Floats, weights: Floats) -> tuple[Floats, Floats, Floats]:
    """Tissue change in kg that the weighted days' food makes, its derivative by state, and its own variance."""
    weighted = estimation_filter.ordered_mean
    total, squares = float(weights.sum()), float((weights * weights).sum())
    unlogged = weighted(step.unlogged_days, weights)
    balance = weighted(step.intake_days, weights) + unlogged * mean[EXCESS] - total * mean[MAINTENANCE]
    drift = step.main.drift
    transfer = drift.base * mean[TRANSFER]
    h = np.zeros_like(mean)
    h[MAINTENANCE], h[EXCESS], h[TRANSFER] = -total * transfer, transfer * unlogged, drift.base * balance
    spread = transfer * transfer * weighted(step.intake_variance_days, weights * weights)
    return transfer * balance, h, spread + squares * estimation_model.TISSUE_SD_KG**2


def _not_in_deficit(result: dict[str, Floats], step: Step, mean: Floats, cov: Floats, maintenance: Floats) -> Floats:
    """Probability that the week's deficit is under 5 % of maintenance, in a cut; returns the week's mean intake."""
    weighted = estimation_filter.ordered_mean
    unlogged = weighted(step.unlogged_days, TODAY_WEIGHTS)
    eaten: Floats = weighted(step.intake_days, TODAY_WEIGHTS) + unlogged * mean[EXCESS]
    h = np.zeros_like(mean)
    h[MAINTENANCE], h[EXCESS] = eaten / maintenance**2, -unlogged / maintenance
    spread = weighted(step.intake_variance_days, TODAY_WEIGHTS * TODAY_WEIGHTS) / maintenance**2
    sd = np.sqrt(kalman.inner(h, kalman.project(cov, h)) + spread + 1e-12)
    in_deficit = normal.tail((DEFICIT_SHARE - (1.0 - eaten / maintenance)) / sd)
    result["p_not_in_deficit"] = np.where(step.cut, 1.0 - in_deficit, np.nan)
    return eaten


def _expenditure(
    result: dict[str, Floats],
    state: FilterState,
    step: Step,
    maintenance: Floats,
    maintenance_sd: Floats,
    eaten: Floats,
) -> None:
    """Expenditure on the true scale: what the logged scale says, divided by a reporting factor nobody sees.

    The distance of maintenance from its prior is shared between reporting factor and true expenditure in proportion
    to their variances; the rest of the reporting factor's spread stays in the interval.
    """
    m = estimation_model
    relative = np.log(np.maximum(maintenance - step.structure_kcal, 300.0)) - state.log_maintenance
    drifted = state.expenditure_sd**2 + m.MAINTENANCE_SD**2 * step.days
    part = m.REPORTING_SD**2 / (m.REPORTING_SD**2 + drifted)
    log_reporting = np.log(m.REPORTING_MEAN) + part * relative
    spent = (1.0 - m.THERMIC) * maintenance + m.THERMIC * eaten
    log_spent = np.log(np.maximum(spent, 300.0)) - log_reporting
    variance = ((1.0 - part) * maintenance_sd / maintenance) ** 2 + part * drifted
    centre, sd = np.exp(log_spent), np.sqrt(variance)
    result["expenditure_kcal"], result["expenditure_kcal:sd"] = centre, centre * sd
    result["expenditure_kcal:lo"] = np.exp(log_spent - normal.Z90 * sd)
    result["expenditure_kcal:hi"] = np.exp(log_spent + normal.Z90 * sd)


def _revise(out: dict[str, Floats], rows: slice, state: FilterState, steps: list[Step], upper_rate: float) -> None:
    """Run the smoother back over the days and replace the causal results of these rows.

    Where a new scale was adopted, the days of its suspicion are those of the branch that won: `other` says where the
    branch that survives was the other one on a day.
    """
    adjoint, information = np.zeros_like(state.mean), np.zeros_like(state.cov)
    other = np.zeros_like(state.started)
    shape = next(iter(out.values())).shape
    drift = None
    for t in range(len(steps) - 1, -1, -1):
        step = steps[t]
        main = estimation_filter.chosen_branch(step, other)
        if drift is not None:
            branch.carry_back(adjoint, information, main.drift)
        drift = main.drift
        mean, cov = kalman.corrected(main.mean, main.cov, adjoint, information)
        values = _results(state, replace(step, main=main), mean, cov, upper_rate)
        for name in ("mass_outlier", "new_scale", "days_used", "days_imputed", "prior_share"):
            values.pop(name)
        _store(out, shape, rows, t, values)
        for done in reversed(main.updates):
            kalman.adjoint_update(adjoint, information, done)
        other = (other ^ step.scale_adopted) & ~step.scale_begun


def _assemble(out: dict[str, Floats], state: FilterState) -> Estimates:
    made: dict[str, Estimate] = {}
    for name in _QUANTITIES:
        mean, sd = out[name], out[name + ":sd"]
        low = out.get(name + ":lo", mean - normal.Z90 * sd)
        high = out.get(name + ":hi", mean + normal.Z90 * sd)
        if name in ("body_fat_pct", "fat_mass_kg"):
            low = np.maximum(low, 0.0)
        made[name] = Estimate(mean, sd, low, high)
    return Estimates(
        **made,
        p_loss_too_fast=out["p_loss_too_fast"],
        p_not_in_deficit=out["p_not_in_deficit"],
        mass_outlier=out["mass_outlier"] == 1.0,
        new_scale=out["new_scale"] == 1.0,
        days_used=out["days_used"],
        days_imputed=out["days_imputed"],
        prior_share=out["prior_share"],
        state=state,
    )

"""From moments of the states to what is reported: means, standard deviations, bounds and probabilities of one day."""

from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from . import estimation_model as m
from . import kalman, normal
from .estimation_filter import weighted
from .estimation_model import CYCLE_COS, CYCLE_SIN, EXCESS, FLUID, MAINTENANCE, TISSUE, TRANSFER, WATER
from .estimation_state import FilterState, Step
from .records import Bools, Floats

FLUID_CHANGE = 1.0 - m.FLUID_CORRELATION**7  # of the slow fluid over a week, seen from its end
UNMODELLED_WATER_KG = 0.20  # physiological water of a week's mean that no driver explains

# Weights of the last 14 days' food (oldest first, today last) in a change of tissue mass between mornings.
LAG_WEIGHTS = np.array([0, 0, 0, 0, 0, 0, 0, 1, 2, 3, 4, 5, 6, 0]) / 7.0  # from the mean of seven mornings to today's
WEEK_WEIGHTS = np.array([0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 0]) / 1.0  # over the last seven nights
SLOPE_WEIGHTS = np.array([1, 2, 3, 4, 5, 6, 7, 6, 5, 4, 3, 2, 1, 0]) / 7.0  # from the mean of seven to that of the next
TODAY_WEIGHTS = np.array([0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1]) / 7.0

QUANTITIES = (
    "trend_mass_kg",
    "rate_pct_per_week",
    "tissue_rate_pct_per_week",
    "maintenance_kcal",
    "expenditure_kcal",
    "body_fat_pct",
    "fat_mass_kg",
)


@dataclass(frozen=True)
class Seen:
    """What the outputs need of some days, day after day along the last axis, (…, days × athletes)."""

    mean: Floats
    cov: Floats
    base: Floats
    intake_days: Floats
    intake_variance_days: Floats
    unlogged_days: Floats
    intake_week: Floats
    unlogged_week: Floats
    water_now: Floats
    water_before: Floats
    cycle_now: Floats
    cycle_before: Floats
    fat_mean: Floats
    fat_cov: Floats
    structure_kcal: Floats
    cut: Bools
    started: Bools
    days: Floats


def of_days(
    state: FilterState,
    steps: list[Step],
    moments: list[tuple[Floats, Floats]],
    upper_rate: float,
    no_deficit_pct: Floats,
) -> dict[str, Floats]:
    """All outputs of some days, arrays (days, athletes), NaN before an athlete's start; `…:sd` beside each quantity.

    `state` is one at or after the last day, `moments` are the states' means and covariances, causal or smoothed, by
    day; `upper_rate` in % of body mass per week; a deficit below `no_deficit_pct` (athletes,) of maintenance is
    none.
    """

    def along(values: list[Floats]) -> Floats:
        return np.concatenate(values, axis=-1) if len(values) > 1 else values[0]

    names = [f.name for f in fields(Seen)][3:]
    told: dict[str, Any] = {name: along([getattr(step, name) for step in steps]) for name in names}
    seen = Seen(
        along([mean for mean, _ in moments]),
        along([cov for _, cov in moments]),
        along([step.main.drift.base for step in steps]),
        **told,
    )
    starts = (state.maintenance_prior_sd, state.log_maintenance, state.expenditure_sd)
    prior_sd, log_maintenance, expenditure_sd = (np.tile(values, len(steps)) for values in starts)
    result: dict[str, Floats] = {}
    _mass(result, seen, upper_rate)
    result["maintenance_kcal"] = seen.mean[MAINTENANCE]
    result["maintenance_kcal:sd"] = np.sqrt(np.maximum(seen.cov[MAINTENANCE, MAINTENANCE], 1e-12))
    maintenance = np.maximum(seen.mean[MAINTENANCE], 300.0)
    eaten = _deficit(result, seen, maintenance, np.tile(no_deficit_pct, len(steps)) / 100.0)
    _expenditure(result, seen, log_maintenance, expenditure_sd, maintenance, eaten)
    tissue_kg = np.maximum(seen.mean[TISSUE], 20.0)
    result["fat_mass_kg"] = seen.fat_mean[0]
    result["fat_mass_kg:sd"] = np.sqrt(seen.fat_cov[0, 0])
    result["body_fat_pct"] = 100.0 * seen.fat_mean[0] / tissue_kg
    result["body_fat_pct:sd"] = 100.0 * result["fat_mass_kg:sd"] / tissue_kg
    left = result["maintenance_kcal:sd"] / np.maximum(prior_sd, 1e-9)
    result["prior_share"] = np.minimum(left * left, 1.0)
    shape = (len(steps), state.started.shape[0])
    return {name: np.where(seen.started, value, np.nan).reshape(shape) for name, value in result.items()}


def of_log(steps: list[Step]) -> dict[str, Floats]:
    """What was made of the log on some days, arrays (days, athletes), NaN before an athlete's start."""
    started = np.stack([step.started for step in steps])
    result = {
        "mass_outlier": np.stack([step.outlier for step in steps]).astype(np.float64),
        "new_scale": np.stack([step.new_scale for step in steps]).astype(np.float64),
        "days_used": np.stack([step.weighed_days for step in steps]),
        "days_imputed": np.stack([step.days - step.whole_days for step in steps]),
    }
    return {name: np.where(started, value, np.nan) for name, value in result.items()}


def _keep(result: dict[str, Floats], name: str, centre: Floats, variance: Floats) -> None:
    result[name], result[name + ":sd"] = centre, np.sqrt(np.maximum(variance, 1e-12))


def _mass(result: dict[str, Floats], step: Seen, upper_rate: float) -> None:
    """Trend mass (the mean of the last seven mornings), tissue rate and scale rate."""
    mean, cov = step.mean, step.cov
    one = np.ones_like(mean[0])
    lag, h, _ = _tissue_change(step, LAG_WEIGHTS)
    trend = mean[TISSUE] - lag + step.water_now * mean[WATER] + mean[FLUID]
    trend = trend + step.cycle_now[0] * mean[CYCLE_COS] + step.cycle_now[1] * mean[CYCLE_SIN]
    h = {row: -value for row, value in h.items()} | {TISSUE: one, WATER: step.water_now, FLUID: one}
    h |= {CYCLE_COS: step.cycle_now[0], CYCLE_SIN: step.cycle_now[1]}
    _keep(result, "trend_mass_kg", trend, kalman.variance(cov, h) + UNMODELLED_WATER_KG**2)

    share = 100.0 / np.maximum(mean[TISSUE], 20.0)
    change, h, spread = _tissue_change(step, WEEK_WEIGHTS)
    _keep(result, "tissue_rate_pct_per_week", share * change, share * share * (kalman.variance(cov, h) + spread))
    margin = (share * change + upper_rate) / result["tissue_rate_pct_per_week:sd"]
    result["p_loss_too_fast"] = normal.tail(margin)

    change, h, spread = _tissue_change(step, SLOPE_WEIGHTS)
    water, cycle = step.water_now - step.water_before, step.cycle_now - step.cycle_before
    h |= {WATER: water, FLUID: FLUID_CHANGE * one, CYCLE_COS: cycle[0], CYCLE_SIN: cycle[1]}
    change = change + water * mean[WATER] + FLUID_CHANGE * mean[FLUID]
    change = change + cycle[0] * mean[CYCLE_COS] + cycle[1] * mean[CYCLE_SIN]
    variance = kalman.variance(cov, h) + spread + 2.0 * UNMODELLED_WATER_KG**2
    _keep(result, "rate_pct_per_week", share * change, share * share * variance)


def _tissue_change(step: Seen, weights: Floats) -> tuple[Floats, dict[int, Floats], Floats]:
    """Tissue change in kg that the weighted days' food makes, its derivative by state, and its own variance."""
    mean = step.mean
    total, squares = float(weights.sum()), float((weights * weights).sum())
    unlogged = weighted(step.unlogged_days, weights)
    balance = weighted(step.intake_days, weights) + unlogged * mean[EXCESS] - total * mean[MAINTENANCE]
    transfer = step.base * mean[TRANSFER]
    h = {MAINTENANCE: -total * transfer, EXCESS: transfer * unlogged, TRANSFER: step.base * balance}
    spread = transfer * transfer * weighted(step.intake_variance_days, weights * weights)
    return transfer * balance, h, spread + squares * m.TISSUE_SD_KG**2


def _deficit(result: dict[str, Floats], step: Seen, maintenance: Floats, least: Floats) -> Floats:
    """Probability that the week's deficit is under a least share of maintenance, in a cut; returns the mean intake."""
    eaten: Floats = step.intake_week + step.unlogged_week * step.mean[EXCESS]
    h = {MAINTENANCE: eaten / maintenance**2, EXCESS: -step.unlogged_week / maintenance}
    spread = weighted(step.intake_variance_days, TODAY_WEIGHTS * TODAY_WEIGHTS) / maintenance**2
    sd = np.sqrt(np.maximum(kalman.variance(step.cov, h) + spread, 1e-12))
    in_deficit = normal.tail((least - (1.0 - eaten / maintenance)) / sd)
    result["p_not_in_deficit"] = np.where(step.cut, 1.0 - in_deficit, np.nan)
    return eaten


def _expenditure(
    result: dict[str, Floats],
    step: Seen,
    log_maintenance: Floats,
    expenditure_sd: Floats,
    maintenance: Floats,
    eaten: Floats,
) -> None:
    """Expenditure on the true scale: what the logged scale says, divided by a reporting factor nobody sees.

    The distance of maintenance from its prior is shared between reporting factor and true expenditure in proportion
    to their variances; the rest of the reporting factor's spread stays in the interval.
    """
    relative = np.log(np.maximum(maintenance - step.structure_kcal, 300.0)) - log_maintenance
    drifted = expenditure_sd**2 + m.MAINTENANCE_SD**2 * step.days
    part = m.REPORTING_SD**2 / (m.REPORTING_SD**2 + drifted)
    log_reporting = np.log(m.REPORTING_MEAN) + part * relative
    spent = (1.0 - m.THERMIC) * maintenance + m.THERMIC * eaten
    log_spent = np.log(np.maximum(spent, 300.0)) - log_reporting
    variance = ((1.0 - part) * result["maintenance_kcal:sd"] / maintenance) ** 2 + part * drifted
    centre, sd = np.exp(log_spent), np.sqrt(variance)
    result["expenditure_kcal"], result["expenditure_kcal:sd"] = centre, centre * sd
    result["expenditure_kcal:lo"] = np.exp(log_spent - normal.Z90 * sd)
    result["expenditure_kcal:hi"] = np.exp(log_spent + normal.Z90 * sd)

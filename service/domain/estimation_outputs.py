"""From moments of the states to what is reported: means, standard deviations, bounds and probabilities of one day."""

import numpy as np

from . import estimation_model as m
from . import kalman, normal
from .estimation_filter import weighted
from .estimation_model import CYCLE_COS, CYCLE_SIN, EXCESS, FLUID, MAINTENANCE, TISSUE, TRANSFER, WATER
from .estimation_state import FilterState, Step
from .records import Floats

DEFICIT_SHARE = 0.05  # a true deficit below this share of maintenance is none
FLUID_CHANGE = 1.0 - m.FLUID_CORRELATION**7  # of the slow fluid over a week, seen from its end
UNMODELLED_WATER_KG = 0.18  # physiological water of a week's mean that no driver explains

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


def of_day(state: FilterState, step: Step, mean: Floats, cov: Floats, upper_rate: float) -> dict[str, Floats]:
    """All outputs of one day, arrays (athletes,), NaN for who has not started; `…:sd` beside each quantity.

    `mean` and `cov` are the states' moments, causal or smoothed; `upper_rate` in % of body mass per week.
    """
    result: dict[str, Floats] = {}
    _mass(result, step, mean, cov, upper_rate)
    result["maintenance_kcal"] = mean[MAINTENANCE]
    result["maintenance_kcal:sd"] = np.sqrt(np.maximum(cov[MAINTENANCE, MAINTENANCE], 1e-12))
    maintenance = np.maximum(mean[MAINTENANCE], 300.0)
    eaten = _deficit(result, step, mean, cov, maintenance)
    _expenditure(result, state, step, maintenance, result["maintenance_kcal:sd"], eaten)
    tissue_kg = np.maximum(mean[TISSUE], 20.0)
    result["fat_mass_kg"] = step.fat_mean[0]
    result["fat_mass_kg:sd"] = np.sqrt(step.fat_cov[0, 0])
    result["body_fat_pct"] = 100.0 * step.fat_mean[0] / tissue_kg
    result["body_fat_pct:sd"] = 100.0 * result["fat_mass_kg:sd"] / tissue_kg
    result["mass_outlier"] = step.outlier.astype(np.float64)
    result["new_scale"] = step.scale_adopted.astype(np.float64)
    result["days_used"], result["days_imputed"] = step.weighed_days, step.days - step.whole_days
    left = result["maintenance_kcal:sd"] / np.maximum(state.maintenance_prior_sd, 1e-9)
    result["prior_share"] = np.minimum(left * left, 1.0)
    return {name: np.where(step.started, value, np.nan) for name, value in result.items()}


def _keep(result: dict[str, Floats], name: str, centre: Floats, variance: Floats) -> None:
    result[name], result[name + ":sd"] = centre, np.sqrt(np.maximum(variance, 1e-12))


def _mass(result: dict[str, Floats], step: Step, mean: Floats, cov: Floats, upper_rate: float) -> None:
    """Trend mass (the mean of the last seven mornings), tissue rate and scale rate."""
    one = np.ones_like(mean[0])
    lag, h, _ = _tissue_change(step, mean, LAG_WEIGHTS)
    trend = mean[TISSUE] - lag + step.water_now * mean[WATER] + mean[FLUID]
    trend = trend + step.cycle_now[0] * mean[CYCLE_COS] + step.cycle_now[1] * mean[CYCLE_SIN]
    h = {row: -value for row, value in h.items()} | {TISSUE: one, WATER: step.water_now, FLUID: one}
    h |= {CYCLE_COS: step.cycle_now[0], CYCLE_SIN: step.cycle_now[1]}
    _keep(result, "trend_mass_kg", trend, kalman.variance(cov, h) + UNMODELLED_WATER_KG**2)

    share = 100.0 / np.maximum(mean[TISSUE], 20.0)
    change, h, spread = _tissue_change(step, mean, WEEK_WEIGHTS)
    _keep(result, "tissue_rate_pct_per_week", share * change, share * share * (kalman.variance(cov, h) + spread))
    margin = (share * change + upper_rate) / result["tissue_rate_pct_per_week:sd"]
    result["p_loss_too_fast"] = normal.tail(margin)

    change, h, spread = _tissue_change(step, mean, SLOPE_WEIGHTS)
    water, cycle = step.water_now - step.water_before, step.cycle_now - step.cycle_before
    h |= {WATER: water, FLUID: FLUID_CHANGE * one, CYCLE_COS: cycle[0], CYCLE_SIN: cycle[1]}
    change = change + water * mean[WATER] + FLUID_CHANGE * mean[FLUID]
    change = change + cycle[0] * mean[CYCLE_COS] + cycle[1] * mean[CYCLE_SIN]
    variance = kalman.variance(cov, h) + spread + 2.0 * UNMODELLED_WATER_KG**2
    _keep(result, "rate_pct_per_week", share * change, share * share * variance)


def _tissue_change(step: Step, mean: Floats, weights: Floats) -> tuple[Floats, dict[int, Floats], Floats]:
    """Tissue change in kg that the weighted days' food makes, its derivative by state, and its own variance."""
    total, squares = float(weights.sum()), float((weights * weights).sum())
    unlogged = weighted(step.unlogged_days, weights)
    balance = weighted(step.intake_days, weights) + unlogged * mean[EXCESS] - total * mean[MAINTENANCE]
    base = step.main.drift.base
    transfer = base * mean[TRANSFER]
    h = {MAINTENANCE: -total * transfer, EXCESS: transfer * unlogged, TRANSFER: base * balance}
    spread = transfer * transfer * weighted(step.intake_variance_days, weights * weights)
    return transfer * balance, h, spread + squares * m.TISSUE_SD_KG**2


def _deficit(result: dict[str, Floats], step: Step, mean: Floats, cov: Floats, maintenance: Floats) -> Floats:
    """Probability that the week's deficit is under 5 % of maintenance, in a cut; returns the week's mean intake."""
    eaten: Floats = step.intake_week + step.unlogged_week * mean[EXCESS]
    h = {MAINTENANCE: eaten / maintenance**2, EXCESS: -step.unlogged_week / maintenance}
    spread = weighted(step.intake_variance_days, TODAY_WEIGHTS * TODAY_WEIGHTS) / maintenance**2
    sd = np.sqrt(np.maximum(kalman.variance(cov, h) + spread, 1e-12))
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

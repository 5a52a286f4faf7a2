"""Trend mass, rate of change, maintenance energy and body fat of many athletes from their logs, with intervals.

The model's full description follows with its proof; `estimation_model` holds states and spreads.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np

from . import estimation_filter, estimation_model, kalman, normal
from .estimation_filter import FilterState, Step
from .estimation_model import (
    CYCLE_COS,
    CYCLE_SIN,
    EXCESS,
    MAINTENANCE,
    STATES,
    TISSUE,
    TRANSFER,
    WATER,
)
from .records import Athletes, Bools, DailyLog, Estimate, Floats, FoodState

CHUNK = 512  # athletes filtered together: states stay in the processor's cache and memory stays flat
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
        state = estimation_filter.blank(some.male.shape[0])
        steps: list[Step] = []
        for t in range(days):
            state, step = estimation_filter.advance(state, some, estimation_filter.day_of(log, t, rows))
            if revised:
                steps.append(step)
            _store(out, shape, rows, t, _results(state, step, step.mean, step.cov, upper_loss_rate_pct_per_week))
        if revised:
            _revise(out, rows, state, steps, upper_loss_rate_pct_per_week)
        states.append(state)
    return _assemble(out, estimation_filter.join(states))


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
        day = estimation_filter.Day(
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
        result = _results(state, step, step.mean, step.cov, 1.0)
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
    count = mean.shape[1]
    result: dict[str, Floats] = {}

    def keep(name: str, centre: Floats, h: Floats, extra: Floats | float) -> Floats:
        variance = np.maximum(kalman.inner(h, kalman.project(cov, h)) + extra, 1e-12)
        result[name], result[name + ":sd"] = centre, np.sqrt(variance)
        return result[name + ":sd"]

    h = np.zeros((STATES, count))
    h[TISSUE], h[WATER] = 1.0, step.water_now
    h[CYCLE_COS], h[CYCLE_SIN] = step.cycle_now
    keep("trend_mass_kg", kalman.inner(h, mean), h, UNMODELLED_WATER_KG**2)

    share = 100.0 / np.maximum(mean[TISSUE], 20.0)
    per_kcal = 7.0 * share * step.base
    transfer = per_kcal * mean[TRANSFER]
    balance = step.intake_week + step.unlogged_week * mean[EXCESS] - mean[MAINTENANCE]
    tissue = transfer * balance
    h = np.zeros((STATES, count))
    h[MAINTENANCE], h[EXCESS], h[TRANSFER] = -transfer, transfer * step.unlogged_week, per_kcal * balance
    daily = transfer**2 * step.intake_week_variance + 7.0 * (share * estimation_model.TISSUE_SD_KG) ** 2
    tissue_sd = keep("tissue_rate_pct_per_week", tissue, h, daily)
    result["p_loss_too_fast"] = normal.tail((tissue + upper_rate) / tissue_sd)

    h[WATER] = share * (step.water_now - step.water_before)
    h[CYCLE_COS] = share * (step.cycle_now[0] - step.cycle_before[0])
    h[CYCLE_SIN] = share * (step.cycle_now[1] - step.cycle_before[1])
    water = h[WATER] * mean[WATER] + h[CYCLE_COS] * mean[CYCLE_COS] + h[CYCLE_SIN] * mean[CYCLE_SIN]
    keep("rate_pct_per_week", tissue + water, h, daily + 2.0 * (share * UNMODELLED_WATER_KG) ** 2)

    h = np.zeros((STATES, count))
    h[MAINTENANCE] = 1.0
    maintenance_sd = keep("maintenance_kcal", mean[MAINTENANCE].copy(), h, 0.0)
    maintenance = np.maximum(mean[MAINTENANCE], 300.0)
    eaten = step.intake_week + step.unlogged_week * mean[EXCESS]
    h[MAINTENANCE] = eaten / maintenance**2
    h[EXCESS] = -step.unlogged_week / maintenance
    deficit_sd = np.sqrt(kalman.inner(h, kalman.project(cov, h)) + step.intake_week_variance / maintenance**2 + 1e-12)
    in_deficit = normal.tail((DEFICIT_SHARE - (1.0 - eaten / maintenance)) / deficit_sd)
    result["p_not_in_deficit"] = np.where(step.cut, 1.0 - in_deficit, np.nan)

    _expenditure(result, state, step, maintenance, maintenance_sd, eaten)
    fat_kg, tissue_kg = step.fat_mean[0], np.maximum(mean[TISSUE], 20.0)
    fat_sd_kg: Floats = np.sqrt(step.fat_cov[0, 0])
    result["fat_mass_kg"], result["fat_mass_kg:sd"] = fat_kg.copy(), fat_sd_kg
    result["body_fat_pct"] = 100.0 * fat_kg / tissue_kg
    result["body_fat_pct:sd"] = 100.0 * fat_sd_kg / tissue_kg
    result["mass_outlier"], result["new_scale"] = (
        step.outlier.astype(np.float64),
        step.new_scale.astype(np.float64),
    )
    result["days_used"], result["days_imputed"] = state.weighed_days.copy(), step.days - state.logged_days
    left = maintenance_sd / np.maximum(state.maintenance_prior_sd, 1e-9)
    result["prior_share"] = np.minimum(left * left, 1.0)
    for name, value in result.items():
        result[name] = np.where(step.started, value, np.nan)
    return result


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
    """Run the smoother back over the days and replace the causal results of these rows."""
    count = state.mean.shape[1]
    adjoint, information = np.zeros((STATES, count)), np.zeros((STATES, STATES, count))
    shape = next(iter(out.values())).shape
    for t in range(len(steps) - 1, -1, -1):
        step = steps[t]
        mean, cov = kalman.corrected(step.mean, step.cov, adjoint, information)
        values = _results(state, step, mean, cov, upper_rate)
        for name in ("mass_outlier", "new_scale", "days_used", "days_imputed", "prior_share"):
            values.pop(name)
        _store(out, shape, rows, t, values)
        for done in reversed(step.updates):
            kalman.adjoint_update(adjoint, information, done)
        if t:
            estimation_filter.carry_back(adjoint, information, steps[t - 1])


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

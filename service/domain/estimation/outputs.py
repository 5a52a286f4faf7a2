"""From moments of the states to what is reported: means, standard deviations, bounds and probabilities of one day."""

from dataclasses import dataclass, fields

import numpy as np

from service.domain import kalman, normal
from service.domain.estimation import model as m
from service.domain.estimation.measurement_update import rhythm
from service.domain.estimation.model import CYCLE_COS, CYCLE_SIN, EXCESS, FLUID, MAINTENANCE, TISSUE, TRANSFER, WATER
from service.domain.estimation.state import (
    FORTNIGHT,
    INTAKE,
    INTAKE_VARIANCE,
    UNLOGGED,
    WATER_DRIVER,
    WATER_VARIANCE,
    WEEK,
    Seen,
    mean_of_week,
)
from service.domain.records import Bools, Floats

FLUID_CHANGE = 1.0 - m.FLUID_CORRELATION**7  # of the slow fluid over a week, seen from its end
UNMODELLED_WATER_KG = 0.17  # physiological water of a week's mean that no driver explains

WEEK_OF_WATER = 0.4  # variance of a week's mean of the driver over a morning's: a lag of 1.3 d, meals alike

# Weights of the last 14 days' food (oldest first, today last) in a change of tissue mass between mornings.
LAG_WEIGHTS = np.array([0, 0, 0, 0, 0, 0, 0, 1, 2, 3, 4, 5, 6, 0]) / 7.0  # from the mean of seven mornings to today's
WEEK_WEIGHTS = np.array([0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 0]) / 1.0  # over the last seven nights
SLOPE_WEIGHTS = np.array([1, 2, 3, 4, 5, 6, 7, 6, 5, 4, 3, 2, 1, 0]) / 7.0  # from the mean of seven to that of the next
TODAY_WEIGHTS = np.array([0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1]) / 7.0

QUANTITIES = (
    "average_mass_kg",
    "rate_pct_per_week",
    "tissue_rate_pct_per_week",
    "maintenance_kcal",
    "energy_requirement_kcal",
    "body_fat_pct",
    "fat_mass_kg",
)
NUMBERS = ("p_loss_too_fast", "p_not_in_deficit", "prior_share", "days_used", "days_imputed")
VALUES = tuple(name + end for name in QUANTITIES for end in ("", ":sd", ":lo", ":hi")) + NUMBERS
EVENTS = ("mass_outlier", "new_scale")


def of_days(days: list[Seen], upper_rate: float, no_deficit_pct: Floats) -> tuple[dict[str, Floats], dict[str, Bools]]:
    """`VALUES` and `EVENTS` of some days, arrays (days, athletes), NaN or False before an athlete's start.

    `…:sd`, `…:lo` and `…:hi` beside each quantity; `upper_rate` in % of body mass per week, `no_deficit_pct`
    (athletes,) the share of maintenance below which a deficit is none.
    """
    seen = days[0]
    if len(days) > 1:
        seen = Seen(**{f.name: np.concatenate([getattr(day, f.name) for day in days], axis=-1) for f in fields(Seen)})
    result: dict[str, Floats] = {}
    _mass(result, seen, upper_rate)
    _keep(result, "maintenance_kcal", seen.mean[MAINTENANCE], seen.cov[MAINTENANCE, MAINTENANCE])
    maintenance = np.maximum(seen.mean[MAINTENANCE], 300.0)
    eaten = _deficit(result, seen, maintenance, np.tile(no_deficit_pct, len(days)) / 100.0)
    _expenditure(result, seen, maintenance, eaten)
    tissue_kg = np.maximum(seen.mean[TISSUE], 20.0)
    _keep(result, "fat_mass_kg", seen.fat_mean[0], seen.fat_cov[0, 0])
    share = 100.0 / tissue_kg
    result["body_fat_pct"] = share * seen.fat_mean[0]
    result["body_fat_pct:sd"] = share * result["fat_mass_kg:sd"]
    left = result["maintenance_kcal:sd"] / np.maximum(seen.maintenance_prior_sd, 1e-9)
    result["prior_share"] = np.minimum(left * left, 1.0)
    _bounds(result)
    result |= {
        "days_used": seen.weighed_days,
        "days_imputed": seen.days - seen.whole_days,
    }
    if not seen.started.all():
        result = {name: np.where(seen.started, value, np.nan) for name, value in result.items()}
    events = {"mass_outlier": seen.outlier & seen.started, "new_scale": seen.new_scale & seen.started}
    shape = (len(days), seen.started.shape[0] // len(days))
    return (
        {name: value.reshape(shape) for name, value in result.items()},
        {name: event.reshape(shape) for name, event in events.items()},
    )


def _bounds(result: dict[str, Floats]) -> None:
    """The central 90 % interval of each quantity; where it is not normal it is there already."""
    for name in QUANTITIES:
        mean, half = result[name], normal.Z90 * result[name + ":sd"]
        result.setdefault(name + ":lo", mean - half)
        result.setdefault(name + ":hi", mean + half)
        if name in ("body_fat_pct", "fat_mass_kg"):
            result[name + ":lo"] = np.maximum(result[name + ":lo"], 0.0)


def _keep(result: dict[str, Floats], name: str, centre: Floats, variance: Floats) -> None:
    result[name], result[name + ":sd"] = centre, np.sqrt(np.maximum(variance, 1e-12))


def average_mass(seen: Seen) -> tuple[Floats, Floats, Floats, Floats]:
    """Average mass of one day alone, kg: mean, sd and bounds, each (athletes,), NaN before the start."""
    mean, row = _average_mass(seen)
    sd = np.sqrt(kalman.variance(seen.cov, row) + _water_spread(seen, LAST))
    mean, sd = np.where(seen.started, mean, np.nan), np.where(seen.started, sd, np.nan)
    return mean, sd, mean - normal.Z90 * sd, mean + normal.Z90 * sd


def average_mass_mean_kg(seen: Seen) -> Floats:
    """The mean alone of `average_mass`."""
    return np.where(seen.started, _average_mass(seen)[0], np.nan)


def _average_mass(seen: Seen) -> tuple[Floats, dict[int, Floats | float]]:
    """The mean of the last seven mornings without noise, and its derivative by state."""
    lag_kg, h = _tissue_change(seen, _Food.of(seen, LAG_WEIGHTS))
    row = _cycle(seen, MIDDLE)
    row |= {TISSUE: 1.0, WATER: _water(seen, LAST), FLUID: 1.0}
    trend = kalman.inner(seen.mean, row) - lag_kg
    return trend, row | {state: -value for state, value in h.items()}


LAST, BEFORE = slice(FORTNIGHT - WEEK, None), slice(FORTNIGHT - WEEK)  # the last seven mornings and those before
MIDDLE = -3.0  # days from this morning to the middle one of the last seven


def _water(seen: Seen, mornings: slice) -> Floats:
    return mean_of_week(seen.recent[mornings, WATER_DRIVER])


def _water_spread(seen: Seen, mornings: slice) -> Floats:
    """Variance of a week's mean water, kg²: what no driver explains, and food that was not (or is not yet) logged."""
    driver = WEEK_OF_WATER * mean_of_week(seen.recent[mornings, WATER_VARIANCE])
    spread: Floats = UNMODELLED_WATER_KG**2 + seen.mean[WATER] ** 2 * driver
    return spread


def _cycle(seen: Seen, *days: float) -> dict[int, Floats | float]:
    """The rhythm of the cycle so many days from this morning, less that of a second day if there is one.

    Nothing where nobody has one: without, its states are exactly zero.
    """
    if not (seen.cov[CYCLE_COS, CYCLE_COS].any() or seen.cov[CYCLE_SIN, CYCLE_SIN].any()):
        return {}
    now, *before = (rhythm(seen.cycle_day + day, seen.cycle_days) for day in days)
    cosine, sine = now - before[0] if before else now
    return {CYCLE_COS: cosine, CYCLE_SIN: sine}


def _mass(result: dict[str, Floats], seen: Seen, upper_rate: float) -> None:
    """Average mass (the mean of the last seven mornings), tissue rate and scale rate."""
    mean, cov = seen.mean, seen.cov
    trend, row = _average_mass(seen)
    around = _water_spread(seen, LAST)
    _keep(result, "average_mass_kg", trend, kalman.variance(cov, row) + around)

    share = 100.0 / np.maximum(mean[TISSUE], 20.0)
    food = _Food.of(seen, WEEK_WEIGHTS)
    change, h = _tissue_change(seen, food)
    spread = _own_variance(seen, food)
    _keep(result, "tissue_rate_pct_per_week", share * change, share * share * (kalman.variance(cov, h) + spread))
    margin = (share * change + upper_rate) / result["tissue_rate_pct_per_week:sd"]
    result["p_loss_too_fast"] = normal.tail(margin)

    food = _Food.of(seen, SLOPE_WEIGHTS)
    change, h = _tissue_change(seen, food)
    spread = _own_variance(seen, food) + around + _water_spread(seen, BEFORE)
    row = _cycle(seen, MIDDLE, MIDDLE - WEEK)
    row |= {WATER: _water(seen, LAST) - _water(seen, BEFORE), FLUID: FLUID_CHANGE}
    change = change + kalman.inner(mean, row)
    _keep(result, "rate_pct_per_week", share * change, share * share * (kalman.variance(cov, row | h) + spread))


@dataclass(frozen=True)
class _Food:
    """Weighted sums over the last 14 days' food, each (athletes,)."""

    weights: Floats
    intake: Floats
    unlogged: Floats

    @classmethod
    def of(cls, seen: Seen, weights: Floats) -> "_Food":
        return cls(weights, *_weighted(seen.recent[:, : UNLOGGED + 1], weights))


def _weighted(days: Floats, weights: Floats) -> Floats:
    """Weighted sum over the first axis, in order; days without weight are passed over."""
    total = np.zeros(days.shape[1:])
    for weight, values in zip(weights.tolist(), days, strict=True):
        if weight != 0.0:
            total += values if weight == 1.0 else weight * values
    return total


def _tissue_change(seen: Seen, food: _Food) -> tuple[Floats, dict[int, Floats | float]]:
    """Tissue change in kg that the weighted days' food makes, and its derivative by state."""
    total = float(food.weights.sum())
    balance = food.intake + food.unlogged * seen.mean[EXCESS] - total * seen.mean[MAINTENANCE]
    transfer = seen.base * seen.mean[TRANSFER]
    h = {MAINTENANCE: -total * transfer, EXCESS: transfer * food.unlogged, TRANSFER: seen.base * balance}
    return transfer * balance, h


def _own_variance(seen: Seen, food: _Food) -> Floats:
    """Variance of the tissue change, kg², by what was eaten and spent from day to day."""
    squares = food.weights * food.weights
    transfer = seen.base * seen.mean[TRANSFER]
    eaten: Floats = transfer * transfer * _weighted(seen.recent[:, INTAKE_VARIANCE], squares)
    return eaten + float(squares.sum()) * m.TISSUE_SD_KG**2


def _deficit(result: dict[str, Floats], seen: Seen, maintenance: Floats, none: Floats) -> Floats:
    """Probability that the week's deficit is under the share `none` of maintenance, in a cut; returns the intake."""
    eaten: Floats = seen.week[INTAKE] + seen.week[UNLOGGED] * seen.mean[EXCESS]
    row = {MAINTENANCE: eaten / maintenance**2, EXCESS: -seen.week[UNLOGGED] / maintenance}
    spread = _weighted(seen.recent[:, INTAKE_VARIANCE], TODAY_WEIGHTS * TODAY_WEIGHTS) / maintenance**2
    sd = np.sqrt(np.maximum(kalman.variance(seen.cov, row) + spread, 1e-12))
    in_deficit = normal.tail((none - (1.0 - eaten / maintenance)) / sd)
    result["p_not_in_deficit"] = np.where(seen.cut, 1.0 - in_deficit, np.nan)
    return eaten


def _expenditure(result: dict[str, Floats], seen: Seen, maintenance: Floats, eaten: Floats) -> None:
    """Expenditure on the true scale: what the logged scale says, divided by a reporting factor nobody sees.

    The distance of maintenance from its prior is shared between reporting factor and true expenditure in proportion
    to their variances; the rest of the reporting factor's spread stays in the interval.
    """
    relative = np.log(np.maximum(maintenance - seen.structure_kcal, 300.0)) - seen.log_maintenance
    drifted = seen.expenditure_sd**2 + m.MAINTENANCE_SD**2 * seen.days
    part = m.REPORTING_SD**2 / (m.REPORTING_SD**2 + drifted)
    log_reporting = np.log(m.REPORTING_MEAN) + part * relative
    spent = (1.0 - m.THERMIC) * maintenance + m.THERMIC * eaten
    log_spent = np.log(np.maximum(spent, 300.0)) - log_reporting
    variance = ((1.0 - part) * result["maintenance_kcal:sd"] / maintenance) ** 2 + part * drifted
    centre, sd = np.exp(log_spent), np.sqrt(variance)
    result["energy_requirement_kcal"], result["energy_requirement_kcal:sd"] = centre, centre * sd
    result["energy_requirement_kcal:lo"] = np.exp(log_spent - normal.Z90 * sd)
    result["energy_requirement_kcal:hi"] = np.exp(log_spent + normal.Z90 * sd)

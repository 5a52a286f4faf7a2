"""From moments of the states to what is reported: means, standard deviations, bounds and probabilities of one day."""

from dataclasses import dataclass

import numpy as np

from service.domain import kalman, normal
from service.domain.estimation import model as m
from service.domain.estimation.body_fat import FAT
from service.domain.estimation.cycle import rhythm
from service.domain.estimation.model import CYCLE_COS, CYCLE_SIN, EXCESS, FLUID, MAINTENANCE, TISSUE, TRANSFER, WATER
from service.domain.estimation.recent import (
    FORTNIGHT,
    INTAKE,
    INTAKE_VARIANCE,
    UNLOGGED,
    WATER_DRIVER,
    WATER_VARIANCE,
    WEEK,
    mean_of_week,
)
from service.domain.estimation.state import Posterior
from service.domain.records import Bools, Floats, mapped

FLUID_CHANGE = 1.0 - m.FLUID_CORRELATION**7  # share of the slow fluid that a week changes, seen from its end
UNMODELLED_WATER_KG = 0.17  # kg, sd of physiological water in a week's mean that no driver explains; judged
WEEK_OF_WATER = 0.4  # variance of a week's mean of the driver over a morning's: a lag of 1.3 d, meals alike
LEAST_MAINTENANCE_KCAL = 300.0  # kcal/d, where something is divided by it or its logarithm taken: a guard
MOST_LOG_SD = 5.0  # of the energy requirement: after years without a log nothing is known, and no number overflows
LEAST_VARIANCE = 1e-12  # of any unit: a guard against rounding below zero

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
EVENTS = ("suspect_weigh_in", "new_scale")


def of_days(
    days: list[Posterior], upper_rate: float, no_deficit_pct: Floats
) -> tuple[dict[str, Floats], dict[str, Bools]]:
    """`VALUES` and `EVENTS` of some days, arrays (days, athletes), NaN or False before an athlete's start.

    `…:sd`, `…:lo` and `…:hi` beside each quantity; `upper_rate` in % of body mass per week, `no_deficit_pct`
    (athletes,) the share of maintenance below which a deficit is none.
    """
    day = days[0]
    if len(days) > 1:
        day = mapped(lambda *values: np.concatenate(values, axis=-1), *days)
    mean, cov, fat = day.moments.mean, day.moments.cov, day.body_fat
    result: dict[str, Floats] = {}
    _mass(result, day, upper_rate)
    _keep(result, "maintenance_kcal", mean[MAINTENANCE], cov[MAINTENANCE, MAINTENANCE])
    maintenance = np.maximum(mean[MAINTENANCE], LEAST_MAINTENANCE_KCAL)
    eaten = _deficit(result, day, maintenance, np.tile(no_deficit_pct, len(days)) / 100.0)
    _expenditure(result, day, maintenance, eaten)
    tissue_kg = np.maximum(mean[TISSUE], m.LEAST_TISSUE_KG)
    _keep(result, "fat_mass_kg", fat.mean[FAT], fat.cov[FAT, FAT])
    share = 100.0 / tissue_kg
    result["body_fat_pct"] = share * fat.mean[FAT]
    result["body_fat_pct:sd"] = share * result["fat_mass_kg:sd"]
    left = result["maintenance_kcal:sd"] / np.maximum(day.reference.maintenance_sd_kcal, 1e-9)
    result["prior_share"] = np.minimum(left * left, 1.0)
    _bounds(result)
    result |= {
        "days_used": day.accepted_days,
        "days_imputed": day.days - day.whole_days,
    }
    if not day.started.all():
        result = {name: np.where(day.started, value, np.nan) for name, value in result.items()}
    events = {"suspect_weigh_in": day.suspect_weigh_in & day.started, "new_scale": day.new_scale & day.started}
    shape = (len(days), day.started.shape[0] // len(days))
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
    result[name], result[name + ":sd"] = centre, np.sqrt(np.maximum(variance, LEAST_VARIANCE))


def average_mass(day: Posterior) -> tuple[Floats, Floats, Floats, Floats]:
    """Average mass of one day alone, kg: mean, sd and bounds, each (athletes,), NaN before the start."""
    mean, row = _average_mass(day)
    sd = np.sqrt(kalman.variance(day.moments.cov, row) + _water_spread(day, LAST))
    mean, sd = np.where(day.started, mean, np.nan), np.where(day.started, sd, np.nan)
    return mean, sd, mean - normal.Z90 * sd, mean + normal.Z90 * sd


def average_mass_mean_kg(day: Posterior) -> Floats:
    """The mean alone of `average_mass`."""
    return np.where(day.started, _average_mass(day)[0], np.nan)


def _average_mass(day: Posterior) -> tuple[Floats, dict[int, Floats | float]]:
    """The mean of the last seven mornings without noise, and its derivative by state."""
    lag_kg, h = _tissue_change(day, _Food.of(day, LAG_WEIGHTS))
    row = _cycle(day, MIDDLE)
    row |= {TISSUE: 1.0, WATER: _water(day, LAST), FLUID: 1.0}
    trend = kalman.inner(day.moments.mean, row) - lag_kg
    return trend, row | {state: -value for state, value in h.items()}


LAST, BEFORE = slice(FORTNIGHT - WEEK, None), slice(FORTNIGHT - WEEK)  # the last seven mornings and those before
MIDDLE = -3.0  # days from this morning to the middle one of the last seven


def _water(day: Posterior, mornings: slice) -> Floats:
    return mean_of_week(day.recent[mornings, WATER_DRIVER])


def _water_spread(day: Posterior, mornings: slice) -> Floats:
    """Variance of a week's mean water, kg²: what no driver explains, and food that was not (or is not yet) logged."""
    driver = WEEK_OF_WATER * mean_of_week(day.recent[mornings, WATER_VARIANCE])
    spread: Floats = UNMODELLED_WATER_KG**2 + day.moments.mean[WATER] ** 2 * driver
    return spread


def _cycle(day: Posterior, *offsets: float) -> dict[int, Floats | float]:
    """The rhythm of the cycle so many days from this morning, less that of a second day if there is one.

    Nothing where nobody has one: without, its states are exactly zero.
    """
    if not (day.moments.cov[CYCLE_COS, CYCLE_COS].any() or day.moments.cov[CYCLE_SIN, CYCLE_SIN].any()):
        return {}
    now, *before = (rhythm(day.cycle.day + days, day.cycle.length_days) for days in offsets)
    cosine, sine = now - before[0] if before else now
    return {CYCLE_COS: cosine, CYCLE_SIN: sine}


def _mass(result: dict[str, Floats], day: Posterior, upper_rate: float) -> None:
    """Average mass (the mean of the last seven mornings), tissue rate and scale rate."""
    mean, cov = day.moments.mean, day.moments.cov
    trend, row = _average_mass(day)
    around = _water_spread(day, LAST)
    _keep(result, "average_mass_kg", trend, kalman.variance(cov, row) + around)

    share = 100.0 / np.maximum(mean[TISSUE], m.LEAST_TISSUE_KG)
    food = _Food.of(day, WEEK_WEIGHTS)
    change, h = _tissue_change(day, food)
    spread = _own_variance(day, food)
    _keep(result, "tissue_rate_pct_per_week", share * change, share * share * (kalman.variance(cov, h) + spread))
    margin = (share * change + upper_rate) / result["tissue_rate_pct_per_week:sd"]
    result["p_loss_too_fast"] = normal.tail(margin)

    food = _Food.of(day, SLOPE_WEIGHTS)
    change, h = _tissue_change(day, food)
    spread = _own_variance(day, food) + around + _water_spread(day, BEFORE)
    row = _cycle(day, MIDDLE, MIDDLE - WEEK)
    row |= {WATER: _water(day, LAST) - _water(day, BEFORE), FLUID: FLUID_CHANGE}
    change = change + kalman.inner(mean, row)
    _keep(result, "rate_pct_per_week", share * change, share * share * (kalman.variance(cov, row | h) + spread))


@dataclass(frozen=True)
class _Food:
    """Weighted sums over the last 14 days' food, each (athletes,)."""

    weights: Floats
    intake: Floats
    unlogged: Floats

    @classmethod
    def of(cls, day: Posterior, weights: Floats) -> "_Food":
        return cls(weights, *_weighted(day.recent[:, : UNLOGGED + 1], weights))


def _weighted(days: Floats, weights: Floats) -> Floats:
    """Weighted sum over the first axis, in order; days without weight are passed over."""
    total = np.zeros(days.shape[1:])
    for weight, values in zip(weights.tolist(), days, strict=True):
        if weight != 0.0:
            total += values if weight == 1.0 else weight * values
    return total


def _tissue_change(day: Posterior, food: _Food) -> tuple[Floats, dict[int, Floats | float]]:
    """Tissue change in kg that the weighted days' food makes, and its derivative by state."""
    total = float(food.weights.sum())
    excess, maintenance = day.moments.mean[EXCESS], day.moments.mean[MAINTENANCE]
    balance = food.intake + food.unlogged * excess - total * maintenance
    transfer = day.base_kg_per_kcal * day.moments.mean[TRANSFER]
    change = transfer * balance
    h: dict[int, Floats | float] = {
        MAINTENANCE: -total * transfer,
        EXCESS: transfer * food.unlogged,
        TRANSFER: day.base_kg_per_kcal * balance,
    }
    if day.unknown.any():  # as fast as now
        now = total * day.base_kg_per_kcal * maintenance
        change = np.where(day.unknown, now * excess, change)
        h = {state: np.where(day.unknown, 0.0, slope) for state, slope in h.items()}
        h[EXCESS] = np.where(day.unknown, now, h[EXCESS])
    return change, h


def _own_variance(day: Posterior, food: _Food) -> Floats:
    """Variance of the tissue change, kg², by what was eaten and spent from day to day."""
    squares = food.weights * food.weights
    transfer = day.base_kg_per_kcal * day.moments.mean[TRANSFER]
    eaten: Floats = transfer * transfer * _weighted(day.recent[:, INTAKE_VARIANCE], squares)
    return eaten + float(squares.sum()) * m.TISSUE_SD_KG**2


def _deficit(result: dict[str, Floats], day: Posterior, maintenance: Floats, none: Floats) -> Floats:
    """Probability that the week's deficit is under the share `none` of maintenance, in a cut; returns the intake.

    Where nothing says what is eaten the balance is that of the present change of tissue, and the intake maintenance.
    """
    eaten: Floats = day.week[INTAKE] + day.week[UNLOGGED] * day.moments.mean[EXCESS]
    row: dict[int, Floats | float] = {
        MAINTENANCE: eaten / maintenance**2,
        EXCESS: -day.week[UNLOGGED] / maintenance,
    }
    if day.unknown.any():
        eaten = np.where(day.unknown, maintenance * (1.0 + day.moments.mean[EXCESS]), eaten)
        row = {
            MAINTENANCE: np.where(day.unknown, 0.0, row[MAINTENANCE]),
            EXCESS: np.where(day.unknown, -1.0, row[EXCESS]),
        }
    spread = _weighted(day.recent[:, INTAKE_VARIANCE], TODAY_WEIGHTS * TODAY_WEIGHTS) / maintenance**2
    sd = np.sqrt(np.maximum(kalman.variance(day.moments.cov, row) + spread, LEAST_VARIANCE))
    in_deficit = normal.tail((none - (1.0 - eaten / maintenance)) / sd)
    result["p_not_in_deficit"] = np.where(day.cut, 1.0 - in_deficit, np.nan)
    return np.where(day.unknown, maintenance, eaten)


def _expenditure(result: dict[str, Floats], day: Posterior, maintenance: Floats, eaten: Floats) -> None:
    """Expenditure on the true scale: what the logged scale says, divided by a reporting factor nobody sees.

    The distance of maintenance from its prior is shared between reporting factor and true expenditure in proportion
    to their variances; the rest of the reporting factor's spread stays in the interval.
    """
    relative = (
        np.log(np.maximum(maintenance - day.explained_kcal, LEAST_MAINTENANCE_KCAL)) - day.reference.log_maintenance
    )
    drifted = day.reference.expenditure_sd**2 + m.MAINTENANCE_SD**2 * day.days
    reporting_variance = day.reference.reporting_sd**2
    part = reporting_variance / (reporting_variance + drifted)
    log_reporting = np.log(day.reference.reporting) + part * relative
    spent = (1.0 - m.THERMIC) * maintenance + m.THERMIC * eaten
    log_spent = np.log(np.maximum(spent, LEAST_MAINTENANCE_KCAL)) - log_reporting
    variance = ((1.0 - part) * result["maintenance_kcal:sd"] / maintenance) ** 2 + part * drifted
    centre, sd = np.exp(log_spent), np.minimum(np.sqrt(variance), MOST_LOG_SD)
    result["energy_requirement_kcal"], result["energy_requirement_kcal:sd"] = centre, centre * sd
    result["energy_requirement_kcal:lo"] = np.exp(log_spent - normal.Z90 * sd)
    result["energy_requirement_kcal:hi"] = np.exp(log_spent + normal.Z90 * sd)

"""The estimator and three simple methods in the same terms, for comparison."""

import warnings

import numpy as np
import simdkalman

from service.domain.estimation.estimate import estimate
from service.domain.physiology.energy import mifflin_st_jeor
from service.domain.records import Athletes, DailyLog, Estimate, Floats, FoodState
from tests.reference import kalman_series
from tests.simulated.scoring import Z90, Method

KCAL_PER_KG = 7700.0
REPORTING = 0.88


def ours(athletes: Athletes, log: DailyLog, revised: bool = False) -> Method:
    """The estimator under test."""
    e = estimate(athletes, log, revised=revised)
    return Method(
        "estimator",
        e.average_mass_kg,
        e.rate_pct_per_week,
        e.tissue_rate_pct_per_week,
        e.maintenance_kcal,
        e.energy_requirement_kcal,
        e.p_loss_too_fast,
        e.p_not_in_deficit,
    )


def _plausible(mass_kg: Floats) -> Floats:
    """Weigh-ins without those further than 8 kg from the median of the weeks around: kinder than causal."""
    out = mass_kg.copy()
    for day in range(mass_kg.shape[1]):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # nothing weighed in these weeks
            usual = np.nanmedian(mass_kg[:, max(0, day - 27) : day + 15], axis=1)
        out[np.abs(mass_kg[:, day] - usual) > 8, day] = np.nan
    return out


def _mean_of_last(values: Floats, days: int) -> Floats:
    known = ~np.isnan(values)
    sums = np.cumsum(np.where(known, values, 0), axis=1)
    count = np.cumsum(known, axis=1)
    before = np.maximum(np.arange(values.shape[1]) - days, -1)
    total = sums - np.where(before >= 0, sums[:, before], 0)
    number = count - np.where(before >= 0, count[:, before], 0)
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def _logged(log: DailyLog) -> Floats:
    """Logged intake where the day is not flagged partial."""
    return np.where(log.food_state == FoodState.PARTIAL, np.nan, log.intake_kcal)


def _exact(mean: Floats, sd: Floats | float = np.nan) -> Estimate:
    sd = np.broadcast_to(np.asarray(sd, dtype=float), mean.shape)
    return Estimate(mean, sd, mean - Z90 * sd, mean + Z90 * sd)


def difference(athletes: Athletes, log: DailyLog) -> Method:
    """28-day difference of 7-day means × 7700 kcal/kg (as many days as there are, at least 7)."""
    trend = _mean_of_last(_plausible(log.mass_kg), 7)
    days = trend.shape[1]
    day = np.arange(days)
    before = np.maximum(day - 28, 6)
    span = np.maximum(day - before, 1)
    change = np.where(day >= 7 + 6, (trend - trend[:, before]) / span, np.nan)
    maintenance = _mean_of_last(_logged(log), 28) - KCAL_PER_KG * change
    rate = np.full(trend.shape, np.nan)
    rate[:, 7:] = 100 * (trend[:, 7:] - trend[:, :-7]) / trend[:, 7:]
    slow = 700 * change / trend
    return Method(
        "28-day difference",
        _exact(trend),
        _exact(rate),
        _exact(slow),
        _exact(maintenance),
        _exact(maintenance / REPORTING),
        -slow,
        slow,
    )


def _from_trend(name: str, athletes: Athletes, log: DailyLog, level: Estimate, slope: Estimate) -> Method:
    """Maintenance from a filtered slope and 14 days' mean intake, pulled to a resting-energy prior by variance."""
    mass_kg = np.nanmedian(_plausible(log.mass_kg), axis=1)
    year = 2025.0
    activity = np.where(np.isnan(athletes.activity_factor), 1.65, athletes.activity_factor)
    prior = mifflin_st_jeor(mass_kg, athletes.height_cm, year - athletes.birth_year, athletes.male) * activity
    prior = (REPORTING * prior)[:, None]
    eaten = _mean_of_last(_logged(log), 14)
    eaten = np.where(np.isnan(eaten), prior, eaten)
    seen = eaten - KCAL_PER_KG * slope.mean
    variance = (KCAL_PER_KG * slope.sd) ** 2 + 100.0**2
    weight = (0.16 * prior) ** 2 / ((0.16 * prior) ** 2 + variance)
    maintenance = prior + weight * (seen - prior)
    sd = np.sqrt(weight * variance)
    rate, rate_sd = 700 * slope.mean / level.mean, 700 * slope.sd / level.mean
    spent = _exact(maintenance / REPORTING, np.hypot(sd / REPORTING, 0.11 * maintenance / REPORTING))
    return Method(
        name, level, _exact(rate, rate_sd), _exact(rate, rate_sd), _exact(maintenance, sd), spent, -rate, rate
    )


def local_trend(athletes: Athletes, log: DailyLog) -> Method:
    """A plain local linear trend on plausible weigh-ins."""
    mass = _plausible(log.mass_kg)
    transition, process = np.array([[1.0, 1.0], [0.0, 1.0]]), np.diag([0.01, 2e-5])
    start = np.array([75.0, 0.0])
    run = kalman_series.run(mass, transition, np.array([1.0, 0.0]), 0.4, process, start, np.diag([400.0, 0.0025]))
    mean, cov = run.filtered_mean, run.filtered_cov
    level = _exact(mean[:, 0].T, np.sqrt(cov[:, 0, 0]).T)
    return _from_trend("local trend", athletes, log, level, _exact(mean[:, 1].T, np.sqrt(cov[:, 1, 1]).T))


def library_filter(athletes: Athletes, log: DailyLog) -> Method:
    """Local linear trend with autocorrelated noise, by simdkalman."""
    mass = _plausible(log.mass_kg)
    transition = np.array([[1.0, 1.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 0.6]])
    filtering = simdkalman.KalmanFilter(
        transition, np.diag([0.003, 1.5e-5, 0.16]), np.array([[1.0, 0.0, 1.0]]), np.array([[0.12]])
    )
    found = filtering.compute(
        mass,
        0,
        initial_value=np.array([75.0, 0.0, 0.0]),
        initial_covariance=np.diag([400.0, 0.0025, 0.25]),
        filtered=True,
        smoothed=False,
    ).filtered.states
    level = _exact(found.mean[:, :, 0], np.sqrt(found.cov[:, :, 0, 0]))
    return _from_trend("simdkalman", athletes, log, level, _exact(found.mean[:, :, 1], np.sqrt(found.cov[:, :, 1, 1])))


SIMPLE = (difference, local_trend, library_filter)

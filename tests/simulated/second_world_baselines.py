"""The simple methods the issue orients by, read as naively as they are named.

Each method gives `{quantity: (athletes, days)}` from the log alone: trend mass (kg), scale rate and tissue rate
(%/week), maintenance on the logging scale and expenditure (kcal/day), and two scores that rise with the danger.
"""

import numpy as np

REPORTING = 0.88  # mean reporting factor, from the issue
KCAL_PER_KG = 7700.0


def without_outliers(log, limit_kg=6.0, flagged_too=True):
    """Weigh-ins more than 4 kg from the median of the last 21 days' are dropped, and flagged partial days."""
    mass = log.mass_kg.copy()
    days = mass.shape[1]
    for day in range(days):
        seen = log.mass_kg[:, max(day - 20, 0) : max(day + 1, 14)]  # nothing is scored before day 14
        with np.errstate(invalid="ignore"):
            usual = _nanmedian(seen)
            mass[:, day] = np.where(np.abs(mass[:, day] - usual) > limit_kg, np.nan, mass[:, day])
    return mass, np.where((log.food_state == 2) & (not flagged_too), np.nan, log.intake_kcal)


def _nanmedian(values):
    known = np.isfinite(values).sum(axis=1)
    ordered = np.sort(values, axis=1)  # NaN last
    rows = np.arange(len(values))
    middle = (ordered[rows, np.maximum(known - 1, 0) // 2] + ordered[rows, np.maximum(known, 1) // 2]) / 2
    return np.where(known > 0, np.where(known == 1, ordered[:, 0], middle), np.nan)


def trailing(values, days):
    """Mean of what is known of each day and those before it, as many as there are up to `days`."""
    known = np.isfinite(values)
    total = np.cumsum(np.pad(np.where(known, values, 0), ((0, 0), (1, 0))), axis=1)
    count = np.cumsum(np.pad(known, ((0, 0), (1, 0))), axis=1)
    end = np.arange(1, values.shape[1] + 1)
    begin = np.maximum(end - days, 0)
    some = count[:, end] - count[:, begin]
    return np.where(some > 0, (total[:, end] - total[:, begin]) / np.maximum(some, 1), np.nan)


def prior_kcal(who, mass_kg):
    """Logged-scale maintenance from Mifflin–St Jeor, the coach's factor (1.65 unknown) and usual reporting."""
    age = 2025.0 - who.birth_year
    resting = 10 * mass_kg + 6.25 * who.height_cm - 5 * age + np.where(who.male, 5, -161)
    return REPORTING * np.where(np.isnan(who.activity_factor), 1.65, who.activity_factor) * resting


def filled(values):
    """The last known value before each day; days before the first take the first."""
    index = np.where(np.isfinite(values), np.arange(values.shape[1]), -1)
    last = np.maximum.accumulate(index, axis=1)
    first = np.argmax(index >= 0, axis=1)[:, None]
    return np.take_along_axis(values, np.where(last < 0, first, last), axis=1)


def difference(who, log, clean=True, span=28):
    """Difference of 7-day means over 28 days (less while there are fewer) × 7700, and mean logged intake."""
    mass, intake = without_outliers(log) if clean else (log.mass_kg, log.intake_kcal)
    trend = filled(trailing(mass, 7))
    days = np.arange(mass.shape[1])
    back = np.minimum(span, np.maximum(days - 6, 1))
    per_day = (trend - trend[:, np.maximum(days - back, 0)]) / back
    eaten = filled(trailing(intake, span))
    return _told(trend, per_day, eaten - KCAL_PER_KG * per_day, 0.0)


def _told(trend, per_day, maintenance, sd):
    rate = 700 * per_day / trend
    return {
        "trend": trend, "rate": rate, "tissue_rate": rate, "maintenance": maintenance,
        "expenditure": maintenance / REPORTING, "too_fast": -rate,
        "no_deficit": KCAL_PER_KG * per_day / np.maximum(maintenance, 500.0), "sd": sd,
    }  # fmt: skip


def local_trend(who, log, clean=True, level_sd=0.05, slope_sd=0.004, noise_sd=0.6, prior_share=0.16):
    """Local linear trend filter (level, slope); its slope × 7700 and mean logged intake, weighed with the prior."""
    mass, intake = without_outliers(log) if clean else (log.mass_kg, log.intake_kcal)
    count, days = mass.shape
    first = filled(mass)[:, 0]
    level, slope = first, np.zeros(count)
    p11, p12, p22 = np.full(count, 4.0), np.zeros(count), np.full(count, 0.1**2)
    levels, slopes, spread = (np.empty((count, days)) for _ in range(3))
    for day in range(days):
        level, p11 = level + slope, p11 + 2 * p12 + p22 + level_sd**2
        p12, p22 = p12 + p22, p22 + slope_sd**2
        seen = np.isfinite(mass[:, day])
        k1, k2 = (np.where(seen, p / (p11 + noise_sd**2), 0) for p in (p11, p12))
        miss = np.where(seen, mass[:, day] - level, 0)
        level, slope = level + k1 * miss, slope + k2 * miss
        p11, p12, p22 = (1 - k1) * p11, (1 - k1) * p12, p22 - k2 * p12
        levels[:, day], slopes[:, day], spread[:, day] = level, slope, np.sqrt(p22)
    eaten = filled(trailing(intake, 28))
    guess = prior_kcal(who, first)[:, None]
    weight = 1 / (1 + (KCAL_PER_KG * spread / (prior_share * guess)) ** 2)
    maintenance = weight * (eaten - KCAL_PER_KG * slopes) + (1 - weight) * guess
    told = _told(levels, slopes, maintenance, spread)
    # expenditure: what the log says at usual reporting, weighed with the equation; errors 11 % each, the slope's beside
    error = np.hypot(0.114 * maintenance, (1 - weight) * prior_share * guess + weight * KCAL_PER_KG * spread)
    equation = guess / REPORTING
    share = 1 / (1 + (error / REPORTING / (0.11 * equation)) ** 2)
    told["expenditure"] = share * maintenance / REPORTING + (1 - share) * equation
    return told

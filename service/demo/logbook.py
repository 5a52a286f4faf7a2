"""What athletes write down of what is true: weigh-ins, food and body-fat measurements, as untidily as real rosters."""

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from service.demo.events import first_order_noise, runs
from service.demo.people import People
from service.demo.records import COMPLETE, FAST, NOT_LOGGED, PARTIAL, UNKNOWN, Bools, Floats, Ints

KG_PER_LB = 0.45359237
MEASUREMENT_SE_PCT = (4.5, 3.5, 2.0)  # tape, skinfold, scan: standard error in percentage points of body fat


@dataclass(frozen=True)
class LogNoise:
    """All that is random about logging, drawn before the first day; every array has shape (athletes, days)."""

    scale_kg: Floats
    weigh_in_missing: Bools
    typing_error: Ints  # 0 none, 1 ten too much, 2 ten too little, 3 decimal slipped, 4 digits exchanged, 5 pounds
    food_untidy: Bools  # not logged, or only in part
    food_partial: Bools
    partial_flagged: Bools
    partial_share: Floats
    said_complete: Bools  # an unflagged partial day called complete
    intake_factor: Floats
    give_up_logging: Floats  # uniform draws
    body_fat_error_pct: Floats
    carbohydrate_factor: Floats


def draw_log_noise(rng: Generator, people: People, days: int, travelling: Bools, harder: bool) -> LogNoise:
    """Draw the noise of the log; `harder` adds heavy tails and another scale on travels."""
    athletes = len(people.male)
    shape = (athletes, days)
    noise = first_order_noise(rng, people.scale_correlation, athletes, days)
    if harder:
        noise = 0.8 * noise + 0.5 * np.clip(rng.standard_t(3, shape), -8, 8)
    scale = people.scale_sd_kg[:, None] * noise
    scale += np.where(rng.random(shape) < people.clothes_rate[:, None], rng.uniform(0.7, 1.3, shape), 0.0)
    scale += np.where(np.arange(days) >= people.new_scale_day[:, None], people.new_scale_offset_kg[:, None], 0.0)
    scale += np.where(travelling, rng.normal(0, 0.8, athletes)[:, None], 0.0)
    error = np.where(rng.random(shape) < 0.01, rng.choice([1, 2, 3, 4], shape, p=[0.3, 0.3, 0.15, 0.25]), 0)
    error = np.where(rng.random(shape) < 0.003, 5, error)
    se = np.array(MEASUREMENT_SE_PCT)[np.maximum(people.body_fat_method, 0)]
    bias = rng.normal(0, 0.75, athletes) * se
    gross = np.where(rng.random(shape) < 0.001, rng.uniform(3.0, 5.0, shape), 1.0)
    return LogNoise(
        scale_kg=scale,
        weigh_in_missing=runs(rng, people.weigh_in_missing, people.weigh_in_gap_days, days)
        | (travelling & (rng.random(shape) < 0.6)),
        typing_error=error,
        food_untidy=runs(rng, people.food_missing, people.food_gap_days, days)
        | (travelling & (rng.random(shape) < 0.5)),
        food_partial=rng.random(shape) < people.partial_share[:, None],
        partial_flagged=rng.random(shape) < 0.5,
        partial_share=rng.uniform(0.25, 0.85, shape),
        said_complete=rng.random(shape) < 0.5,
        intake_factor=(1 + 0.03 * rng.standard_normal(shape)) * gross,
        give_up_logging=rng.random(shape),
        body_fat_error_pct=bias[:, None] + 0.65 * se[:, None] * rng.standard_normal(shape),
        carbohydrate_factor=np.clip(1 + 0.08 * rng.standard_normal(shape), 0.6, 1.4),
    )


def _mistyped(mass_kg: Floats, error: Ints) -> Floats:
    """The number as typed: tens, slipped decimals, exchanged digits, pounds."""
    tenths = np.round(mass_kg * 10)
    units, tenth = np.floor(tenths / 10) % 10, tenths % 10
    exchanged = np.where(units == tenth, mass_kg + 9, (tenths - 10 * units - tenth + 10 * tenth + units) / 10)
    slipped = np.where(tenth < 5, mass_kg / 10, mass_kg * 10)
    return np.select(
        [error == 1, error == 2, error == 3, error == 4, error == 5],
        [mass_kg + 10, mass_kg - 10, slipped, exchanged, mass_kg / KG_PER_LB],
        mass_kg,
    )


def weigh_ins(noise: LogNoise, days: slice, noise_free_mass_kg: Floats, abandoned: Bools) -> Floats:
    """Logged mass in kg, NaN where there is none; arrays (athletes, days of the slice)."""
    mass = np.round(noise_free_mass_kg + noise.scale_kg[:, days], 1)
    mass = np.round(_mistyped(mass, noise.typing_error[:, days]), 1)
    missing = noise.weigh_in_missing[:, days] | (abandoned & (noise.give_up_logging[:, days] < 0.25))
    return np.where(missing, np.nan, mass)


def food(
    noise: LogNoise,
    days: slice,
    people: People,
    reported_kcal: Floats,
    carbohydrate_g: Floats,
    fast: Bools,
    abandoned: Bools,
) -> tuple[Floats, Floats, Ints]:
    """Logged energy (kcal), carbohydrate (g) and the state of each food day.

    `reported_kcal` is what a careful day of the athlete's log would say (reporting factor included).
    """
    untidy = noise.food_untidy[:, days]
    untidy = untidy | (abandoned & (noise.give_up_logging[:, days] > 0.7))
    partial = untidy & noise.food_partial[:, days]
    missing = untidy & ~partial
    share = np.where(partial, noise.partial_share[:, days], 1.0)
    energy = np.round(reported_kcal * noise.intake_factor[:, days] * share)
    carbohydrate = np.round(carbohydrate_g * noise.carbohydrate_factor[:, days] * share, 1)
    habit = np.where(people.marks_complete, COMPLETE, UNKNOWN)[:, None]
    flagged = noise.partial_flagged[:, days]
    unflagged = np.where(noise.said_complete[:, days], habit, UNKNOWN)
    state = np.where(partial, np.where(flagged, PARTIAL, unflagged), habit)
    state = np.where(missing, NOT_LOGGED, np.where(fast, FAST, state))
    energy = np.where(missing, np.nan, energy)
    carbohydrate = np.where(missing | ~people.logs_carbohydrate[:, None], np.nan, carbohydrate)
    return energy, carbohydrate, state


def body_fat(noise: LogNoise, first: int, days: slice, people: People, body_fat_pct: Floats) -> tuple[Floats, Floats]:
    """Measured body fat and the method's standard error, both in percentage points; `first` is the day of the first."""
    grid = np.arange(days.start, days.stop)[None, :] - first
    every = np.where(people.body_fat_every_days > 0, people.body_fat_every_days, 10**6)[:, None]
    measured = (people.body_fat_method >= 0)[:, None] & (grid >= 0) & (grid % every == 0)
    se = np.array(MEASUREMENT_SE_PCT)[np.maximum(people.body_fat_method, 0)][:, None]
    value = np.clip(np.round(body_fat_pct + noise.body_fat_error_pct[:, days], 1), 3.0, 60.0)
    return np.where(measured, value, np.nan), np.where(measured, se, np.nan)

"""What happens to athletes from outside: rhythms, drifts, job changes, illness, travel, and the noise of their scales.

Everything is drawn before the first day, so that a simulation is the same however it is advanced.
"""

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from service.demo.people import People
from service.demo.records import Bools, Floats, Ints


def first_order_noise(rng: Generator, correlation: Floats | float, athletes: int, days: int) -> Floats:
    """Stationary first-order autoregressive noise of unit variance, shape (athletes, days)."""
    shocks = rng.standard_normal((athletes, days))
    correlation = np.broadcast_to(np.asarray(correlation, dtype=np.float64), (athletes,))
    scale = np.sqrt(1 - correlation**2)
    out = np.empty((athletes, days))
    out[:, 0] = shocks[:, 0]
    for day in range(1, days):
        out[:, day] = correlation * out[:, day - 1] + scale * shocks[:, day]
    return out


def runs(rng: Generator, share: Floats, mean_length: Floats, days: int) -> Bools:
    """True in runs of geometric length `mean_length` (days) that cover `share` of the days; shape (athletes, days)."""
    leave = 1 / mean_length
    enter = np.minimum(share / (1 - share) * leave, 1.0)
    uniform = rng.random((len(share), days))
    out = np.empty((len(share), days), dtype=np.bool_)
    inside = uniform[:, 0] < share
    out[:, 0] = inside
    for day in range(1, days):
        inside = np.where(inside, uniform[:, day] >= leave, uniform[:, day] < enter)
        out[:, day] = inside
    return out


@dataclass(frozen=True)
class Events:
    """Outside influences, by day; every array has shape (athletes, days)."""

    activity: Floats  # factor on the usual activity: slow drift and jumps
    activity_noise: Floats  # further factor of the single day
    adherence: Floats  # unit noise of eating
    sodium_g: Floats  # above the usual
    carbohydrate_share: Floats  # of the day's energy
    gut_kg: Floats
    rhythm_kg: Floats  # weekly and menstrual water, per athlete
    menstruation: Bools  # first days
    fast: Bools
    abandon: Floats  # uniform draws
    appetite: Floats  # factor on intake (illness)
    water_kg: Floats  # creatine, illness, travel
    travelling: Bools


def _menstruation(rng: Generator, people: People, days: int) -> tuple[Floats, Bools]:
    count = days // 20 + 3
    athletes = len(people.male)
    lengths = np.maximum(people.cycle_days[:, None] + rng.normal(0, 1.5, (athletes, count)), 20)
    onsets = np.floor(people.cycle_start[:, None] - people.cycle_days[:, None] + np.cumsum(lengths, axis=1)).astype(int)
    grid = np.arange(days)
    water = np.zeros((athletes, days))
    first = np.zeros((athletes, days), dtype=np.bool_)
    for k in range(count):
        distance = grid[None, :] - onsets[:, k, None]
        water += np.exp(-0.5 * (distance / 2.5) ** 2)
        first |= distance == 0
    return water * people.menstrual_kg[:, None], first & people.cycles[:, None]


def _activity(rng: Generator, people: People, days: int) -> Floats:
    athletes = len(people.male)
    drift = people.activity_drift_sd[:, None] * first_order_noise(rng, np.exp(-1 / 60), athletes, days)
    drift -= drift[:, :1]
    changes = rng.random((athletes, days)) < people.job_change_rate[:, None]
    jumps = np.where(changes, rng.normal(0, 0.25, (athletes, days)), 0.0)
    jumps[:, 0] = 0
    factor: Floats = np.clip(np.exp(drift + np.cumsum(jumps, axis=1)), 0.35, 2.2)
    return factor


def draw_events(rng: Generator, people: People, weekday: Ints, harder: bool) -> Events:
    """Draw the outside influences for the days whose weekdays (0 = Monday) are given."""
    athletes, days = len(people.male), len(weekday)
    weekend = weekday >= 5
    # peak between Sunday and Monday
    wave = np.cos(2 * np.pi * (weekday - 6.5) / 7) / 2
    menstrual_kg, menstruation = _menstruation(rng, people, days)
    shape = (athletes, days)
    appetite, water, travelling = np.ones(shape), np.zeros(shape), np.zeros(shape, dtype=np.bool_)
    activity = _activity(rng, people, days)
    sodium = rng.normal(0, 0.5, shape) + np.where(weekend, 0.1, -0.04)
    carbohydrate = people.carbohydrate_share[:, None] + 0.04 * rng.standard_normal(shape)
    noise = {
        "activity_noise": np.clip(1 + 0.15 * rng.standard_normal(shape), 0.4, 1.8),
        "adherence": first_order_noise(rng, 0.15, athletes, days),
        "gut_kg": 0.15 * first_order_noise(rng, 0.6, athletes, days),
        "abandon": rng.random(shape),
    }
    fast = rng.random(shape) < people.fast_rate[:, None]
    if harder:
        appetite, illness_activity, water, travelling, travel_sodium = _hard_times(rng, athletes, days)
        activity = activity * illness_activity
        sodium = sodium + travel_sodium
    return Events(
        activity=activity,
        sodium_g=sodium,
        carbohydrate_share=np.clip(carbohydrate, 0.1, 0.75),
        rhythm_kg=(people.weekly_rhythm * people.mass_kg)[:, None] * wave[None, :] + menstrual_kg,
        menstruation=menstruation,
        fast=fast,
        appetite=appetite,
        water_kg=water,
        travelling=travelling,
        **noise,
    )


def _spells(rng: Generator, athletes: int, days: int, every_days: float, length: tuple[int, int]) -> Floats:
    """Day within a spell counted from 1, 0 outside; spells begin once in `every_days` days."""
    begins = rng.random((athletes, days)) < 1 / every_days
    lengths = rng.integers(length[0], length[1] + 1, (athletes, days))
    out = np.zeros((athletes, days))
    left, count = np.zeros(athletes), np.zeros(athletes)
    for day in range(days):
        fresh = begins[:, day] & (left <= 0)
        left = np.where(fresh, lengths[:, day], left)
        count = np.where(fresh, 0, count) + (left > 0)
        out[:, day] = np.where(left > 0, count, 0)
        left = left - 1
    return out


def _hard_times(rng: Generator, athletes: int, days: int) -> tuple[Floats, Floats, Floats, Bools, Floats]:
    """Illness, travel and creatine: factors on appetite and activity, water, days away, sodium."""
    ill = _spells(rng, athletes, days, 80, (4, 8))
    away = _spells(rng, athletes, days, 60, (4, 12))
    depth = rng.uniform(0.25, 0.55, athletes)[:, None]
    appetite = np.where(ill > 0, 1 - depth, 1.0) * np.where(away > 0, 1.12, 1.0)
    activity = np.where(ill > 0, 0.45, 1.0) * np.where(away > 0, rng.uniform(0.7, 1.3, athletes)[:, None], 1.0)
    dehydration = np.where(ill > 0, -0.5, 0.0)
    starts = np.where(rng.random(athletes) < 0.4, rng.integers(0, days, athletes), 10**6)
    since = np.arange(days)[None, :] - starts[:, None]
    creatine = (
        np.where(since >= 0, 1 - np.exp(-np.maximum(since, 0) / 4), 0.0) * rng.uniform(0.5, 1.6, athletes)[:, None]
    )
    sodium = np.where(away > 0, 1.5, 0.0)
    return appetite, activity, dehydration + creatine, away > 0, sodium

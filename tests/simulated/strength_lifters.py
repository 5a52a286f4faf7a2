"""Simulated lifters whose true strength is known: sets as an untidy log would show them.

Shares no code with the estimator. Truth per lift and day is the one-repetition maximum in log space: a rate by phase
(build, cut, maintain; in a cut some athletes hold and some lose more than 5 %) and a slow wander. What is logged adds
day form (± 2.5 %, now and then a bad day), a personal repetition curve, loads in 2.5 kg steps, whole
repetitions, fatigue from set to set, an RIR reported with an error of ± 1 and sometimes not at all.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.demo.lifters import train
from service.demo.world import simulate

Floats = NDArray[np.float64]
BUILD, CUT, MAINTAIN = 1, 2, 3


@dataclass(frozen=True)
class LoggedSets:
    """The sets of one lift on one day."""

    series: int
    day: int
    load_kg: tuple[float, ...]  # external; assistance is negative
    reps: tuple[int, ...]
    rir: tuple[float | None, ...]
    marked_warm_up: tuple[bool, ...]
    body_mass_kg: float = 0.0  # of a body-weight lift


@dataclass(frozen=True)
class Lifters:
    """A simulated group; arrays have shape (series, days), series = athletes × lifts, athlete by athlete."""

    one_rep_max_kg: Floats
    phase: NDArray[np.int64]
    phase_day: NDArray[np.int64]
    lifts: int
    sessions: list[LoggedSets]


def simulate_lifters(
    seed: int,
    athletes: int = 60,
    lifts: int = 5,
    days: int = 182,
    sessions_per_week: float = 1.5,
    missing_rir: float = 0.15,
) -> Lifters:
    """Make `athletes × lifts` series; `sessions_per_week` is how often each lift is trained."""
    rng = np.random.default_rng(seed)
    phase, phase_day = _phases(rng, athletes, days)
    truth = _truth(rng, phase, athletes, lifts)
    phase, phase_day = np.repeat(phase, lifts, axis=0), np.repeat(phase_day, lifts, axis=0)
    sessions = []
    for series in range(athletes * lifts):
        curve = np.exp(rng.normal(np.log(1 / 30), 0.14))  # per repetition, personal
        trained = np.flatnonzero(rng.random(days) < sessions_per_week / 7)
        for day in trained:
            sessions.append(_session(rng, series, int(day), float(truth[series, day]), float(curve), missing_rir))
    return Lifters(truth, phase, phase_day, lifts, sessions)


def lifters_of_world(seed: int, athletes: int = 60, days: int = 182) -> Lifters:
    """The lifters of the demo's simulated world, whose strength follows what they eat; all their sets, warm-ups too."""
    world = simulate(athletes, days, seed=seed)
    training = train(world, seed)
    lifts = len(training.lifts)
    grouped: dict[tuple[int, int], list[int]] = {}
    for row, (athlete, lift, day) in enumerate(zip(training.athlete, training.lift, training.day, strict=True)):
        grouped.setdefault((int(athlete * lifts + lift), int(day)), []).append(row)
    sessions = []
    for (series, day), chosen in grouped.items():
        hangs = training.lifts[series % lifts] == "pull-up"
        rir = [float(value) for value in training.rir[chosen]]
        sessions.append(
            LoggedSets(
                series,
                day,
                tuple(float(kg) for kg in training.load_kg[chosen]),
                tuple(int(reps) for reps in training.reps[chosen]),
                tuple(None if np.isnan(value) else value for value in rir),
                tuple(bool(mark) for mark in training.marked_warm_up[chosen]),
                float(world.truth.centred_mass_kg[series // lifts, day]) if hangs else 0.0,
            )
        )
    truth = training.one_rep_max_kg.transpose(0, 2, 1).reshape(athletes * lifts, days)
    phase, phase_day = (np.repeat(a, lifts, axis=0) for a in (world.log.phase, world.log.phase_day))
    return Lifters(truth, phase, phase_day, lifts, sessions)


def _phases(rng: np.random.Generator, athletes: int, days: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    phase = np.zeros((athletes, days), np.int64)
    phase_day = np.zeros((athletes, days), np.int64)
    for athlete in range(athletes):
        day, kind = 0, int(rng.integers(1, 4))
        while day < days:
            length = int(rng.integers(28, 43))
            stop = min(day + length, days)
            phase[athlete, day:stop] = kind
            phase_day[athlete, day:stop] = np.arange(1, stop - day + 1)
            day, kind = stop, {BUILD: CUT, CUT: MAINTAIN, MAINTAIN: int(rng.choice([BUILD, CUT]))}[kind]
    return phase, phase_day


def _truth(rng: np.random.Generator, phase: NDArray[np.int64], athletes: int, lifts: int) -> Floats:
    days = phase.shape[1]
    novice = rng.random(athletes) < 0.3
    gain = np.where(novice, rng.normal(0.6, 0.2, athletes), rng.normal(0.25, 0.15, athletes))
    loses = rng.random(athletes) < 0.4
    loss = np.where(loses, rng.normal(-1.0, 0.3, athletes), rng.normal(-0.1, 0.2, athletes))
    rate_pct = np.zeros((athletes, 4))
    rate_pct[:, BUILD], rate_pct[:, CUT], rate_pct[:, MAINTAIN] = gain, loss, rng.normal(0.05, 0.1, athletes)
    rates = np.repeat(np.take_along_axis(rate_pct, phase, axis=1), lifts, axis=0)
    rates = rates + np.repeat(rng.normal(0, 0.15, (athletes * lifts, 1)), days, axis=1)
    wander = np.zeros((athletes * lifts, days))
    for day in range(1, days):
        wander[:, day] = 0.97 * wander[:, day - 1] + rng.normal(0, 0.0015, athletes * lifts)
    start = np.log(rng.uniform(40, 160, (athletes * lifts, 1)))
    return np.asarray(np.exp(start + np.cumsum(rates, axis=1) / 700 + wander))


def _session(
    rng: np.random.Generator, series: int, day: int, truth_kg: float, curve: float, missing: float
) -> LoggedSets:
    form = rng.normal(0, 0.025) - (abs(rng.normal(0, 0.06)) if rng.random() < 0.05 else 0.0)
    aim = rng.integers(5, 12) + 2
    load = max(2.5, 2.5 * round(truth_kg * (1 + rng.normal(0, 0.02)) / (1 + curve * aim) / 2.5))
    fresh = (truth_kg * np.exp(form) / load - 1) / curve
    reps, rir = [], []
    for number in range(3):
        able = fresh - 0.7 * number
        left = float(np.clip(rng.normal(2.0, 0.7), 0, 4))
        done = max(1, int(np.floor(able - left + rng.random())))
        reps.append(done)
        told = max(0.0, float(np.round(able - done + rng.normal(0, 1))))
        rir.append(None if rng.random() < missing else told)
    return LoggedSets(series, day, (load,) * 3, tuple(reps), tuple(rir), (False,) * 3)

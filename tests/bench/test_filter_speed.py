"""The estimator's speed as ratios to baselines timed in the same run, in processor time; no absolute times.

Baselines: a compiled closed-form filter (numba, one thread, one athlete after the other, the same 13 states and the
same sparse overnight change, a weigh-in a day, nothing else) and a loop over athletes with statsmodels.
"""

import time
import warnings
from dataclasses import fields

import numba
import numpy as np
import pytest
from statsmodels.tsa.statespace.structural import UnobservedComponents

from service.demo.world import simulate
from service.domain import estimation_branch as branch
from service.domain import kalman
from service.domain.estimation import estimate, resume
from service.domain.estimation_model import STATES
from service.domain.estimation_state import Drift
from service.domain.records import Athletes, DailyLog

DAYS, SEED = 120, 5


def repeated(record, times):
    return type(record)(
        **{
            f.name: getattr(record, f.name)
            if f.name == "days"
            else np.tile(getattr(record, f.name), (times,) + (1,) * (getattr(record, f.name).ndim - 1))
            for f in fields(record)
        }
    )


@pytest.fixture(scope="module")
def roster():
    world = simulate(128, DAYS, seed=SEED)
    athletes = Athletes(**{f.name: getattr(world.profile, f.name) for f in fields(Athletes)})
    log = DailyLog(**{f.name: getattr(world.log, f.name) for f in fields(DailyLog)})
    return repeated(athletes, 8), repeated(log, 8)


@numba.njit
def compiled_filter(mass, intake, means):
    """Trend mass by a 13-state filter with the overnight change of the estimator; the floor for any implementation."""
    athletes, days = mass.shape
    n = means.shape[0]
    out = np.empty((athletes, days))
    x, p, ph = np.empty(n), np.empty((n, n)), np.empty(n)
    h = np.zeros(n)
    h[0] = h[6] = h[7] = h[8] = 1.0
    h[5], h[9], h[10], h[11], h[12] = 0.1, 0.5, 0.5, 0.5, 0.5
    for i in range(athletes):
        x[:] = means
        p[:] = 0.0
        for k in range(n):
            p[k, k] = 1.0
        for t in range(days):
            if not np.isnan(mass[i, t]):
                s, v = 0.25, mass[i, t]
                for a in range(n):
                    total = 0.0
                    for b in range(n):
                        total += p[a, b] * h[b]
                    ph[a] = total
                for a in range(n):
                    s += h[a] * ph[a]
                    v -= h[a] * x[a]
                for a in range(n):
                    x[a] += ph[a] * v / s
                    for b in range(n):
                        p[a, b] -= ph[a] * ph[b] / s
            out[i, t] = x[0]
            c, balance = 1.4e-4 * x[2], intake[i, t] - x[1]
            x[0] += c * balance
            x[1] += 18.0 * c * balance
            x[6] *= 0.93
            x[7] *= 0.55
            for b in range(n):
                moved = 1.4e-4 * balance * p[2, b] - c * p[1, b] + 0.01 * p[4, b]
                p[0, b] += moved
                p[1, b] += 18.0 * moved + 0.1 * p[3, b]
                p[6, b] *= 0.93
                p[7, b] *= 0.55
            for a in range(n):
                moved = 1.4e-4 * balance * p[a, 2] - c * p[a, 1] + 0.01 * p[a, 4]
                p[a, 0] += moved
                p[a, 1] += 18.0 * moved + 0.1 * p[a, 3]
                p[a, 6] *= 0.93
                p[a, 7] *= 0.55
            for a in range(n):
                p[a, a] += 0.001
    return out


def fastest(run, rounds=3):
    times = []
    for _ in range(rounds):
        start = time.process_time()
        run()
        times.append(time.process_time() - start)
    return min(times)


def steps_alone(mass, intake, means):
    """The elementary steps of the estimator's filter, as the compiled one does them."""
    athletes, days = mass.shape
    mean = np.repeat(means[:, None], athletes, axis=1)
    cov = np.repeat(np.eye(STATES)[:, :, None], athletes, axis=2)
    row = {0: 1.0, 5: 0.1, 6: 1.0, 7: 1.0, 8: 1.0, 9: 0.5, 10: 0.5, 11: 0.5, 12: 0.5}
    noise, steady = np.full(athletes, 0.25), np.full(athletes, 1.4e-4)
    spread = branch.Spread(np.full(athletes, 1e5), np.full(athletes, 2400.0), np.ones(athletes))
    out = np.empty((days, athletes))
    mass, intake = np.ascontiguousarray(mass.T), np.ascontiguousarray(intake.T)
    for t in range(days):
        kalman.update(mean, cov, row, mass[t], noise)
        out[t] = mean[0]
        balance, transfer = intake[t] - mean[1], steady * mean[2]
        drift = Drift(steady, transfer, steady * balance, np.full(athletes, 70.0), np.full(athletes, 0.1))
        branch.sleep(mean, cov, drift, transfer * balance, spread)
    return out


@pytest.fixture(scope="module")
def floor(roster):
    _, log = roster
    means = np.zeros(STATES)
    means[:3] = 80.0, 2400.0, 1.0
    intake = np.where(np.isnan(log.intake_kcal), 2300.0, log.intake_kcal)
    compiled_filter(log.mass_kg[:2], intake[:2], means)
    return means, intake, fastest(lambda: compiled_filter(log.mass_kg, intake, means))


def test_steps_against_a_compiled_filter(roster, floor):
    _, log = roster
    means, intake, seconds = floor
    chunks = [slice(first, first + 256) for first in range(0, log.mass_kg.shape[0], 256)]
    ratio = fastest(lambda: [steps_alone(log.mass_kg[c], intake[c], means) for c in chunks]) / seconds
    print(f"elementary steps / compiled filter of {STATES} states: {ratio:.1f}")
    assert ratio <= 8.0


def test_estimator_against_a_compiled_filter(roster, floor):
    """With food, two branches, outliers and all outputs, against the bare compiled filter."""
    athletes, log = roster
    ratio = fastest(lambda: estimate(athletes, log)) / floor[2]
    print(f"whole estimator / compiled filter of {STATES} states: {ratio:.1f}")
    assert ratio <= 30.0


def test_estimator_against_a_loop_over_athletes(roster):
    """A plain local trend by statsmodels for one athlete after the other does far less, and takes far longer."""
    athletes, log = roster
    count = 12

    def loop():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the library's remarks on its own numerics
            for row in log.mass_kg[:count]:
                UnobservedComponents(row, "lltrend").filter([0.3, 1e-2, 1e-5])

    slow = fastest(loop) / count * log.mass_kg.shape[0]
    ratio = slow / fastest(lambda: estimate(athletes, log))
    print(f"loop with statsmodels / whole estimator: {ratio:.1f}")
    assert ratio >= 2.0


def test_a_saved_state_saves_time(roster):
    athletes, log = roster
    head = DailyLog(
        **{f.name: getattr(log, f.name)[:-1] if f.name == "days" else getattr(log, f.name)[:, :-1] for f in fields(log)}
    )
    tail = DailyLog(
        **{f.name: getattr(log, f.name)[-1:] if f.name == "days" else getattr(log, f.name)[:, -1:] for f in fields(log)}
    )
    saved = estimate(athletes, head).state
    whole = fastest(lambda: estimate(athletes, log), 2)
    last = fastest(lambda: resume(saved, athletes, tail), 2)
    print(f"whole log / last day from a saved state: {whole / last:.0f}")
    assert whole / last >= 3.0

"""The estimator's speed as ratios to baselines timed in the same run, in processor time; no absolute times.

Baselines: a compiled closed-form filter (numba, one thread, one athlete after the other, the same states and the same
sparse overnight change, the upper triangle of the covariance, a weigh-in a day, nothing else), and a loop over athletes
with the state-space filter of statsmodels, itself compiled, for a model of the same size. The compiled filter is the
floor for any implementation: what it is faster than that loop, about 60 times with 13 states, bounds what can be asked
of numpy. Larger ratios hold for smaller models only.
"""

import time
from dataclasses import fields

import numba
import numpy as np
import pytest
from statsmodels.tsa.statespace.mlemodel import MLEModel

from service.demo.world import simulate
from service.domain import kalman
from service.domain.estimation.estimate import CHUNK, estimate, resume
from service.domain.estimation.model import (
    CYCLE_COS,
    CYCLE_SIN,
    EXCESS,
    FLUID,
    FLUID_CORRELATION,
    GUT,
    GUT_CORRELATION,
    MAINTENANCE,
    MASS_KCAL_PER_KG,
    RESPONSE,
    SCALE,
    STATES,
    TISSUE,
    TRANSFER,
    WATER,
    WEEK_COS,
    WEEK_SIN,
)
from service.domain.estimation.time_update import Transition, propagate_covariance
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
    return repeated(athletes, 80), repeated(log, 80)


SHOWN = (TISSUE, FLUID, GUT, SCALE)  # of a weigh-in, with coefficient 1
RHYTHMS = (WEEK_COS, WEEK_SIN, CYCLE_COS, CYCLE_SIN)
NOISE, WATER_NOW, RHYTHM, PER_KCAL, UNLOGGED_KCAL, ADAPTED, DAILY = 0.25, 0.1, 0.5, 1.4e-4, 70.0, 0.1, 1e-3


@numba.njit(inline="always")
def entry(p, a, b):
    return p[a, b] if a <= b else p[b, a]


@numba.njit
def compiled_filter(mass, intake, means):
    """Tissue mass by a filter with the estimator's states, observation and overnight change, in closed form."""
    athletes, days = mass.shape
    n = means.shape[0]
    out = np.empty((athletes, days))
    x, p, ph, u, r = np.empty(n), np.empty((n, n)), np.empty(n), np.empty(n), np.empty(n)
    for i in range(athletes):
        x[:] = means
        p[:] = 0.0
        for k in range(n):
            p[k, k] = 1.0
        for t in range(days):
            if not np.isnan(mass[i, t]):
                for a in range(n):
                    total = WATER_NOW * entry(p, a, WATER)
                    for b in SHOWN:
                        total += entry(p, a, b)
                    for b in RHYTHMS:
                        total += RHYTHM * entry(p, a, b)
                    ph[a] = total
                s, v = NOISE + WATER_NOW * ph[WATER], mass[i, t] - WATER_NOW * x[WATER]
                for b in SHOWN:
                    s += ph[b]
                    v -= x[b]
                for b in RHYTHMS:
                    s += RHYTHM * ph[b]
                    v -= RHYTHM * x[b]
                per = 1.0 / s
                for a in range(n):
                    g = ph[a] * per
                    x[a] += g * v
                    for b in range(a, n):
                        p[a, b] -= g * ph[b]
            out[i, t] = x[0]
            c, change = PER_KCAL * x[TRANSFER], PER_KCAL * (intake[i, t] - x[MAINTENANCE])
            x[TISSUE] += x[TRANSFER] * change
            x[MAINTENANCE] += MASS_KCAL_PER_KG * x[TRANSFER] * change + ADAPTED * x[RESPONSE]
            x[FLUID] *= FLUID_CORRELATION
            x[GUT] *= GUT_CORRELATION
            for b in range(n):
                u[b] = change * entry(p, TRANSFER, b) - c * entry(p, MAINTENANCE, b)
                u[b] += c * UNLOGGED_KCAL * entry(p, EXCESS, b)
            for b in range(n):
                r[b] = MASS_KCAL_PER_KG * u[b] + ADAPTED * entry(p, RESPONSE, b)
            both = change * r[TRANSFER] - c * r[MAINTENANCE] + c * UNLOGGED_KCAL * r[EXCESS]
            p[TISSUE, TISSUE] += u[TISSUE] + change * u[TRANSFER] - c * u[MAINTENANCE] + c * UNLOGGED_KCAL * u[EXCESS]
            p[TISSUE, MAINTENANCE] += both + r[TISSUE]
            p[MAINTENANCE, MAINTENANCE] += r[MAINTENANCE] + MASS_KCAL_PER_KG * both + ADAPTED * r[RESPONSE]
            for b in range(n):
                p[TISSUE, b] += u[b]
            for b in range(MAINTENANCE, n):
                p[MAINTENANCE, b] += r[b]
            for a, kept in ((FLUID, FLUID_CORRELATION), (GUT, GUT_CORRELATION)):
                for b in range(a + 1):
                    p[b, a] *= kept
                for b in range(a, n):
                    p[a, b] *= kept
            for a in range(n):
                p[a, a] += DAILY
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
    row = dict.fromkeys(SHOWN, 1.0) | {WATER: WATER_NOW} | dict.fromkeys(RHYTHMS, RHYTHM)
    noise, steady = np.full(athletes, NOISE), np.full(athletes, PER_KCAL)
    adapted = np.full(athletes, ADAPTED)
    out = np.empty((days, athletes))
    mass, intake = np.ascontiguousarray(mass.T), np.ascontiguousarray(intake.T)
    for t in range(days):
        kalman.update(mean, cov, row, mass[t], noise)
        out[t] = mean[TISSUE]
        transfer, balance = steady * mean[TRANSFER], intake[t] - mean[MAINTENANCE]
        change = transfer * balance
        transition = Transition(steady, transfer, steady * balance, transfer * UNLOGGED_KCAL, adapted)
        mean[TISSUE] += change
        mean[MAINTENANCE] += MASS_KCAL_PER_KG * change + ADAPTED * mean[RESPONSE]
        mean[FLUID] *= FLUID_CORRELATION
        mean[GUT] *= GUT_CORRELATION
        propagate_covariance(cov, transition)
        for state in range(STATES):
            cov[state, state] += DAILY
    return out.T


def steps_in_chunks(mass, intake, means):
    for first in range(0, mass.shape[0], CHUNK):
        few = slice(first, first + CHUNK)
        steps_alone(mass[few], intake[few], means)


def statsmodels_loop(mass, intake, means):
    """A state-space model of the same size per athlete, linearised about the starting values."""
    h = np.zeros((1, STATES))
    h[0, SHOWN], h[0, WATER], h[0, RHYTHMS] = 1.0, WATER_NOW, RHYTHM
    for row, eaten in zip(mass, intake, strict=True):
        transition = np.repeat(np.eye(STATES)[:, :, None], row.shape[0], axis=2)
        tissue = np.zeros((STATES, row.shape[0]))
        tissue[TRANSFER], tissue[MAINTENANCE] = PER_KCAL * (eaten - means[MAINTENANCE]), -PER_KCAL
        tissue[EXCESS] = PER_KCAL * UNLOGGED_KCAL
        transition[TISSUE] += tissue
        transition[MAINTENANCE] += MASS_KCAL_PER_KG * tissue
        transition[MAINTENANCE, RESPONSE] += ADAPTED
        transition[FLUID, FLUID], transition[GUT, GUT] = FLUID_CORRELATION, GUT_CORRELATION
        model = MLEModel(row, k_states=STATES, k_posdef=STATES)
        model["design"], model["transition"], model["selection"] = h, transition, np.eye(STATES)
        model["state_cov"], model["obs_cov"] = DAILY * np.eye(STATES), np.array([[NOISE]])
        model.ssm.initialize_known(means, np.eye(STATES))
        model.ssm.filter()


@pytest.fixture(scope="module")
def floor(roster):
    _, log = roster
    means = np.zeros(STATES)
    means[[TISSUE, MAINTENANCE, TRANSFER]] = 80.0, 2400.0, 1.0
    intake = np.where(np.isnan(log.intake_kcal), 2300.0, log.intake_kcal)
    compiled_filter(log.mass_kg[:2], intake[:2], means)
    return means, intake, fastest(lambda: compiled_filter(log.mass_kg, intake, means))


def test_steps_against_a_compiled_filter(roster, floor):
    """The same filter: to 1e-7 the same tissue mass, in at most four times the time."""
    _, log = roster
    means, intake, seconds = floor
    np.testing.assert_allclose(
        steps_alone(log.mass_kg[:64], intake[:64], means), compiled_filter(log.mass_kg[:64], intake[:64], means), 1e-7
    )
    ratio = fastest(lambda: steps_in_chunks(log.mass_kg, intake, means)) / seconds
    print(f"elementary steps / compiled filter of {STATES} states: {ratio:.1f}")
    assert ratio <= 4.0


def test_estimator_against_a_compiled_filter(roster, floor):
    """With food, two hypotheses, suspect weigh-ins, body fat and outputs, against the bare compiled filter.

    What a night's review asks for, all results of the last day and average mass of every day: within 8 times.
    All results of every day are 36 numbers for each number of the compiled filter: within 16 times.
    """
    athletes, log = roster
    last = fastest(lambda: estimate(athletes, log, report=np.array([DAYS - 1]))) / floor[2]
    every = fastest(lambda: estimate(athletes, log)) / floor[2]
    print(f"whole estimator / compiled filter of {STATES} states: last day {last:.1f}, every day {every:.1f}")
    assert last <= 11.0
    assert every <= 20.0


def test_against_a_loop_over_athletes(roster, floor):
    """The filter of statsmodels for one athlete after the other, of the same size."""
    athletes, log = roster
    means, intake, compiled = floor
    count = 24
    loop = fastest(lambda: statsmodels_loop(log.mass_kg[:count], intake[:count], means))
    loop *= log.mass_kg.shape[0] / count
    steps = loop / fastest(lambda: steps_in_chunks(log.mass_kg, intake, means))
    whole = loop / fastest(lambda: estimate(athletes, log, report=np.array([DAYS - 1])))
    print(f"loop with statsmodels / compiled {loop / compiled:.0f}, / steps {steps:.0f}, / estimator {whole:.1f}")
    assert steps >= 15.0
    assert whole >= 3.0


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

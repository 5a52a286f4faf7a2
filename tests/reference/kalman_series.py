"""Series of a time-invariant model, filtered and smoothed day by day with the steps of `service.domain.kalman`.

What the reference libraries do in one call, so that those steps can be held against them.
"""

from dataclasses import dataclass

import numpy as np

from service.domain.kalman import Update, adjoint_update, corrected, mirrored, multiply, update
from service.domain.records import Bools, Floats

LOG_2PI = float(np.log(2.0 * np.pi))


def log_likelihood(done: Update, observed: Bools) -> Floats:
    """Log density of the observations of an update, constants included; 0 where not `observed`; arrays (batch,)."""
    square = done.innovation * done.innovation / done.variance
    return np.where(observed, -0.5 * (LOG_2PI + np.log(done.variance) + square), 0.0)


def transform(matrix: Floats, mean: Floats, cov: Floats) -> tuple[Floats, Floats]:
    """Moments of matrix·state, `matrix` (n, n), in the order given."""
    full = matrix[:, :, None]
    half = multiply(full, cov)
    new_cov = multiply(full, half.transpose(1, 0, 2)).transpose(1, 0, 2)
    return multiply(full, mean[:, None, :])[:, 0, :], new_cov


@dataclass(frozen=True)
class Series:
    """Moments by day: means (days, states, batch), covariances (days, states, states, batch); likelihood (batch,)."""

    filtered_mean: Floats
    filtered_cov: Floats
    smoothed_mean: Floats
    smoothed_cov: Floats
    log_likelihood: Floats


def run(
    values: Floats,
    transition: Floats,
    h: Floats,
    noise_variance: float,
    process_cov: Floats,
    mean: Floats,
    cov: Floats,
) -> Series:
    """Filter and smooth series of a time-invariant model.

    `values` (batch, days) with NaN gaps, `transition` and `process_cov` (n, n), `h` (n,), `mean` (n,) and `cov` (n, n)
    of the state on the first day before its value. Returns all moments and the log-likelihood, constants included.
    """
    batch, days = values.shape
    n = h.shape[0]
    x = np.repeat(mean[:, None].astype(np.float64), batch, axis=1)
    p = np.repeat(cov[:, :, None].astype(np.float64), batch, axis=2)
    row = {state: float(coefficient) for state, coefficient in enumerate(h) if coefficient != 0.0}
    noise = np.full(batch, noise_variance)
    filtered_mean, filtered_cov = np.empty((days, n, batch)), np.empty((days, n, n, batch))
    updates: list[Update] = []
    loglik = np.zeros(batch)
    for t in range(days):
        value = np.ascontiguousarray(values[:, t])
        updates.append(update(x, p, row, value, noise))
        loglik += log_likelihood(updates[-1], ~np.isnan(value))
        p = mirrored(p)
        filtered_mean[t], filtered_cov[t] = x, p
        x, p = transform(transition, x, p)
        p = p + process_cov[:, :, None]
    smoothed_mean, smoothed_cov = filtered_mean.copy(), filtered_cov.copy()
    adjoint, information = np.zeros((n, batch)), np.zeros((n, n, batch))
    for t in range(days - 1, -1, -1):
        smoothed_mean[t], smoothed_cov[t] = corrected(filtered_mean[t], filtered_cov[t], adjoint, information)
        adjoint_update(adjoint, information, updates[t])
        adjoint, information = transform(transition.T, adjoint, information)
    return Series(filtered_mean, filtered_cov, smoothed_mean, smoothed_cov, loglik)

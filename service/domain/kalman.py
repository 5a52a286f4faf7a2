"""Kalman filtering and smoothing of many small state spaces at once, in elementwise steps.

The batch is the last axis of every array: means (states, batch), covariances (states, states, batch). There is no
matrix product and no reduction over the batch or over a strided axis: every number of a series is the result of the
same elementary operations in the same order, whatever else is in the batch, so results do not depend, to the bit, on
batch size or neighbours. Observations come one at a time (scalar updates), so nothing has to be inverted.

The smoother is that of Bryson and Frazier in its modified form (Bierman 1977, 10.1016/0005-1098(77)90006-0): it runs
an adjoint mean and covariance backwards and needs no inverse either. Where nothing is observed after a day, adjoint and
correction are exactly zero: filtered and smoothed values agree to the bit at the end of a series.
"""

from dataclasses import dataclass, fields

import numpy as np

from .records import Bools, Floats, Ints

LOG_2PI = float(np.log(2.0 * np.pi))


@dataclass(frozen=True)
class Update:
    """What a scalar update did; arrays of shape (batch,) but `gain` and `h`, (states, batch). Zero where no value."""

    innovation: Floats
    variance: Floats  # of the innovation, 1 where nothing was observed
    gain: Floats
    h: Floats
    log_likelihood: Floats


def pick(done: Update, rows: Ints | Bools) -> Update:
    """The update of some members of the batch."""
    return Update(**{f.name: np.ascontiguousarray(getattr(done, f.name)[..., rows]) for f in fields(Update)})


def put(done: Update, rows: Ints, other: Update) -> Update:
    """The update with that of some members replaced."""
    merged = {f.name: getattr(done, f.name).copy() for f in fields(Update)}
    for name, values in merged.items():
        values[..., rows] = getattr(other, name)
    return Update(**merged)


def choose(condition: Bools, first: Update, second: Update) -> Update:
    """Member by member the first update where `condition` (batch,) holds, else the second."""
    return Update(
        **{f.name: np.where(condition, getattr(first, f.name), getattr(second, f.name)) for f in fields(Update)}
    )


def fold(terms: Floats) -> Floats:
    """Sum over the first axis, in an order that depends on its length alone; overwrites `terms`."""
    left = terms.shape[0]
    while left > 1:
        half = left // 2
        np.add(terms[:half], terms[half : 2 * half], out=terms[:half])
        if left % 2:
            terms[0] += terms[left - 1]
        left = half
    total: Floats = terms[0]
    return total


def project(cov: Floats, h: Floats) -> Floats:
    """Product of covariances (n, n, batch) and observation vectors (n, batch): (n, batch)."""
    return fold(cov * h[:, None, :]).copy()


def inner(a: Floats, b: Floats) -> Floats:
    """Inner products of vectors (n, batch): (batch,)."""
    return fold(a * b)


def project_in_order(cov: Floats, h: Floats) -> Floats:
    """As `project`, added state by state: a further state that stays zero changes no bit."""
    result: Floats = cov[0] * h[0]
    for j in range(1, h.shape[0]):
        result += cov[j] * h[j]
    return result


def inner_in_order(a: Floats, b: Floats) -> Floats:
    """As `inner`, added state by state."""
    result: Floats = a[0] * b[0]
    for j in range(1, a.shape[0]):
        result += a[j] * b[j]
    return result


def variance(cov: Floats, entries: dict[int, Floats]) -> Floats:
    """Variance of Σ coefficient·state for a few states: `entries` maps a state to its coefficients (batch,)."""
    states = sorted(entries)
    h = np.stack([entries[state] for state in states])
    block = cov[np.array(states)[:, None], np.array(states)[None, :]]
    block *= h[:, None, :]
    return fold(fold(block) * h)


def no_update(states: int, batch: int) -> Update:
    """The update of a day on which nothing was observed."""
    return Update(
        np.zeros(batch), np.ones(batch), np.zeros((states, batch)), np.zeros((states, batch)), np.zeros(batch)
    )


def update(
    mean: Floats, cov: Floats, h: Floats, value: Floats, noise_variance: Floats, along: Floats | None = None
) -> Update:
    """Condition states in place on scalar observations value = h·state + noise; NaN values change nothing.

    `mean` (n, batch), `cov` (n, n, batch), `h` (n, batch), `value` and `noise_variance` (batch,); `along` is the
    product of `cov` and `h` where it is known already. Equation: Kalman 1960, 10.1115/1.3662552, scalar form.
    """
    seen = ~np.isnan(value)
    ph = project(cov, h) if along is None else along
    spread = np.where(seen, inner(h, ph) + noise_variance, 1.0)
    innovation = np.where(seen, value - inner(h, mean), 0.0)
    ph = ph * seen
    gain = ph / spread
    mean += gain * innovation
    root = ph / np.sqrt(spread)
    cov -= root[:, None, :] * root[None, :, :]
    loglik = np.where(seen, -0.5 * (LOG_2PI + np.log(spread) + innovation * innovation / spread), 0.0)
    return Update(innovation, spread, gain, h * seen, loglik)


def adjoint_update(adjoint: Floats, information: Floats, done: Update) -> None:
    """Carry the adjoint mean (n, batch) and covariance (n, n, batch) back over one scalar update, in place.

    λ ← (I − Kh)ᵀλ − h·v/S and Λ ← (I − Kh)ᵀΛ(I − Kh) + hhᵀ/S.
    """
    h, gain = done.h, done.gain
    adjoint -= h * (inner_in_order(gain, adjoint) + done.innovation / done.variance)
    along = project_in_order(information, gain)
    outer = h[:, None, :] * along[None, :, :]
    information -= outer + outer.transpose(1, 0, 2)
    scale = inner_in_order(gain, along) + 1.0 / done.variance
    information += h[:, None, :] * (h * scale)[None, :, :]


def transform(matrix: Floats, mean: Floats, cov: Floats) -> tuple[Floats, Floats]:
    """Moments of matrix·state: `matrix` (n, n) or (n, n, batch), in the order given, for small n."""
    n = mean.shape[0]
    full = matrix if matrix.ndim == 3 else matrix[:, :, None]
    new_mean = _multiply(full, mean[:, None, :])[:, 0, :]
    half = _multiply(full, cov)
    return new_mean, _multiply(full, half.transpose(1, 0, 2)).transpose(1, 0, 2).reshape(n, n, -1)


def _multiply(a: Floats, b: Floats) -> Floats:
    result = a[:, 0, None, :] * b[None, 0, :, :]
    for j in range(1, a.shape[1]):
        result = result + a[:, j, None, :] * b[None, j, :, :]
    return result


def corrected(mean: Floats, cov: Floats, adjoint: Floats, information: Floats) -> tuple[Floats, Floats]:
    """Smoothed moments from filtered ones and the adjoint: x − Pλ, P − PΛP."""
    half = _multiply(cov, information)
    return mean - project_in_order(cov, adjoint), cov - _multiply(half, cov)


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
    hh = np.repeat(h[:, None].astype(np.float64), batch, axis=1)
    noise = np.full(batch, noise_variance)
    filtered_mean, filtered_cov = np.empty((days, n, batch)), np.empty((days, n, n, batch))
    updates: list[Update] = []
    loglik = np.zeros(batch)
    for t in range(days):
        updates.append(update(x, p, hh, np.ascontiguousarray(values[:, t]), noise))
        loglik += updates[-1].log_likelihood
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

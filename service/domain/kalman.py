"""Kalman filtering and smoothing of many small state spaces at once, in elementwise steps.

The batch is the last axis of every array: means (states, batch), covariances (states, states, batch). There is no
matrix product and no reduction over the batch or over a strided axis: every number of a series is the result of the
same elementary operations in the same order, whatever else is in the batch, so results do not depend, to the bit, on
batch size or neighbours. Observations come one at a time (scalar updates), so nothing has to be inverted.

The forward steps read and write the upper triangle of a covariance only, half of the work: rows of it are contiguous,
columns are views, so no packed index is needed; `mirrored` fills in the other half. An observation names the states
that it depends on (`Row`), sums go through them in that order: a state that is left out and one that stays zero give
the same bits.

The smoother is that of Bryson and Frazier in its modified form (Bierman 1977, 10.1016/0005-1098(77)90006-0): it runs
an adjoint mean and covariance backwards and needs no inverse either. Where nothing is observed after a day, adjoint and
correction are exactly zero: filtered and smoothed values agree to the bit at the end of a series.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from service.domain.records import Floats, Ints, replaced

TOGETHER = 1024  # rows of a small batch go together: a call costs about as much as a thousand elements

Row = Mapping[int, Floats | float]  # a linear combination of states: coefficients, (batch,) or one for all, by state


@dataclass(frozen=True)
class Moments:
    """What is known of the states of a batch: a normal distribution each."""

    mean: Floats  # (states, batch)
    cov: Floats  # (states, states, batch), of which the upper triangle counts

    def leading(self, states: int) -> "Moments":
        """Those of the first states, as views."""
        return Moments(self.mean[:states], self.cov[:states, :states])

    def of(self, rows: Ints) -> "Moments":
        """A copy of those of some members, upper triangle: every entry read is a miss of the cache."""
        cov = np.zeros((*self.cov.shape[:2], rows.shape[0]))
        for i in range(cov.shape[0]):
            cov[i, i:] = self.cov[i, i:].take(rows, axis=1)
        return Moments(np.take(self.mean, rows, axis=1), cov)

    def put(self, rows: Ints, others: "Moments") -> None:
        """Replace those of some members, in place, upper triangle."""
        self.mean[:, rows] = others.mean
        for i in range(self.cov.shape[0]):
            self.cov[i, i:][:, rows] = others.cov[i, i:]

    def mirrored(self) -> "Moments":
        """A copy whose covariances are whole."""
        return Moments(self.mean.copy(), mirrored(self.cov))


@dataclass(frozen=True)
class Update:
    """What a scalar update did; arrays of shape (batch,) but `gain` and `h`, (states, batch). Zero where no value."""

    innovation: Floats
    variance: Floats  # of the innovation, 1 where nothing was observed
    gain: Floats
    h: Floats


def no_update(states: int, batch: int) -> Update:
    """The update of a day on which nothing was observed."""
    return Update(np.zeros(batch), np.ones(batch), np.zeros((states, batch)), np.zeros((states, batch)))


def spread_out(done: Update, rows: Ints, batch: int) -> Update:
    """The update of some members of the batch as one of the whole batch."""
    return replaced(no_update(done.gain.shape[0], batch), rows, done)


def dense(row: Row, shape: tuple[int, ...]) -> Floats:
    """A row as an array (states, batch)."""
    h = np.zeros(shape)
    for state, coefficient in row.items():
        h[state] = coefficient
    return h


def mirrored(cov: Floats) -> Floats:
    """A copy of a covariance whose lower triangle is that of the upper one."""
    full = cov.copy()
    for i in range(1, cov.shape[0]):
        full[i, :i] = cov[:i, i]
    return full


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


def inner(values: Floats, row: Row) -> Floats:
    """Σ coefficient·value of vectors (states, batch): (batch,)."""
    total = np.zeros(values.shape[1:])
    for state, coefficient in row.items():
        total += values[state] if _is_one(coefficient) else values[state] * coefficient
    return total


def with_state(cov: Floats, state: int) -> Floats:
    """Covariances of one state with all, (states, batch), from the upper triangle."""
    return np.concatenate([cov[:state, state], cov[state, state:]])


def project(cov: Floats, row: Row) -> Floats:
    """Covariances of Σ coefficient·state with all states, (states, batch), from the upper triangle."""
    result = np.zeros(cov.shape[1:])
    buffer = np.empty_like(result)
    for state, coefficient in row.items():
        above, right = cov[:state, state], cov[state, state:]
        if not _is_one(coefficient):
            above = np.multiply(above, coefficient, out=buffer[:state])
            right = np.multiply(right, coefficient, out=buffer[state:])
        result[:state] += above
        result[state:] += right
    return result


def variance(cov: Floats, row: Row) -> Floats:
    """Variance of Σ coefficient·state, (batch,), from the upper triangle."""
    total = np.zeros(cov.shape[2:])
    states = sorted(row)
    for i, state in enumerate(states):
        half = 0.5 * row[state] * cov[state, state]
        for other in states[i + 1 :]:
            half += row[other] * cov[state, other]
        half *= row[state]
        total += half
    return 2.0 * total


def _is_one(coefficient: Floats | float) -> bool:
    return isinstance(coefficient, float) and coefficient == 1.0


def condition(mean: Floats, cov: Floats, along: Floats, innovation: Floats, precision: Floats) -> Floats:
    """Condition states in place on scalar observations; returns the gain, (states, batch).

    `along` (states, batch) are the covariances of what was observed with the states, `innovation` and `precision`
    (batch,) how far the value was from its expectation and one over the variance of that; both 0 where there was none.
    """
    states, batch = mean.shape
    gain = along * precision
    mean += gain * innovation
    together = min(max(TOGETHER // batch, 1), states) if batch else states
    for i in range(0, states, together):
        cov[i : i + together, i:] -= gain[i : i + together, None] * along[None, i:]
    return gain


def update(mean: Floats, cov: Floats, row: Row, value: Floats, noise_variance: Floats) -> Update:
    """Condition states in place on scalar observations value = row·state + noise; NaN values change nothing.

    `mean` (n, batch), `cov` (n, n, batch) of which the upper triangle counts, `value` and `noise_variance` (batch,).
    Equation: Kalman 1960, 10.1115/1.3662552, scalar form.
    """
    seen = ~np.isnan(value)
    along = project(cov, row)
    spread = inner(along, row) + noise_variance
    innovation = np.where(seen, value - inner(mean, row), 0.0)
    gain = condition(mean, cov, along, innovation, seen / spread)
    return Update(innovation, np.where(seen, spread, 1.0), gain, dense(row, mean.shape) * seen)


def project_in_order(cov: Floats, h: Floats) -> Floats:
    """Product of full matrices (n, n, batch) and vectors (n, batch), added state by state."""
    result: Floats = cov[0] * h[0]
    for j in range(1, h.shape[0]):
        result += cov[j] * h[j]
    return result


def inner_in_order(a: Floats, b: Floats) -> Floats:
    """Inner products of vectors (n, batch), added state by state: (batch,)."""
    result: Floats = a[0] * b[0]
    for j in range(1, a.shape[0]):
        result += a[j] * b[j]
    return result


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


def multiply(a: Floats, b: Floats) -> Floats:
    """Products of matrices (n, k, batch) and (k, m, batch), added in order."""
    result = a[:, 0, None, :] * b[None, 0, :, :]
    for j in range(1, a.shape[1]):
        result = result + a[:, j, None, :] * b[None, j, :, :]
    return result


def corrected(mean: Floats, cov: Floats, adjoint: Floats, information: Floats) -> tuple[Floats, Floats]:
    """Smoothed moments from filtered ones and the adjoint: x − Pλ, P − PΛP."""
    half = multiply(cov, information)
    return corrected_mean(mean, cov, adjoint), cov - multiply(half, cov)


def corrected_mean(mean: Floats, cov: Floats, adjoint: Floats) -> Floats:
    """The smoothed mean alone, x − Pλ."""
    return mean - project_in_order(cov, adjoint)

"""The batched filter and smoother against two reference libraries, with gaps: statsmodels and simdkalman."""

import numpy as np
import pytest
import simdkalman
from statsmodels.tsa.statespace.mlemodel import MLEModel

from service.domain import kalman
from service.domain.estimation import model as m
from service.domain.estimation.time_update import Transition, propagate_adjoint, propagate_covariance
from tests.reference import kalman_series

TOLERANCE = 1e-8
TRANSITION = np.array([[1.0, 1.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 0.6]])  # level, slope, autocorrelated noise
PROCESS = np.diag([0.01, 0.0004, 0.05])
H = np.array([1.0, 0.0, 1.0])
NOISE = 0.12
MEAN = np.array([80.0, -0.05, 0.0])
COV = np.diag([4.0, 0.01, 0.1])


@pytest.fixture(scope="module")
def values():
    rng = np.random.default_rng(20240)
    values = 80.0 - 0.05 * np.arange(90) + rng.normal(0, 0.5, (7, 90))
    values[rng.random((7, 90)) < 0.3] = np.nan
    values[2, 20:45] = np.nan
    values[3, :10] = np.nan
    values[4, -10:] = np.nan
    return values


@pytest.fixture(scope="module")
def ours(values):
    return kalman_series.run(values, TRANSITION, H, NOISE, PROCESS, MEAN, COV)


def test_equal_to_statsmodels(values, ours):
    for i, series in enumerate(values):
        model = MLEModel(series, k_states=3, initialization="known", initial_state=MEAN, initial_state_cov=COV)
        model["design"] = H[None]
        model["transition"] = TRANSITION
        model["selection"] = np.eye(3)
        model["state_cov"] = PROCESS
        model["obs_cov"] = np.array([[NOISE]])
        result = model.ssm.smooth()
        np.testing.assert_allclose(ours.filtered_mean[:, :, i], result.filtered_state.T, atol=TOLERANCE, rtol=0)
        np.testing.assert_allclose(
            ours.filtered_cov[..., i], np.moveaxis(result.filtered_state_cov, 2, 0), atol=TOLERANCE, rtol=0
        )
        np.testing.assert_allclose(ours.smoothed_mean[:, :, i], result.smoothed_state.T, atol=TOLERANCE, rtol=0)
        np.testing.assert_allclose(
            ours.smoothed_cov[..., i], np.moveaxis(result.smoothed_state_cov, 2, 0), atol=TOLERANCE, rtol=0
        )
        assert ours.log_likelihood[i] == pytest.approx(result.llf_obs.sum(), abs=TOLERANCE)


def test_equal_to_simdkalman(values, ours):
    reference = simdkalman.KalmanFilter(TRANSITION, PROCESS, H[None], np.array([[NOISE]]))
    result = reference.compute(
        values, 0, initial_value=MEAN, initial_covariance=COV, filtered=True, smoothed=True, log_likelihood=True
    )
    moved = np.moveaxis(ours.filtered_mean, 2, 0)
    np.testing.assert_allclose(moved, result.filtered.states.mean, atol=TOLERANCE, rtol=0)
    np.testing.assert_allclose(np.moveaxis(ours.filtered_cov, 3, 0), result.filtered.states.cov, atol=TOLERANCE, rtol=0)
    np.testing.assert_allclose(
        np.moveaxis(ours.smoothed_mean, 2, 0), result.smoothed.states.mean, atol=TOLERANCE, rtol=0
    )
    np.testing.assert_allclose(np.moveaxis(ours.smoothed_cov, 3, 0), result.smoothed.states.cov, atol=TOLERANCE, rtol=0)
    seen = (~np.isnan(values)).sum(axis=1)
    constant = 0.5 * seen * np.log(2 * np.pi)  # this library leaves it out
    np.testing.assert_allclose(ours.log_likelihood + constant, result.log_likelihood, atol=TOLERANCE, rtol=0)


def test_last_day_is_the_same_filtered_and_smoothed(ours):
    assert np.array_equal(ours.filtered_mean[-1], ours.smoothed_mean[-1])
    assert np.array_equal(ours.filtered_cov[-1], ours.smoothed_cov[-1])


def symmetric(rng, states, batch):
    half = rng.normal(size=(states, states, batch))
    return np.einsum("ikb,jkb->ijb", half, half)


def test_an_observation_of_some_states_is_that_of_a_full_vector():
    """Conditioning on the upper triangle with few coefficients against the textbook formula in matrices."""
    rng = np.random.default_rng(5)
    mean, cov, cosine = rng.normal(size=(7, 4)), symmetric(rng, 7, 4), rng.normal(size=4)
    h = np.zeros((7, 4))
    h[0], h[3], h[5] = 1.0, cosine, -0.4
    value, noise = rng.normal(size=4), np.full(4, 0.3)
    new_mean, new_cov = mean.copy(), np.tril(cov.T).T  # the lower triangle is not there
    kalman.update(new_mean, new_cov, {0: 1.0, 3: cosine, 5: -0.4}, value, noise)
    for b in range(4):
        along = cov[..., b] @ h[:, b]
        gain = along / (h[:, b] @ along + 0.3)
        np.testing.assert_allclose(new_mean[:, b], mean[:, b] + gain * (value[b] - h[:, b] @ mean[:, b]), rtol=1e-12)
        np.testing.assert_allclose(
            kalman.mirrored(new_cov)[..., b], cov[..., b] - np.outer(gain, along), rtol=1e-10, atol=1e-12
        )
        np.testing.assert_allclose(
            kalman.variance(np.tril(cov.T).T, {0: 1.0, 3: cosine, 5: -0.4})[b], h[:, b] @ along, rtol=1e-12
        )


def test_the_night_is_a_matrix_product():
    """The estimator's overnight change, row by row on the upper triangle, against F·P·Fᵀ and its adjoint FᵀΛF."""
    rng = np.random.default_rng(6)
    batch = 3
    transition = Transition(*rng.normal(size=(5, batch)))
    cov, information = symmetric(rng, m.STATES, batch), symmetric(rng, m.STATES, batch)
    carried, back, adjoint = np.tril(cov.T).T, information.copy(), rng.normal(size=(m.STATES, batch))
    started = adjoint.copy()
    propagate_covariance(carried, transition)
    propagate_adjoint(adjoint, back, transition)
    for b in range(batch):
        matrix = np.eye(m.STATES)
        tissue = np.zeros(m.STATES)
        tissue[m.TRANSFER], tissue[m.MAINTENANCE] = transition.per_transfer_kg[b], -transition.transfer_kg_per_kcal[b]
        tissue[m.EXCESS] = transition.per_excess_kg[b]
        matrix[m.TISSUE] += tissue
        matrix[m.MAINTENANCE] += m.MASS_KCAL_PER_KG * tissue
        matrix[m.MAINTENANCE, m.RESPONSE] += transition.adaptation_kcal[b]
        matrix[m.GUT, m.GUT], matrix[m.FLUID, m.FLUID] = m.GUT_CORRELATION, m.FLUID_CORRELATION
        np.testing.assert_allclose(
            kalman.mirrored(carried)[..., b], matrix @ cov[..., b] @ matrix.T, rtol=1e-10, atol=1e-9
        )
        np.testing.assert_allclose(back[..., b], matrix.T @ information[..., b] @ matrix, rtol=1e-10, atol=1e-9)
        np.testing.assert_allclose(adjoint[:, b], matrix.T @ started[:, b], rtol=1e-10, atol=1e-10)


@pytest.mark.parametrize("size", [1, 2, 3, 5])
def test_neighbours_and_batch_size_change_no_bit(values, ours, size):
    part = kalman_series.run(values[:size], TRANSITION, H, NOISE, PROCESS, MEAN, COV)
    assert np.array_equal(part.filtered_mean, ours.filtered_mean[..., :size])
    assert np.array_equal(part.smoothed_cov, ours.smoothed_cov[..., :size])
    assert np.array_equal(part.log_likelihood, ours.log_likelihood[:size])
